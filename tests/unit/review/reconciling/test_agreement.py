"""Agreement of two extractors or screeners."""

import math

import numpy as np
import pytest

from metakit.core.values import Place
from metakit.review.reconciling.agreement import category_agreement, number_agreement
from metakit.review.reconciling.reconcile_agreement import field_agreements
from metakit.review.reconciling.reconcile_compared import Compared, Side


def test_kappa_of_fleiss() -> None:
    # Fleiss JL 1981, Statistical Methods for Rates and Proportions, 2nd ed., table 13.1: 100 subjects, two raters.
    # Printed: p_o 0.89, p_e 0.66, kappa 0.676 (status: memory).
    table = {
        ("p", "p"): 75,
        ("p", "n"): 1,
        ("p", "o"): 4,
        ("n", "p"): 5,
        ("n", "n"): 4,
        ("n", "o"): 1,
        ("o", "o"): 10,
    }
    pairs = [pair for pair, count in table.items() for _ in range(count)]
    found = category_agreement([a for a, _ in pairs], [b for _, b in pairs])
    assert found.proportion_same == pytest.approx(0.89)
    assert found.kappa == pytest.approx(0.676, abs=5e-4)
    # Interval by the large-sample variance of Fleiss, Cohen & Everitt 1969, worked by hand in this test.
    po = 0.89
    rows, columns = [0.80, 0.10, 0.10], [0.80, 0.05, 0.15]
    cell = [[0.75, 0.01, 0.04], [0.05, 0.04, 0.01], [0.0, 0.0, 0.10]]
    pe = sum(r * c for r, c in zip(rows, columns, strict=True))
    kappa = (po - pe) / (1 - pe)
    a = sum(cell[i][i] * (1 - (rows[i] + columns[i]) * (1 - kappa)) ** 2 for i in range(3))
    b = (1 - kappa) ** 2 * sum(
        cell[i][j] * (columns[i] + rows[j]) ** 2 for i in range(3) for j in range(3) if i != j
    )
    error = math.sqrt((a + b - (kappa - pe * (1 - kappa)) ** 2) / 100) / (1 - pe)
    assert found.kappa_interval is not None
    assert found.kappa_interval.lower == pytest.approx(kappa - 1.959963984540054 * error, abs=1e-9)
    assert found.adjusted_kappa == pytest.approx((3 * 0.89 - 1) / 2)
    # Printed for the same table by Fleiss, Levin & Paik 2003, 3rd ed., section 18.1: standard error 0.087, 95 %
    # interval 0.51 to 0.85 (status: memory). They add to the rounded 0.68, hence the tolerance of 0.006.
    assert error == pytest.approx(0.087, abs=0.001)
    assert tuple(found.kappa_interval) == pytest.approx((0.51, 0.85), abs=0.006)


def test_kappa_of_a_two_by_two_table() -> None:
    # Sim J, Wright CC 2005, Phys Ther 85:257-268, table 1, relevance of lateral shift: 22, 2, 4 and 11 of 39
    # subjects; printed: kappa 0.67 (status: memory). Prevalence-adjusted by hand: 2 * 33 / 39 - 1.
    first = ["yes"] * 24 + ["no"] * 15
    second = ["yes"] * 22 + ["no"] * 2 + ["yes"] * 4 + ["no"] * 11
    found = category_agreement(first, second)
    assert found.kappa == pytest.approx(0.67, abs=0.005)
    assert found.adjusted_kappa == pytest.approx(2 * 33 / 39 - 1)


def test_the_adjusted_kappa_counts_the_answers_that_nobody_chose() -> None:
    # Bennett, Alpert & Goldstein 1954 (from memory): (k p - 1) / (k - 1). Here p = 0.9 and k of 2, 4 and 10, by hand.
    first, second = ["a"] * 18 + ["b"] * 2, ["a"] * 18 + ["a"] * 2
    for choices, expected in ((None, 0.8), (1, 0.8), (4, 2.6 / 3), (10, 8 / 9)):
        assert category_agreement(first, second, choices=choices).adjusted_kappa == pytest.approx(expected)
    assert category_agreement(["a"] * 5, ["a"] * 5, choices=3).adjusted_kappa == 1.0
    assert category_agreement(["a"] * 5, ["a"] * 5).adjusted_kappa is None


