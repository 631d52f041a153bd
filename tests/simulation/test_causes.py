"""The report on the model of causes says what both runs found, and the product carries what the second one chose."""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.models.causes_of_return import causes as product
from tests.simulation import causes_second, causes_second_verdict, causes_verdict
from tests.simulation.causes import CANDIDATES, Cell, cells
from tests.simulation.headline_verdict import renew

HERE = Path(__file__).resolve().parent
REPORT = (HERE / "causes_results.md").read_text(encoding="utf-8")
SECOND = causes_second_verdict.read()


def test_every_cell_of_the_second_protocol_was_run() -> None:
    keys = list(SECOND[["k", "mechanism", "spread", "candidate", "cause"]].itertuples(index=False, name=None))
    expected = {
        (cell.k, cell.mechanism, cell.spread, name, cause)
        for cell in cells()
        for name in CANDIDATES
        for cause in range(1, 5)
    }
    assert len(keys) == len(set(keys)) == len(expected)
    assert set(keys) == expected
    assert set(SECOND["repeats"]) == {1000}


def test_the_tables_of_the_report_are_those_of_the_results() -> None:
    tables = causes_verdict.blocks(causes_verdict.read()) | causes_second_verdict.blocks(SECOND)
    assert renew(REPORT, tables) == REPORT


def test_the_product_says_which_model_was_chosen_and_warns_with_its_numbers() -> None:
    assert causes_second_verdict.chosen(SECOND) == ("logistic_normal", True)
    ours, other = (
        causes_second_verdict.commonest(SECOND, name) for name in ("dirichlet_multinomial", "logistic_normal")
    )
    for low, high in (ours, other):
        assert f"{100 * low:.0f} to {100 * high:.0f} %" in product.TWO_MODELS
    table = {
        "study": list("AABB"), "cause": ["residual_bone", "mp_hyperextension"] * 2,
        "thumbs": [6, 5, 7, 4], "total": [60, 60, 80, 80],
    }  # fmt: skip
    found = product.causes(table).overall
    assert product.TWO_MODELS in found.notes
    assert found.model == "logistic_normal"


@pytest.mark.lengthy
def test_a_cell_is_drawn_again_with_the_same_numbers_and_not_those_of_the_first_run() -> None:
    cell = Cell(2, "equal", "none")
    first, again = (list(causes_second.run(cell, 2)) for _ in range(2))
    assert first[0] == again[0]
    assert causes_second.seeded(cell).integers(1 << 30) != cell.rng().integers(1 << 30)
