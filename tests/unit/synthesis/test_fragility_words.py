"""What an answer hangs on is said as the facts have it, for every single event and every other way beside it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from metakit import effect_sizes, pool
from metakit.core.beside import Companion
from metakit.core.limits import Limits
from metakit.measures.registry import MEASURES
from metakit.models.differing.fragility import fragility
from metakit.synthesis.fragility_words import fragility_sentence
from tests.unit.synthesis.invented import COMPARISON

FIRM = {
    "study": ["A", "B", "C"], "events_1": [9, 7, 8], "total_1": [90, 80, 85], "events_2": [30, 28, 27],
    "total_2": [88, 82, 90],
}  # fmt: skip
EDGE = {
    "study": ["A", "B", "C"], "events_1": [6, 5, 5], "total_1": [40, 40, 40], "events_2": [10, 9, 10],
    "total_2": [40, 40, 40],
}  # fmt: skip
OPEN = {**EDGE, "events_1": [8, 7, 7], "events_2": [12, 11, 12]}


@pytest.mark.parametrize("rows", [FIRM, EDGE, OPEN])
@pytest.mark.parametrize("events", [0, 1, 2])
def test_the_sentence_says_whether_one_event_decides(rows: dict[str, list[object]], events: int) -> None:
    rows = {**rows, "events_1": [value + events for value in rows["events_1"]]}  # type: ignore[operator]
    table = effect_sizes(rows, measure="risk_ratio")
    result = pool(table, model="common_effect")
    found = fragility(table, result)
    text = fragility_sentence(found, result, MEASURES["risk_ratio"], None, COMPARISON)
    open_ = result.interval.lower <= 0 <= result.interval.upper
    if found.flips:
        assert "hangs on one event" in text
        assert ("its interval holds no difference" in text) == open_
        assert ("would leave it out" in text) == open_
        assert f"with {len(found.flips)} change" in text and f"of {found.tried}." in text
        for flip in found.flips:
            assert (flip.interval.lower <= 0 <= flip.interval.upper) != open_
    else:
        assert text == (
            "No single event more or less in an arm of a study would move the interval across no difference "
            f"({found.tried} changes tried)."
        )


def test_both_kinds_are_met_here() -> None:
    said = set()
    for rows in (FIRM, EDGE, OPEN):
        for events in range(5):
            table = effect_sizes({**rows, "events_1": [value + events for value in rows["events_1"]]}, measure="risk_ratio")  # type: ignore[operator] # fmt: skip
            said.add(fragility(table, pool(table, model="common_effect")).hangs_on_one_event)
    assert said == {True, False}


def test_other_ways_on_another_side_are_named_with_their_intervals() -> None:
    table = effect_sizes(FIRM, measure="risk_ratio")
    result = pool(table, model="common_effect")
    other = Companion(name="hartung_knapp", label="REML, Hartung-Knapp interval", interval=Limits(-2.0, 0.1))
    shown = replace(result, beside=(other,))
    text = fragility_sentence(fragility(table, shown), shown, MEASURES["risk_ratio"], None, COMPARISON)
    assert (
        "Whether its interval holds no difference depends on how the spread between centres is treated: REML, "
        "Hartung-Knapp interval, 0.14 to 1.11." in text
    )
    empty = replace(other, name="normal_likelihood", label="normal effects with a correction")
    shown = replace(result, beside=(empty,))
    text = fragility_sentence(fragility(table, shown), shown, MEASURES["risk_ratio"], None, COMPARISON)
    assert "depends on how empty arms are treated: normal effects with a correction, 0.14 to 1.11." in text


def test_no_cell_is_told_as_corrected_and_not_corrected_at_once() -> None:
    # "1 of 5 studies have an empty cell and were corrected for it" once stood beside "no zero cell is corrected".
    from metakit.models.of_counts.uncorrected import UNCORRECTED
    from metakit.synthesis.run import synthesise
    from tests.unit.synthesis.invented import Folder, plan, protocol, trial

    studies = (trial("1", 0, 6), trial("2", 4, 8), trial("3", 5, 9))
    found = synthesise(Folder(protocol=protocol(plan(model="mantel_haenszel")), studies=studies))  # type: ignore[arg-type]
    (finding,) = found.analyses
    assert UNCORRECTED in finding.notes
    told = " ".join((*finding.notes, *map(str, finding.assumptions)))
    assert "corrected for it" not in told and "0.5" not in told
