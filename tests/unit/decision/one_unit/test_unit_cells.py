"""A unit's page promises neither nothing nor everything where an effect does not fit its baseline."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from metakit.decision.one_unit.unit_decision import decide
from metakit.errors import NotEstimableError
from metakit.synthesis.run import synthesise
from tests.unit.decision.units import DRAWS, Folder, review, unit
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


def test_a_ratio_that_passes_a_hundred_stays_below_it(tmp_path: Path) -> None:
    folder = asked(*(trial(str(n), 24 + n, 8, 60) for n in range(5)), measure="risk_ratio")
    high = LOW.replace("events: 10", "events: 60")
    found = decide(folder, unit(tmp_path, high), draws=DRAWS)  # type: ignore[arg-type]
    (cell,) = [item for item in found.cells if item.technique.id == "lrti"]
    assert 0.6 < cell.value < 1
    assert any("ratios of hazards" in note for note in cell.notes)
    assert cell.at(baseline=0.3) < cell.value


def test_what_fits_no_way_is_refused_with_both_numbers(tmp_path: Path) -> None:
    folder = asked(trial("1", 0, 12, 60), trial("2", 30, 12, 60))
    with pytest.raises(
        NotEstimableError, match=r"does not fit a baseline of 10 in 100.*nor that of its own studies"
    ):
        decide(folder, unit(tmp_path, LOW), draws=DRAWS)  # type: ignore[arg-type]