def compared(number: int, one: str, two: str, choices: int) -> Compared:
    return Compared(
        study=f"S{number}", address="f", field="f", topic="", kind="choice", same=one == two, choices=choices,
        first=Side(typed=one, place=Place(file="f", line=1, column=1), source=""),
        second=Side(typed=two, place=Place(file="f", line=1, column=1), source=""),
    )  # fmt: skip


def test_blank_and_codes_count_beside_the_answers_of_the_list() -> None:
    answers = [("a", "a")] * 8 + [("a", ""), ("not_reported", "a")]
    for choices, expected in ((4, (6 * 0.8 - 1) / 5), (0, (3 * 0.8 - 1) / 2)):
        items = [compared(number, *pair, choices) for number, pair in enumerate(answers)]
        (field,) = field_agreements(items)
        assert field.categories is not None
        assert field.categories.adjusted_kappa == pytest.approx(expected)


def test_a_single_category_of_one_person_gives_no_interval() -> None:
    found = category_agreement(["a"] * 33 + ["b"], ["a"] * 34)
    assert found.kappa == pytest.approx(0.0, abs=1e-12)
    assert found.kappa_interval is None and "no interval" in found.note


def test_one_category_only_has_no_kappa() -> None:
    found = category_agreement(["include"] * 5, ["include"] * 5)
    assert found.kappa is None
    assert found.proportion_same == 1.0
    assert "not defined" in found.note


def test_limits_of_agreement() -> None:
    # Bland & Altman 1986: mean difference plus and minus 1.96 standard deviations; here by hand: 0, 1, -1, 0.
    found = number_agreement([1, 3, 2, 5], [1, 2, 3, 5])
    assert found.same == 2
    assert found.mean_difference == 0.0
    assert found.limits == pytest.approx(
        (-1.959964 * math.sqrt(2 / 3), 1.959964 * math.sqrt(2 / 3)), abs=1e-5
    )


def test_lengths_must_agree() -> None:
    with pytest.raises(ValueError, match="one"):
        category_agreement(["a"], ["a", "b"])
    with pytest.raises(ValueError, match="one length"):
        number_agreement([1.0], [])


def test_kappa_and_its_variance_are_those_of_the_formula() -> None:
    # Fleiss, Cohen & Everitt 1969 (Psychol Bull 72:323-327), equation 13; Fleiss 1981, equation 13.15.
    chance = np.random.default_rng(20261130)
    for size in (2, 3, 5):
        for _ in range(20):
            table = chance.integers(0, 9, (size, size)) + np.diag(chance.integers(1, 20, size))
            first, second = (
                [str(place[side]) for place, count in np.ndenumerate(table) for _ in range(count)]
                for side in (0, 1)
            )
            share = table / table.sum()
            row, column, on_diagonal = share.sum(axis=1), share.sum(axis=0), np.diag(share)
            expected = float(row @ column)
            kappa = (float(np.trace(share)) - expected) / (1 - expected)
            same = float((on_diagonal * (1 - (row + column) * (1 - kappa)) ** 2).sum())
            apart = (share - np.diag(on_diagonal)) * (column[:, None] + row) ** 2
            whole = (kappa - expected * (1 - kappa)) ** 2
            variance = same + (1 - kappa) ** 2 * float(apart.sum()) - whole
            error = math.sqrt(variance / (1 - expected) ** 2 / table.sum())
            found = category_agreement(first, second)
            assert found.kappa == pytest.approx(kappa, rel=1e-12)
            assert found.kappa_interval is not None
            half = found.kappa - found.kappa_interval.lower  # the upper limit may be cut off at 1
            assert half == pytest.approx(1.959963984540054 * error, rel=1e-9)
