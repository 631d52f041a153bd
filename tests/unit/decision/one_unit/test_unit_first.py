"""The first screen: what is said of each technique, and that no more is said than intervals and certainty bear."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from scipy import stats

from metakit.core.limits import Limits
from metakit.decision.one_unit.expected import DRAWS as DRAWS_OF_PAGE
from metakit.decision.one_unit.expected import CountRange, middle_words
from metakit.decision.one_unit.unit_decision import UnitDecision
from metakit.decision.one_unit.unit_driver_words import heard_effect
from metakit.decision.one_unit.unit_first import first_screen, supported
from metakit.decision.one_unit.unit_said import unit_words
from metakit.decision.one_unit.unit_words import cautions, summary_lines
from tests.unit.decision.spoken import spoken
from tests.unit.decision.units import COMPLICATIONS, HEAD, KINDS, REVISIONS, SCORES, decided, shipped_unit

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
    assert len(spoken(screen.text)) < 300  # two minutes at 150 words a minute (common practice, no source)
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


@pytest.mark.lengthy
def test_none_and_all_counted_are_explained_where_they_first_stand(tmp_path: Path) -> None:
    small = COMPLICATIONS.replace("events: 21, thumbs: 96", "events: 0, thumbs: 30")
    now = decided(tmp_path, small).first.lines[0].text
    assert "plan for 1.9 with any complication" in now  # 120 x 0.5 / 31, after Jeffreys' prior
    assert "You counted 0 in 30 thumbs, which is no risk of zero" in now
    every = COMPLICATIONS.replace("events: 21, thumbs: 96", "events: 30, thumbs: 30")
    now = decided(tmp_path, every).first.lines[0].text
    assert "You counted 30 in 30 thumbs, which is no risk of 100" in now
    assert "plan for 118 with any complication" in now  # 120 x 30.5 / 31, after Jeffreys' prior
    # Beta-binomial (scipy.stats.betabinom): all 120 in 45 of 100 units, so that the middle one has 119.
    exact = stats.betabinom(120, 30.5, 0.5)
    assert exact.pmf(120) < 0.5 and f"middle value {exact.median():.0f}; " in now


def counted(mean: float, median: float, upper: float, *, none: float = 0.0, every: float = 0.0) -> CountRange:
    return CountRange(
        mean=mean, median=median, lower=0, upper=upper, level=0.95, moved=0, none=none, every=every, below=0.5
    )


def test_the_middle_value_of_a_count_is_not_called_as_likely_over_as_under() -> None:
    assert middle_words(counted(3.1, 3, 8), 12) == "middle value 3"
    assert middle_words(counted(0.2, 0, 2, none=0.85), 12) == "none in 85 of 100 such units"
    assert middle_words(counted(0.001, 0, 0, none=0.999), 12) == "none in more than 99 of 100 such units"
    whole = counted(49.5, 50, 50, every=0.61)
    assert middle_words(whole, 50) == "all in 61 of 100 such units"
    assert middle_words(whole, 51) == "middle value 50"


def test_how_many_units_have_none_is_that_of_the_distribution(tmp_path: Path) -> None:
    """Beta-binomial after Jeffreys' prior, 12 thumbs after 0 of 30 (scipy.stats.betabinom): none in 85 of 100."""
    small = COMPLICATIONS.replace("events: 21, thumbs: 96", "events: 0, thumbs: 30")
    head = HEAD.replace("thumbs_a_year: 120, lowest: 90, highest: 150", "thumbs_a_year: 12")
    found = decided(tmp_path, small, head=head)
    none = stats.betabinom(12, 0.5, 30.5).pmf(0)
    now = found.expectation("any_complication", "now")
    assert now is not None and now.cohort is not None
    assert now.cohort.none == pytest.approx(none, abs=0.01)
    assert f"none in {100 * now.cohort.none:.0f} of 100 such units" in found.first.lines[0].text


