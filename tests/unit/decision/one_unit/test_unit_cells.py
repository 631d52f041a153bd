"""A unit's page promises neither nothing nor everything where an effect does not fit its baseline."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from metakit.decision.new_centre import NewCentre
from metakit.decision.one_unit.unit_decision import decide
from metakit.decision.one_unit.unit_words import plain_text
from metakit.errors import NotEstimableError
from metakit.synthesis.confidence import ConfidenceDistribution
from metakit.synthesis.run import synthesise
from tests.unit.decision.units import DRAWS, HEAD, REVISIONS, Folder, review, unit
from tests.unit.synthesis.invented import plan, trial

LOW = """
  - outcome: any_complication
    baseline: {events: 10, thumbs: 100, months: 12, kind: unit_audit, source: audit}
    effects: [{technique: lrti, analysis: complications}]
"""
TRIALS = tuple(trial(str(n), 10 + n, 24 + n, 60) for n in range(5))


def asked(*studies: object, measure: str = "risk_difference") -> Folder:
    base = review(plans=(plan(measure, id="complications", model="random_effects"),))
    return Folder(protocol=base.protocol, studies=studies)  # type: ignore[arg-type]


def test_a_risk_difference_that_takes_away_more_than_there_is_promises_no_zero(tmp_path: Path) -> None:
    # -26 per 100 at a baseline of 10 in 100 printed "0.0 thumbs (range 0 to 14)".
    folder = asked(*TRIALS)
    result = synthesise(folder).analyses[0].result  # type: ignore[arg-type]
    assert result is not None and result.interval.lower < -0.10
    found = decide(folder, unit(tmp_path, LOW), draws=DRAWS)  # type: ignore[arg-type]
    (cell,) = [item for item in found.cells if item.technique.id == "lrti"]
    assert cell.answered and cell.carrier is not None
    # the ratio that the difference is at the baseline of its own studies, about 26 of 60
    home = 130 / 300
    assert cell.value == pytest.approx(0.10 * (home + result.estimate) / home, rel=0.02)
    assert cell.value > 0.03
    (reason,) = [note for note in cell.notes if "does not fit a baseline of 10 in 100" in note]
    assert "baseline of their own studies" in reason
    assert float(np.mean(cell.draws <= 0)) < 0.05


@pytest.mark.lengthy
def test_a_ratio_that_passes_a_hundred_stays_below_it(tmp_path: Path) -> None:
    folder = asked(*(trial(str(n), 24 + n, 8, 60) for n in range(5)), measure="risk_ratio")
    high = LOW.replace("events: 10", "events: 60")
    found = decide(folder, unit(tmp_path, high), draws=DRAWS)  # type: ignore[arg-type]
    (cell,) = [item for item in found.cells if item.technique.id == "lrti"]
    assert 0.6 < cell.value < 1
    assert any("ratios of hazards" in note for note in cell.notes)
    assert cell.at(baseline=0.3) < cell.value


@pytest.mark.lengthy
def test_what_fits_no_way_is_refused_with_both_numbers(tmp_path: Path) -> None:
    folder = asked(trial("1", 0, 12, 60), trial("2", 30, 12, 60))
    with pytest.raises(
        NotEstimableError, match=r"does not fit a baseline of 10 in 100.*nor that of its own studies"
    ):
        decide(folder, unit(tmp_path, LOW), draws=DRAWS)  # type: ignore[arg-type]


def test_a_new_centre_counts_when_the_way_to_the_baseline_is_chosen(tmp_path: Path) -> None:
    # The interval of the mean fits a baseline of 28 in 100; that of a new centre passes 100.
    folder = asked(*(trial(str(n), 14 + 7 * n, 14, 60) for n in range(4)), measure="risk_ratio")
    found = decide(folder, unit(tmp_path, LOW.replace("events: 10", "events: 28")), draws=DRAWS)  # type: ignore[arg-type]
    (cell,) = [item for item in found.cells if item.technique.id == "lrti"]
    assert cell.finding is not None and cell.finding.result is not None and cell.centre is not None
    assert 0.28 * np.exp(cell.finding.result.interval.upper) < 1 < 0.28 * np.exp(cell.centre.limits().upper)
    assert any("ratios of hazards" in note for note in cell.notes)
    assert not any("was set to the end" in note for note in cell.notes)
    assert float(np.max(cell.draws)) < 1


@pytest.mark.walk
def test_an_expectation_far_from_what_any_study_saw_is_marked(tmp_path: Path) -> None:
    folder = asked(*(trial(str(n), 3, 12 + n, 60) for n in range(4)), measure="risk_ratio")
    seen, far = (
        decide(folder, unit(tmp_path, LOW.replace("events: 10", f"events: {n}")), draws=DRAWS)  # type: ignore[arg-type]
        for n in (20, 90)
    )
    assert not any("outside what" in note for cell in seen.cells for note in cell.notes)
    (cell,) = [item for item in far.cells if item.technique.id == "lrti"]
    (note,) = [note for note in cell.notes if "outside what" in note]
    assert "5.0 to 5.0 in 100 thumbs in its 4 studies" in note and "nobody saw it" in note


@pytest.mark.lengthy
def test_a_small_number_is_never_written_as_zero(tmp_path: Path) -> None:
    head = HEAD.replace("thumbs_a_year: 120, lowest: 90, highest: 150", "thumbs_a_year: 2")
    found = decide(review(), unit(tmp_path, REVISIONS, head=head), draws=DRAWS)  # type: ignore[arg-type]
    said = plain_text(found)
    assert "expect 0.1 thumbs" in said and "expect 0.0" not in said and "; 0.0 thumbs" not in said
    rare = REVISIONS.replace("events: 8, thumb_years: 640", "events: 0, thumb_years: 90000")
    found = decide(review(), unit(tmp_path, rare, head=head), draws=DRAWS)  # type: ignore[arg-type]
    assert "0.0 thumbs" not in plain_text(found) and "plan for 0.0 " not in plain_text(found)


@pytest.mark.lengthy
def test_a_few_extreme_rates_are_not_called_an_expectation(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The mean of rates with heavy tails printed "the expected 395846 in 100"; the middle value has a unit."""
    few = ConfidenceDistribution.from_interval(-1.1, -9.0, 7.0, level=0.95, df=1.0)
    wide = NewCentre(estimate=-1.1, distribution=few, tau_scale=0.0, level=0.95, note="")
    monkeypatch.setattr("metakit.decision.one_unit.unit_cells.new_centre", lambda finding: wide)
    found = decide(review(), unit(tmp_path, REVISIONS), draws=DRAWS)  # type: ignore[arg-type]
    (cell,) = [item for item in found.cells if item.link]
    assert float(np.mean(cell.draws)) > 100  # rates a thumb-year: no number for anybody
    assert not any("outside what" in note for note in cell.notes)
    far = ConfidenceDistribution.from_interval(-9.0, -10.0, -8.0, level=0.95, df=1.0)
    low = replace(wide, estimate=-9.0, distribution=far)
    monkeypatch.setattr("metakit.decision.one_unit.unit_cells.new_centre", lambda finding: low)
    found = decide(review(), unit(tmp_path, REVISIONS), draws=DRAWS)  # type: ignore[arg-type]
    (note,) = [note for item in found.cells for note in item.notes if "outside what" in note]
    assert re.search(r"the middle value after LRTI, \S+ in 100 thumb-years, lies outside", note)
