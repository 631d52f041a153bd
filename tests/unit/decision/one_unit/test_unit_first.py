"""The first screen: what is said of each technique, and that no more is said than intervals and certainty bear."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from metakit.core.limits import Limits
from metakit.decision.one_unit.expected import CountRange, Range, median_words
from metakit.decision.one_unit.unit_decision import UnitDecision
from metakit.decision.one_unit.unit_first import above_now, fewer_to_more, none_counted, supported
from tests.unit.decision.units import COMPLICATIONS, HEAD, REVISIONS, SCORES, decided

THIRD = "  - {id: lrti, technique: lrti, label: LRTI, theatre_minutes: 80, cost: 1500}\n"
MORE = THIRD + "  - {id: cut, technique: denervation, label: denervation, theatre_minutes: 30}\n"


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> UnitDecision:
    outcomes = (
        REVISIONS.replace(
            "analysis: revisions}", "analysis: revisions}, {technique: cut, analysis: revisions_series}"
        ),
        COMPLICATIONS,
        SCORES,
    )
    return decided(tmp_path_factory.mktemp("first"), *outcomes, head=HEAD.replace(THIRD, MORE))


@pytest.mark.lengthy
def test_every_technique_has_its_sentence_and_it_is_short_enough_to_read_aloud(found: UnitDecision) -> None:
    screen = found.first
    assert [line.technique.id for line in screen.lines] == ["now", "lrti", "cut"]
    assert [line.compared for line in screen.lines] == [False, True, False]
    words = " ".join([screen.question, screen.answer, *(line.text for line in screen.lines)]).split()
    assert len(words) < 300  # two minutes at 150 words a minute (common practice, no source)
    assert "recommends nothing" in screen.answer


def test_a_technique_without_comparison_stands_there_as_such(found: UnitDecision) -> None:
    line = found.first.lines[2].text
    assert "no study named here compares it with trapeziectomy alone" in line
    assert "only 3 single-arm series, which compare nothing" in line
    assert "fewer to" not in line
    assert found.expectation("revision_index", "cut").change is None  # type: ignore[union-attr]
    assert "cut" not in {item.technique.id for item in found.drivers}


def test_the_verb_follows_certainty_and_the_claim_the_interval(found: UnitDecision) -> None:
    cell = next(c for c in found.cells if c.outcome.term.id == "any_complication" and c.link)
    rests = found.evidence_of(cell)
    assert rests is not None and cell.finding is not None and cell.finding.result is not None

    def with_interval(low: float, high: float):
        # Only the interval and the plan of the outcome are asked.
        other = SimpleNamespace(
            result=SimpleNamespace(interval=Limits(low, high)), outcome_plan=cell.finding.outcome_plan
        )
        return replace(cell, finding=other)

    fewer = with_interval(-0.9, -0.3)
    for level, words in (("low", "may mean"), ("moderate", "probably means"), ("high", "means")):
        said = supported(found.unit, fewer, replace(rests, level=level))  # type: ignore[arg-type]
        assert said == f"{words} fewer thumbs with "
    assert supported(found.unit, fewer, replace(rests, level="very_low")) == ""
    assert supported(found.unit, fewer, replace(rests, level=None)) == ""
    high = replace(rests, level="high")
    assert supported(found.unit, with_interval(-0.9, 0.3), high) == ""
    assert supported(found.unit, with_interval(0.3, 0.9), high) == "means more thumbs with "
    # 21 in 96 times 0.95 to 1.05: less than the smallest important 5 in 100 on either side.
    assert supported(found.unit, with_interval(-0.05, 0.05), high) == "means no difference that matters in "


def test_none_counted_is_explained_where_it_first_stands(tmp_path: Path) -> None:
    small = COMPLICATIONS.replace("events: 21, thumbs: 96", "events: 0, thumbs: 30")
    now = decided(tmp_path, small).first.lines[0].text
    # 1 - 0.05^(1/30), the exact one-sided limit (Hanley & Lippman-Hand 1983).
    assert "you counted 0 in 30 thumbs, which is not a risk of zero: up to 9.5 in 100 thumbs" in now
    assert "plan for 1.9 with any complication" in now  # 120 x 0.5 / 31, after Jeffreys' prior
    assert "up to 3.0 in 100 thumb-years" in none_counted(0, 100, True)


def test_all_counted_is_explained_as_none_is(tmp_path: Path) -> None:
    """No risk of 100 either: 0.05^(1/30), the exact one-sided limit; and nobody is over all of a year's thumbs."""
    every = COMPLICATIONS.replace("events: 21, thumbs: 96", "events: 30, thumbs: 30")
    now = decided(tmp_path, every).first.lines[0].text
    assert "you counted 30 in 30 thumbs, which is not a risk of 100: as few as 90 in 100 thumbs" in now
    assert "plan for 118 with any complication" in now  # 120 x 30.5 / 31, after Jeffreys' prior
    assert "as likely over as under 120" not in now


@pytest.mark.parametrize(
    ("ends", "said"),
    [((-3.14, 16.2), "from 3.1 fewer to 16 more"), ((2.0, 5.0), "from 2.0 to 5.0 more"),
     ((-5.0, -2.0), "from 5.0 to 2.0 fewer")],
)  # fmt: skip
def test_differences_are_said_with_their_direction(ends: tuple[float, float], said: str) -> None:
    assert fewer_to_more(Range(mean=0.0, median=0.0, lower=ends[0], upper=ends[1])) == said


def test_more_fewer_than_are_planned_for_is_explained() -> None:
    now = CountRange(mean=3.1, median=3, lower=0, upper=8, level=0.95, moved=0)
    wide = Range(mean=2.0, median=-1.0, lower=-4.2, upper=15.0)
    assert above_now(wide, now) == " (more than the 3.1 planned for as now, which may be up to 8)"
    assert above_now(Range(mean=2.0, median=-1.0, lower=-3.0, upper=15.0), now) == ""
    assert above_now(wide, None) == ""
    none = CountRange(mean=0.6, median=0, lower=0, upper=3, level=0.95, moved=0)
    assert median_words(none, 12) == "none in half of such units"
    assert median_words(now, 12).endswith("over as under 3")
    whole = CountRange(mean=49.5, median=50, lower=47, upper=50, level=0.95, moved=0)
    assert median_words(whole, 50) == "all in half of such units" and "over as under" in median_words(
        whole, 51
    )
