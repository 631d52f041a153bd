"""Studies measured from the most precise one, and weights without cancellation."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from metakit.numerics.weights import prepare, study_shares, weigh


def test_one_analysis_and_a_row_of_a_batch_are_the_same_numbers() -> None:
    y, v = np.array([0.2, -0.1, 0.7]), np.array([0.3, 0.1, 0.2])
    one, row = prepare(y, v), prepare(y[None, :], v[None, :])
    assert one.leading == ()
    assert row.leading == (1,)
    assert one.anchor == row.anchor[0] == 1
    assert np.array_equal(one.effect, row.effect[0])
    assert one.anchor_effect == row.anchor_effect[0] == -0.1


def test_leading_axes_are_folded_and_unfolded() -> None:
    y = np.arange(24.0).reshape(2, 3, 4)
    studies = prepare(y, 1.0 + y)
    assert studies.rows == 6
    assert study_shares(studies, weigh(studies, 0.0)).shape == (2, 3, 4)


def test_shares_add_up_to_one_and_are_zero_where_absent() -> None:
    present = np.array([[True, False, True], [True, True, True]])
    studies = prepare([[1.0, np.nan, 3.0], [1.0, 2.0, 3.0]], [[0.1, np.nan, 0.2], [0.1, 0.1, 0.2]], present)
    shares = study_shares(studies, weigh(studies, 0.0))
    assert shares[0].tolist() == pytest.approx([2 / 3, 0, 1 / 3])
    assert shares.sum(axis=-1) == pytest.approx([1, 1])
    assert studies.count.tolist() == [2, 3]


# Exact rational arithmetic is the oracle: total weight minus (sum of squares / total) loses all digits in
# doubles when one weight is a million million times the others.
def test_contrast_total_keeps_its_digits_over_twelve_orders() -> None:
    v = [1e-6, 3.0, 5e5, 1e6, 7e2]
    studies = prepare([0.0, 1.0, 2.0, 3.0, 4.0], v)
    w = [1 / Fraction(x) for x in v]
    exact = sum(w) - sum(x * x for x in w) / sum(w)
    assert float(weigh(studies, 0.0).contrast_total()) == pytest.approx(float(exact), rel=1e-14)


def test_mean_of_a_precise_and_a_far_study_keeps_its_digits() -> None:
    y, v = [0.0, 1e8], [1e-6, 1e6]
    studies = prepare(y, v)
    w = [1 / Fraction(x) for x in v]
    exact = sum(a * Fraction(b) for a, b in zip(w, y, strict=True)) / sum(w)
    assert float(studies.anchor_effect + weigh(studies, 0.0).mean) == pytest.approx(float(exact), rel=1e-14)


def test_equal_effects_have_no_residual_at_all() -> None:
    weights = weigh(prepare([0.1] * 5, [0.3, 0.2, 0.7, 0.11, 0.13]), 0.0)
    assert float(weights.squares()) == 0.0


@pytest.mark.parametrize(
    ("effect", "variance", "present"),
    [
        ([0.1, np.nan], [0.1, 0.1], None),
        ([0.1, np.inf], [0.1, 0.1], None),
        ([0.1, 0.2], [0.1, 0.0], None),
        ([0.1, 0.2], [0.1, -1.0], None),
        ([0.1, 0.2], [0.1, np.nan], None),
        ([0.1, 0.2], [0.1, np.inf], None),
        ([0.1, 0.2], [0.1, 0.1], [False, False]),
        ([], [], None),
        (0.1, 0.1, None),
        ([[0.1, 0.2], [0.3, np.nan]], [0.1, 0.2], [[True, True], [True, True]]),
    ],
)
def test_kernels_refuse_what_is_no_study(effect: object, variance: object, present: object) -> None:
    mask = None if present is None else np.array(present)
    with pytest.raises(ValueError, match="needs"):
        prepare(effect, variance, mask)


def test_what_is_absent_may_hold_anything() -> None:
    present = np.array([True, True, False])
    studies = prepare([0.1, 0.4, np.inf], [0.1, 0.2, -3.0], present)
    assert float(weigh(studies, 0.0).total) == pytest.approx(15.0)


def test_several_batch_axes_with_a_mask_are_rows_in_their_order() -> None:
    random = np.random.default_rng(41)
    y, v = random.normal(size=(2, 3, 4)), random.uniform(0.1, 1.0, (2, 3, 4))
    here = np.ones((2, 3, 4), dtype=bool)
    here[0, 1, 2] = here[1, 2, 0] = False
    many = prepare(y, v, here)
    assert many.leading == (2, 3) and many.rows == 6
    for place in np.ndindex(2, 3):
        row = int(np.ravel_multi_index(place, (2, 3)))
        one = prepare(y[place], v[place], here[place])
        assert float(many.count[row]) == here[place].sum() == float(np.squeeze(one.count))
        assert float(many.anchor_effect[row]) == float(np.squeeze(one.anchor_effect))
        assert many.others[row].tolist() == np.squeeze(one.others).tolist()
    assert np.unique(prepare(y, v).count).tolist() == [4]
