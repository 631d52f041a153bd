"""Units at the edge of what the form allows: every number finite, no warning, the page's figures drawn."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from metakit.decision.one_unit.unit_json import decision_json
from metakit.decision.one_unit.unit_words import plain_text
from metakit.report.unit_page import write_unit_page
from tests.unit.decision.one_unit.test_unit_decision import SCENARIO, WEIGHTS
from tests.unit.decision.units import HEAD, decided

EDGES = {
    "everybody_has_it": ("events: 21, thumbs: 96", "events: 96, thumbs: 96"),
    "nobody_has_it": ("events: 21, thumbs: 96", "events: 0, thumbs: 96"),
    "one_thumb_counted": ("events: 21, thumbs: 96", "events: 0, thumbs: 1"),
    "hardly_any_years": ("events: 8, thumb_years: 640", "events: 0, thumb_years: 0.1"),
    "an_event_a_year": ("events: 8, thumb_years: 640", "events: 640, thumb_years: 640"),
    "a_whole_register": ("events: 8, thumb_years: 640", "events: 9000, thumb_years: 1000000"),
    "weightless": ("weight: 10", "weight: 0"),
    "one_thumb_a_year": (
        "thumbs_a_year: 120, lowest: 90, highest: 150",
        "thumbs_a_year: 1, lowest: 1, highest: 2",
    ),
    "a_great_unit": (
        "thumbs_a_year: 120, lowest: 90, highest: 150",
        "thumbs_a_year: 20000, lowest: 90, highest: 20000",
    ),
    "three_months": ("years_followed: 5, lowest: 2, highest: 8", "years_followed: 0.25"),
    "thirty_years": (
        "years_followed: 5, lowest: 2, highest: 8",
        "years_followed: 30, lowest: 2, years_operating: 40",
    ),
}


@pytest.mark.walk
@pytest.mark.parametrize("name", EDGES)
def test_edges_give_finite_numbers(name: str, tmp_path: Path) -> None:
    old, new = EDGES[name]
    outcomes = [text.replace(old, new) for text in WEIGHTS]
    head = HEAD.replace(old, new)
    assert old in HEAD or outcomes != list(WEIGHTS)
    found = decided(tmp_path, *outcomes, end=SCENARIO, head=head)
    json.dumps(decision_json(found), allow_nan=False)
    assert "nan" not in plain_text(found).lower()
    for item in found.expectations:
        assert 0 <= item.per_thumb.lower <= item.per_thumb.upper <= 1 or item.cell.outcome.scored
        if item.cohort is not None:
            assert item.cohort.lower <= item.cohort.upper <= found.unit.volume.value
            assert 0 <= item.cohort.mean <= found.unit.volume.value
    if name == "everybody_has_it":
        text = write_unit_page(found, tmp_path / "page").read_text(encoding="utf-8")
        assert ">nan" not in text and "inf)" not in text
