"""What a unit should expect back for each cause, beside what it counted itself."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest
from scipy import stats

from metakit.core.limits import Limits
from metakit.decision.one_unit.unit import Limited, OwnReturns, UnitTechnique
from metakit.decision.one_unit.unit_causes import SourceReturns
from metakit.decision.unit_returns import ExpectedReturns, count_range, returns_words, unit_returns
from metakit.synthesis.findings import Findings


@dataclass
class ShortUnit:
    """What returns need of a unit."""

    technique_id: str = "lrti"
    returns: tuple[OwnReturns, ...] = ()
    volume: Limited = field(default_factory=lambda: Limited(value=100))
    years: Limited = field(default_factory=lambda: Limited(value=5))
    current: str = "own"

    def technique(self, _name: str) -> UnitTechnique:
        return UnitTechnique(id="own", technique=self.technique_id, label="LRTI")


def found(findings: Findings, **facts: Any) -> Any:
    return unit_returns(ShortUnit(**facts), findings)  # type: ignore[arg-type]


def test_expected_is_rate_times_thumb_years(demo_findings: Findings) -> None:
    answer = found(demo_findings)
    result = next(
        item for item in demo_findings.trouble.returns.causes.by_technique if item.technique == "LRTI"
    )
    assert answer.basis == "LRTI"
    assert answer.all_causes == pytest.approx(500 * result.all_per_thumb_year.mean)
    for row, cause in zip(answer.rows, result.causes, strict=True):
        assert row.expected == pytest.approx(500 * cause.per_thumb_year.mean)
        assert row.range[0] <= row.expected <= row.range[1] + 1


def test_a_technique_that_no_study_counts_takes_all(demo_findings: Findings) -> None:
    assert found(demo_findings, technique_id="osteotomy").basis == "all techniques of the review"


def test_own_counts_stand_beside_with_their_exact_interval(demo_findings: Findings) -> None:
    own = OwnReturns(cause="residual_bone", thumbs=4, thumb_years=480)
    row = next(item for item in found(demo_findings, returns=(own,)).rows if item.cause == "residual_bone")
    # Garwood 1936: 4 of 480, by chi-squared quantiles.
    expected = stats.chi2.ppf(0.025, 8) / 960, stats.chi2.ppf(0.975, 10) / 960
    assert tuple(row.own_interval) == pytest.approx(expected, rel=1e-10)
    assert "yours: 4 in 480 thumb-years" in returns_words(row)


def test_a_cause_that_only_the_unit_counts_is_not_lost(demo_findings: Findings) -> None:
    own = OwnReturns(cause="implant_breakage", thumbs=2, thumb_years=480)
    answer = found(demo_findings, returns=(own,))
    row = next(item for item in answer.rows if item.cause == "implant_breakage")
    assert row.expected is None
    assert "no study of the review counts it" in returns_words(row)


def test_the_range_of_a_count_holds_chance_at_both_ends() -> None:
    low, high = count_range(Limits(0.01, 0.03), 500)
    assert low == stats.poisson(5).ppf(0.025)
    assert high == stats.poisson(15).ppf(0.975)
    assert count_range(Limits(0.0, 0.0), 500) == (0, 0)


def test_studies_that_saw_none_promise_none() -> None:
    row = ExpectedReturns(cause="x", label="Residual bone", expected=0.0, range=(0, 7))
    assert returns_words(row) == "Residual bone: none seen (0 to 7)."
    assert SourceReturns(label="Residual bone", expected=0.0, range=(0, 7)).words == "none seen (0 to 7)"
    assert SourceReturns(label="All others", expected=0.0067, range=(0, 1)).words == "0.007 (0 to 1)"
