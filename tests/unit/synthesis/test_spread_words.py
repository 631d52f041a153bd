"""How much studies differ, in words that the numbers bear, under the default inference and under named methods."""

from __future__ import annotations

from dataclasses import replace

import pytest

from metakit import effect_sizes, pool
from metakit.core.limits import Limits
from metakit.core.results import Heterogeneity
from metakit.measures.registry import MEASURES
from metakit.models.companions import TWICE_THE_SPREAD
from metakit.models.inference import INFERENCES
from metakit.synthesis.run import synthesise
from metakit.synthesis.spread_words import interval_kinds, spread_sentences, tau_shown
from tests.unit.synthesis.invented import Folder, plan, protocol, trial
from tests.unit.synthesis.test_words import result

RISK = MEASURES["risk_ratio"]
ROWS = {
    "study": ["A", "B", "C"], "events_1": [9, 7, 18], "total_1": [90, 80, 85], "events_2": [20, 18, 17],
    "total_2": [88, 82, 90],
}  # fmt: skip


@pytest.mark.parametrize(("value", "text"), [(0.0, "0"), (0.003, "0.003"), (0.0312, "0.031"), (0.25, "0.25"), (float("inf"), "∞")])  # fmt: skip
def test_only_a_true_zero_is_written_as_zero(value: float, text: str) -> None:
    # "varies with a standard deviation of 0.00" stood on the page.
    assert tau_shown(value) == text


def test_a_spread_estimated_as_zero_shows_no_agreement() -> None:
    het = Heterogeneity(tau2=0.0, tau2_interval=Limits(0.0, 4.41))
    (text,) = spread_sentences(result("risk_ratio", 0.8, 0.5, 1.3, heterogeneity=het), RISK, None, "")
    assert text == (
        "The spread between studies (tau) is estimated as 0 on the log scale (95 % interval 0 to 2.10), which does "
        "not show that centres agree."
    )


def test_the_default_tells_its_prior_and_for_few_studies_twice_the_spread() -> None:
    # tau below 1.96 x 0.5 = 0.98 with 95 % prior probability: the half-normal's own quantile.
    found = pool(effect_sizes(ROWS, measure="risk_ratio"), model="half_normal")
    text = " ".join(spread_sentences(found, RISK, None, ""))
    assert text.startswith(
        "Centres are assumed to differ (tau below 0.98 with 95 % prior probability); with these studies tau is "
    )
    assert "I²" not in text and "Q " in text
    assert "In a new centre, a risk ratio between" in text and "degrees of freedom)" not in text
    other = next(item for item in found.beside if item.name == TWICE_THE_SPREAD)
    assert other.interval is not None
    low, high = (found.back_transform(limit) for limit in other.interval)
    assert f"With twice that spread: {low:.2f} to {high:.2f}." in text
    many = replace(found, studies=found.studies * 2)
    assert "twice that spread" not in " ".join(spread_sentences(many, RISK, None, ""))


def test_the_kind_of_interval_is_said_once() -> None:
    studies = (trial("1", 4, 8), trial("2", 5, 9))
    findings = synthesise(Folder(protocol=protocol(plan(model="common_effect")), studies=studies))  # type: ignore[arg-type]
    assert interval_kinds(findings) == ()
    (finding,) = findings.analyses
    assert finding.result is not None
    answered = replace(
        finding, answer=replace(finding.answer, result=replace(finding.result, inference="half_normal"))
    )
    (said,) = interval_kinds(replace(findings, analyses=(answered, answered)))
    assert said.startswith(INFERENCES["half_normal"].about) and "credible" in said


def test_an_arm_without_events_leaves_a_limit_and_no_estimate() -> None:
    # "randomised trials (1): ∞ (0.050 to ∞)" stood in the demonstration.
    from metakit.measures.natural import NaturalValues

    shared = {"prediction": None, "ratio": True, "per_hundred": False}
    none = NaturalValues(estimate=float("inf"), lower=0.05, upper=float("inf"), **shared)  # type: ignore[arg-type]
    assert none.told() == "at least 0.050, without an estimate"
    first = NaturalValues(estimate=0.0, lower=0.0, upper=2.5, **shared)  # type: ignore[arg-type]
    assert first.told() == "at most 2.50, without an estimate"
    usual = NaturalValues(estimate=0.8, lower=0.5, upper=1.2, **shared)  # type: ignore[arg-type]
    assert usual.told(" kg") == "0.80 kg (0.50 to 1.20)"
