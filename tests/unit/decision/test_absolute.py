"""Absolute effects against published examples, the protocol's check values and brute force."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from metakit.decision.absolute import absolute_difference, needed_to_treat
from metakit.errors import NotEstimableError, UsageError
from metakit.measures.absolute import effect_needed, number_needed, risk_with
from metakit.measures.converting.carrying import Carrier, carrier_for
from metakit.measures.registry import MEASURES
from metakit.synthesis.baseline import Baseline, baseline_from_counts, comparator_baseline
from metakit.synthesis.confidence import ConfidenceDistribution
from tests.unit.synthesis.invented import gathered, plan, trial


@pytest.mark.parametrize(
    ("measure", "effect", "baseline", "per_1000", "source"),
    [
        ("risk_ratio", 0.92, 0.30, 276, "published: Cochrane Handbook 5.1, 12.5.4.2: 24 per 1000 fewer"),
        ("odds_ratio", 0.73, 0.30, 238, "memory: Cochrane Handbook 5.1, 12.5.4.3: 62 per 1000 fewer"),
        ("risk_ratio", 1.89, 0.100, 189, "computed by hand: 100 x 1.89"),
        ("odds_ratio", 5.14, 0.020, 95, "computed by hand from the odds ratio of Raj 2021"),
        ("odds_ratio", 5.14, 0.050, 213, "computed by hand from the odds ratio of Raj 2021"),
        ("odds_ratio", 2.12, 0.150, 272, "computed by hand from the odds ratio of Raj 2021"),
        ("risk_difference", -0.024, 0.30, 276, "definition"),
        ("rate_ratio", 2.0, 0.024, 48, "definition"),
    ],
)
def test_handbook_and_domain_values(
    measure: str, effect: float, baseline: float, per_1000: int, source: str
) -> None:
    assert round(1000 * float(risk_with(measure, effect, baseline))) == per_1000, source


def test_hazard_ratio_acts_on_the_survival_curve() -> None:
    # Altman & Andersen 1999 (formula from memory): survival with treatment is the baseline's to the power HR.
    assert float(risk_with("hazard_ratio", 0.5, 0.36)) == pytest.approx(1 - 0.64**0.5)
    # computed by hand: 60 thumbs at 2.4 per 100 years (rate of Ganhewa 2019) have 6.8 revisions by 5 years.
    risk = 1 - math.exp(-0.024 * 5)
    assert 60 * risk == pytest.approx(6.8, abs=0.05)
    assert 60 * float(risk_with("hazard_ratio", 0.5, risk)) == pytest.approx(60 * (1 - math.exp(-0.06)))


@pytest.mark.parametrize("measure", [entry.name for entry in MEASURES if entry.at_baseline])
@pytest.mark.parametrize("baseline", [0.004, 0.2, 0.85])
def test_the_needed_effect_is_the_way_back(measure: str, baseline: float) -> None:
    effects = np.array([0.05, 0.5, 1.0, 1.1]) if measure != "risk_difference" else np.array([-0.004, 0.1])
    difference = risk_with(measure, effects, baseline) - baseline
    np.testing.assert_allclose(effect_needed(measure, difference, baseline), effects, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("measure", [entry.name for entry in MEASURES if entry.at_baseline])
def test_edges_are_numbers(measure: str) -> None:
    for base in (0.0, 1.0):
        for effect in (0.0, 1.0, math.inf):
            if measure != "risk_difference":
                assert np.isfinite(risk_with(measure, effect, base)) or math.isinf(effect)
    assert not np.isnan(effect_needed(measure, np.array([-1.0, -0.5, 0.0, 0.5, 1.0]), 0.3)).any()
    if measure != "risk_difference":
        assert not np.isnan(effect_needed(measure, np.array([-0.1, 0.0, 0.1]), 0.0)).any()
    with pytest.raises(UsageError, match="no absolute effect"):
        risk_with("mean_difference", 1.0, 0.3)


def test_number_needed_of_the_handbook() -> None:
    # published: Cochrane Handbook 5.1, 12.5.4.2: RR 0.92 at 30 % gives 42 (always rounded up).
    difference = float(risk_with("risk_ratio", 0.92, 0.30)) - 0.30
    assert number_needed(difference) == pytest.approx(41.6667, abs=1e-4)
    assert str(needed_to_treat(difference, difference - 0.01, difference + 0.01)).startswith(
        "42 for one to benefit"
    )
    # memory: Handbook 5.1, 12.5.4.3: OR 0.73 at 30 % gives 17.
    difference = float(risk_with("odds_ratio", 0.73, 0.30)) - 0.30
    assert str(needed_to_treat(difference, -0.1, -0.01)).startswith("17 ")


def test_number_needed_runs_through_infinity() -> None:
    # Altman 1998 (from memory): 10 % fewer with interval -5 to 25 % is 10, from 4 to benefit through infinity
    # to 20 to harm.
    found = needed_to_treat(-0.10, -0.25, 0.05)
    assert found.through_infinity
    assert str(found) == "10 for one to benefit (4 to benefit, through ∞, to 20 to harm)"
    assert (
        str(needed_to_treat(0.10, -0.05, 0.25))
        == "10 for one to harm (4 to harm, through ∞, to 20 to benefit)"
    )
    assert str(needed_to_treat(0.10, 0.05, 0.25, lower_is_better=False)) == "10 for one to benefit (4 to 20)"
    assert str(needed_to_treat(0.0, -0.1, 0.1)).startswith("∞")
    assert str(needed_to_treat(-0.2, -0.4, 0.0)) == "5 for one to benefit (3 to ∞)"


def log_effect(estimate: float, lower: float, upper: float) -> ConfidenceDistribution:
    return ConfidenceDistribution.from_interval(
        math.log(estimate), math.log(lower), math.log(upper), level=0.95
    )


def test_fixed_baseline_gives_the_transformed_limits() -> None:
    base = baseline_from_counts("registry", "a register", 30, 100)
    found = absolute_difference("risk_ratio", log_effect(0.8, 0.6, 1.1), base)
    assert found.difference == pytest.approx(-0.06)
    assert tuple(found.fixed) == (pytest.approx(-0.12), pytest.approx(0.03))
    assert found.basis == "confidence distribution"


@pytest.mark.parametrize(
    ("measure", "estimate"),
    [("risk_ratio", 0.6), ("odds_ratio", 2.0), ("hazard_ratio", 0.5), ("rate_ratio", 1.5)],
)
def test_interval_with_the_baseline_agrees_with_simulation(measure: str, estimate: float) -> None:
    per_year = measure == "rate_ratio"
    base = baseline_from_counts("unit_audit", "audit", 12, 60, per_year=per_year)
    effect = log_effect(estimate, estimate / 1.8, estimate * 1.8)
    found = absolute_difference(measure, effect, base)
    draw = np.random.default_rng(20260301)
    size = 400_000
    risks = draw.gamma(12.5, 1 / 60, size) if per_year else draw.beta(12.5, 48.5, size)
    effects = np.exp(draw.normal(math.log(estimate), math.log(1.8) / stats.norm.isf(0.025), size))
    drawn = risk_with(measure, effects, risks)
    drawn = (drawn if per_year else np.minimum(drawn, 1.0)) - risks
    np.testing.assert_allclose(found.both, np.quantile(drawn, [0.025, 0.975]), atol=0.003)
    fewer, more = found.exceeding(0.05)
    assert fewer == pytest.approx(float(np.mean(drawn <= -0.05)), abs=0.003)
    assert more == pytest.approx(float(np.mean(drawn >= 0.05)), abs=0.003)


def test_a_certain_baseline_adds_nothing() -> None:
    base = baseline_from_counts("registry", "huge", 2_000_000, 10_000_000)
    for measure in ("risk_ratio", "odds_ratio"):
        found = absolute_difference(measure, log_effect(0.7, 0.5, 1.2), base)
        np.testing.assert_allclose(found.both, found.fixed, atol=2e-4)


def test_a_risk_difference_that_does_not_fit_is_carried_as_the_ratio_it_is_or_refused() -> None:
    # "-26 per 100" at a baseline of 10 in 100 once printed "0.0 thumbs (range 0 to 14)".
    base = baseline_from_counts("registry", "a unit", 10, 100)
    effect = ConfidenceDistribution.from_interval(-0.26, -0.38, -0.14, level=0.95)
    found = absolute_difference("risk_difference", effect, base, log_scale=False, home=0.40)
    assert found.with_technique == pytest.approx(0.10 * 0.14 / 0.40)
    assert tuple(found.with_technique_interval) == pytest.approx((0.10 * 0.02 / 0.40, 0.10 * 0.26 / 0.40))
    (note,) = found.notes
    assert "−38 per 100 does not fit a baseline of 10 in 100 (it would be −28 in 100)" in note
    assert "ratios that they are at the baseline of their own studies, 40 in 100" in note
    with pytest.raises(NotEstimableError, match=r"nor that of its own studies .30 in 100. with its limits"):
        absolute_difference("risk_difference", effect, base, log_scale=False, home=0.30)
    with pytest.raises(
        NotEstimableError, match=r"−38 per 100 does not fit a baseline of 10 in 100 .−28 in 100"
    ):
        absolute_difference("risk_difference", effect, base, log_scale=False)


@pytest.mark.parametrize(("measure", "home"), [("risk_ratio", None), ("risk_difference", 0.45)])
def test_intervals_of_what_was_carried_over_agree_with_simulation(measure: str, home: float | None) -> None:
    base = baseline_from_counts("unit_audit", "audit", 12, 60)
    centre, low, high = (math.log(3.0), 0.0, math.log(9.0)) if home is None else (-0.2, -0.4, 0.0)
    effect = ConfidenceDistribution.from_interval(centre, low, high, level=0.95)
    found = absolute_difference(measure, effect, base, log_scale=home is None, home=home)
    draw = np.random.default_rng(20260302)
    size = 400_000
    risks = draw.beta(12.5, 48.5, size)
    drawn = draw.normal(centre, (high - low) / 2 / stats.norm.isf(0.025), size)
    if home is None:
        carried = 1 - (1 - risks) ** np.exp(drawn)
    else:
        carried = risks * np.maximum((home + drawn) / home, 0)
    np.testing.assert_allclose(found.both, np.quantile(carried - risks, [0.025, 0.975]), atol=0.003)
    assert found.notes


@pytest.mark.parametrize("measure", ["risk_ratio", "odds_ratio", "hazard_ratio", "risk_difference"])
def test_nothing_that_is_shown_leaves_0_to_100(measure: str) -> None:
    draw = np.random.default_rng(20260303)
    for _ in range(300):
        base = float(draw.uniform(0.005, 0.995))
        sizes = np.sort(
            draw.normal(0, 0.4, 3) if measure == "risk_difference" else np.exp(draw.normal(0, 1.5, 3))
        )
        try:
            carrier = carrier_for(measure, sizes, base, home=float(draw.uniform(0.3, 0.7)))
        except NotEstimableError:
            assert measure == "risk_difference"
            continue
        risks = carrier.risk(sizes, base)
        assert np.all((risks >= -1e-9) & (risks <= 1 + 1e-9))
        assert np.all(np.diff(risks) >= -1e-12)
        inside = (risks > 1e-6) & (risks < 1 - 1e-6)
        np.testing.assert_allclose(
            carrier.effect(risks - base, base)[inside], sizes[inside], rtol=1e-6, atol=1e-9
        )
        own = risk_with(measure, sizes, base)
        assert bool(carrier.reason) == (not np.all((own >= -1e-9) & (own <= 1 + 1e-9)))


def test_unbounded_effects_stay_within_the_possible() -> None:
    effect = ConfidenceDistribution.from_interval(0.0, -math.inf, math.inf, level=0.95)
    found = absolute_difference("risk_ratio", effect, baseline_from_counts("registry", "r", 5, 20))
    assert found.fixed == (-0.25, 0.75)
    assert -1 <= found.both.lower <= found.both.upper <= 1


def test_rates_and_risks_are_not_mixed() -> None:
    with pytest.raises(UsageError, match="is a rate per thumb-year; a risk ratio cannot use it"):
        absolute_difference(
            "risk_ratio", log_effect(1, 0.5, 2), baseline_from_counts("registry", "r", 5, 50, per_year=True)
        )
    with pytest.raises(UsageError, match="is a risk; a rate ratio cannot use it"):
        absolute_difference("rate_ratio", log_effect(1, 0.5, 2), baseline_from_counts("registry", "r", 5, 50))


def test_jeffreys_interval_matches_published_values() -> None:
    # published: Brown, Cai & DasGupta 2001 (Stat Sci 16:101-133), Table 5 is from memory: 95 % Jeffreys limits for
    # x = 1 of 10 are about 0.011 and 0.381; statsmodels gives the same interval.
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    for events, total in ((1, 10), (5, 10), (21, 96)):
        found = baseline_from_counts("registry", "r", events, total)
        assert (found.lower, found.upper) == pytest.approx(
            proportion.proportion_confint(events, total, method="jeffreys"), abs=1e-9
        )
    assert baseline_from_counts("registry", "r", 1, 10).lower == pytest.approx(0.011, abs=5e-4)
    none, every = (baseline_from_counts("registry", "r", events, 10) for events in (0, 10))
    assert none.lower == 0 and every.upper == 1
    # The exact limits stand on the other side (Clopper & Pearson 1934): 1 - 0.025^(1/10) and 0.025^(1/10).
    assert (none.upper, every.lower) == pytest.approx((1 - 0.025**0.1, 0.025**0.1))
    rate = baseline_from_counts("registry", "r", 0, 10, per_year=True)
    assert (rate.lower, rate.upper) == pytest.approx((0.0, -math.log(0.025) / 10))  # Garwood 1936


def pooled(*pairs: tuple[int, int]) -> Baseline:
    studies = gathered(plan(), *(trial(str(n), *pair) for n, pair in enumerate(pairs))).studies
    found = comparator_baseline(studies, per_year=False)
    assert found is not None
    return found


def test_comparator_arms_are_pooled_not_added_up() -> None:
    found = pooled((3, 2), (4, 4), (5, 16))
    assert (found.events, found.total, found.studies) == (22, 120, 3)
    assert (found.lowest, found.highest) == (0.05, 0.4)
    assert found.lower < found.value < found.upper
    assert found.value < 22 / 120  # the study in the middle, not the mean of unlike ones
    quantiles = found.quantile(np.array([0.025, 0.5, 0.975]))
    np.testing.assert_allclose(quantiles, [found.lower, found.value, found.upper], rtol=1e-9)


def test_alike_arms_pool_to_the_crude_risk_with_the_logit_interval() -> None:
    found = pooled((3, 8), (4, 8), (5, 8))
    assert found.value == pytest.approx(0.2)
    # definition: standard error of a logit 1 / sqrt(n p q), t on 2 degrees of freedom
    error = 1 / math.sqrt(120 * 0.2 * 0.8)
    upper = math.log(0.25) + stats.t.isf(0.025, 2) * error
    assert found.upper == pytest.approx(1 / (1 + math.exp(-upper)), rel=1e-6)


def test_arms_without_events_still_have_a_baseline() -> None:
    found = pooled((1, 0), (2, 0))
    assert (found.value, found.lower) == (0.0, 0.0)
    assert 0 < found.upper < 0.1
    one = pooled((1, 4))
    assert one.value == 0.1


def test_confidence_distribution_keeps_its_limits() -> None:
    found = ConfidenceDistribution.from_interval(1.0, 0.2, 3.0, level=0.9, df=4)
    np.testing.assert_allclose(found.quantile([0.05, 0.5, 0.95]), [0.2, 1.0, 3.0])
    np.testing.assert_allclose(found.below([0.2, 1.0, 3.0]), [0.05, 0.5, 0.95])
    assert found.below(math.inf) == 1
    assert found.below(-math.inf) == 0


def test_a_ratio_of_survivals_is_carried_on_the_events_and_back() -> None:
    """A measure whose larger values mean fewer events acts on those without the event: 1 - (1 - base) ratio."""
    carrier = Carrier(measure="risk_ratio", without=True)
    assert float(carrier.risk(0.5, 0.2)) == pytest.approx(1 - 0.5 * 0.8, rel=1e-12)
    assert float(carrier.effect(0.4, 0.2)) == pytest.approx(0.5, rel=1e-12)
    plain = Carrier(measure="risk_ratio")
    assert float(plain.risk(0.5, 0.2)) == pytest.approx(0.1, rel=1e-12)
    at_home = Carrier(measure="risk_ratio", home=0.4)
    assert float(at_home.risk(-0.1, 0.2)) == pytest.approx(0.2 * 0.3 / 0.4, rel=1e-12)
    assert float(at_home.effect(0.2 * 0.75 - 0.2, 0.2)) == pytest.approx(-0.1, rel=1e-12)
    assert float(at_home.risk(-0.6, 0.2)) == 0.0


@pytest.mark.parametrize(("measure", "sizes"), [("risk_difference", [-0.2, 0.8]), ("risk_ratio", [0.0, 5.0])])
def test_a_risk_of_exactly_none_or_all_is_possible(measure: str, sizes: list[float]) -> None:
    assert carrier_for(measure, sizes, 0.2) == Carrier(measure=measure)
    if measure == "risk_ratio":
        assert carrier_for(measure, [5.001], 0.2).measure == "hazard_ratio"
    else:
        assert carrier_for(measure, [-0.201], 0.2, home=0.5).measure == "risk_ratio"