@pytest.mark.lengthy
def test_no_estimate_is_said_at_very_low_certainty_only_where_this_unit_may_lie(found: UnitDecision) -> None:
    """GRADE guidance 26 (Santesso 2020): the evidence is very uncertain, and no effect is stated.

    Beside `Ranges hold 95 of 100 such units` stood ratios of the average over centres, `0.5 to 52 times`.
    """
    line = found.first.lines[1].text
    for cell in found.cells:
        rests = found.evidence_of(cell)
        if cell.compares and rests is not None and rests.level == "very_low":
            assert cell.finding is not None and cell.finding.result is not None
            item = found.expectation(cell.outcome.term.id, cell.technique.id)
            assert item is not None and item.change is not None
            now = found.expectation(cell.outcome.term.id, "now")
            assert unit_words(cell, item.change, now.cohort if now else None, of="", unit=False)[:9] in line
            assert heard_effect(cell, cell.finding.result) not in line
    assert " times" not in line and "rate ratio" not in line and "in most draws" not in line
    assert line.count("of one year's thumbs") == 1
    # The cautions said that the average's interval is "what fits at the top", where the unit's own range stands.
    assert not any("at the top" in text for text in cautions(found))


@pytest.mark.lengthy
def test_a_claim_of_no_difference_says_that_it_is_the_averages_and_where_one_unit_may_lie(
    found: UnitDecision,
) -> None:
    """`Probably no difference that matters` held on average; for the unit the page said past what matters."""
    cell = next(c for c in found.cells if c.outcome.term.id == "dash" and c.compares)
    rests, item = found.evidence_of(cell), found.expectation("dash", "lrti")
    assert rests is not None and item is not None and item.change is not None and cell.finding is not None
    # Only the interval, the estimate and the plan of the outcome are asked.
    result = SimpleNamespace(interval=Limits(-6.0, 5.5), estimate=-0.2)
    other = SimpleNamespace(result=result, outcome_plan=cell.finding.outcome_plan)
    none = replace(cell, finding=other)  # type: ignore[arg-type]
    wide = replace(item, cell=none, change=replace(item.change, lower=-10.5, upper=9.9))
    sure = replace(rests, cell=none, level="moderate", certainty="moderate; judged and signed")
    said = first_screen(found.unit, [none], [wide], [sure], []).lines[1].text
    assert said == (
        "LRTI: it probably means no difference that matters in DASH at 12 months on average over centres "
        "(5.5 points worse to 6 better); one unit may pass the 10 that matter: 9.9 worse to 10.5 better "
        "(certainty moderate; judged and signed)."
    )
    near = replace(wide, change=replace(item.change, lower=-8.0, upper=9.0))
    assert (
        "one unit: 9 worse to 8 better" in first_screen(found.unit, [none], [near], [sure], []).lines[1].text
    )


@pytest.mark.walk
@pytest.mark.parametrize("which", KINDS)
def test_the_first_screen_is_read_aloud_in_two_minutes(which: str, tmp_path: Path) -> None:
    """150 words a minute (common practice, no source); numbers and abbreviations as they are spoken."""
    screen = shipped_unit(which, tmp_path).first
    assert len(spoken(screen.text)) <= 300, screen.text
    assert all(line.text in screen.text for line in screen.lines)


def test_words_are_counted_as_they_are_spoken() -> None:
    said = "minus four point two to eighty six thousand nine hundred L R T I ninety five percent"
    assert " ".join(spoken("−4.2 to 86 900 LRTI (95 %)")) == said
    assert " ".join(spoken("120 thumbs a year's 0.02")) == (
        "one hundred and twenty thumbs a year's zero point zero two"
    )


@pytest.mark.walk
def test_the_readme_quotes_what_its_unit_is_told(tmp_path: Path) -> None:
    readme = (Path(__file__).parents[4] / "README.md").read_text(encoding="utf-8")
    quoted = readme.partition("one line an outcome, here `")[2].partition("`")[0]
    assert quoted and f"{quoted}." in summary_lines(shipped_unit("readme", tmp_path, draws=DRAWS_OF_PAGE))
