"""What is said of a correction of empty cells, by measure."""

from __future__ import annotations

import pytest

from metakit.measures.effect_log import _rule
from metakit.measures.registry import MEASURES
from metakit.measures.tables import effect_sizes


@pytest.mark.parametrize(
    ("measure", "where", "reason"),
    [
        ("risk_ratio", "to each cell", "one of which is 0"),
        ("proportion", "to events and to non-events", "one of which is 0"),
        ("rate", "to the events", "of which there are none"),
        ("rate_ratio", "to the events of both arms", "one of which is 0"),
    ],
)
def test_where_something_is_added_and_why(measure: str, where: str, reason: str) -> None:
    assert _rule(MEASURES[measure], "constant", variance_only=False).endswith(f" added {where}, {reason}")
    said = _rule(MEASURES[measure], "constant", variance_only=True)
    assert f"added {where}, since it would be 0" in said and reason not in said


def test_the_crude_proportion_and_the_harmonic_mean_are_said_beside_millers_formula() -> None:
    effects = effect_sizes(
        {"study": ["A", "B"], "events": [3, 9], "total": [20, 60]},
        measure="proportion",
        scale="double_arcsine",
    )
    (note,) = [note for note in effects.notes if "Miller" in note]
    assert "at 30, the harmonic mean of the 2 sample sizes" in note  # 2 / (1/20 + 1/60)
    assert "The crude proportion, all events over all totals, is 15 %." in note  # 12 of 80


def test_corrected_studies_and_effective_numbers_are_counted() -> None:
    columns = {
        "study": ["A", "B"],
        "events_1": [0, 9],
        "total_1": [20, 60.5],
        "events_2": [3, 8],
        "total_2": [21, 59],
    }
    notes = effect_sizes(columns, measure="odds_ratio", effective_numbers=True).notes
    assert "1 of 2 studies have an empty cell and were corrected for it." in notes
    assert "Some numbers are effective numbers, not counts (total_1)." in notes
    plain = effect_sizes({**columns, "events_1": [1, 9], "total_1": [20, 60]}, measure="odds_ratio").notes
    assert not [note for note in plain if "corrected" in note or "effective" in note]
