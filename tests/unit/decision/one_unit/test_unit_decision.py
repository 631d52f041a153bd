"""A review applied to a unit: ranges for a new centre, drivers, ties, scenarios, evidence; awkward reviews."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from metakit.core.written import per_100
from metakit.decision.information import size_for_rates, size_for_risks
from metakit.decision.new_centre import NewCentre, new_centre
from metakit.decision.one_unit.unit_answer import shown_years
from metakit.decision.one_unit.unit_decision import UnitDecision, decide
from metakit.decision.one_unit.unit_driver_words import together
from metakit.decision.one_unit.unit_json import decision_json
from metakit.decision.one_unit.unit_words import cautions, is_thin, plain_text, summary_lines
from metakit.errors import NotEstimableError
from metakit.models.posteriors.bayesian_priors import LOG_RATIO_SCALE
from metakit.synthesis.confidence import ConfidenceDistribution
from tests.unit.decision.units import (
    COMPLICATIONS,
    DRAWS,
    HEAD,
    REVISIONS,
    SCORES,
    decided,
    review,
    unit,
)

WEIGHTS = (
    REVISIONS.replace(
        "    baseline", "    weight: 10\n    theatre_minutes: 90\n    cost: 4000\n    baseline", 1
    ),
    COMPLICATIONS.replace("    baseline", "    weight: 2\n    weight_lowest: 1\n    baseline", 1),
    SCORES.replace("    effects", "    weight: 0.05\n    effects", 1),
)
SCENARIO = """case_mix:
  - id: mp
    label: MP hyperextension over 30 degrees
    kind: mp_hyperextension
    share: 25
    share_instead: 50
    effects: [{outcome: revision_index, rate_ratio: 2, lowest: 1.5, highest: 3, source: surgeons}]
"""


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> UnitDecision:
    return decided(tmp_path_factory.mktemp("unit"), *WEIGHTS, end=SCENARIO)


def nodes(quantile, number: int = 4000) -> np.ndarray:
    """Return equally likely nodes of a distribution, for recomputing what draws give."""
    return np.asarray(quantile((np.arange(number) + 0.5) / number))


def mixed(risks: np.ndarray) -> tuple[float, float, float, float]:
    """Return mean, median and 95 % limits of a binomial count of 120 over equally likely risks, exactly."""
    below = np.mean([stats.binom(120, part[:, None]).cdf(np.arange(121)).mean(axis=0)
                     for part in np.array_split(risks, 50)], axis=0)  # fmt: skip
    low, middle, high = (float(np.searchsorted(below, share)) for share in (0.025, 0.5, 0.975))
    return 120 * float(risks.mean()), middle, low, high


@pytest.mark.lengthy
def test_ten_numbers_recomputed_from_the_distributions_alone(full: UnitDecision) -> None:
    # Baselines after Jeffreys' prior: gamma(8.5, 640) and beta(21.5, 75.5) (Brown, Cai & DasGupta 2001); the mean of
    # 1 - exp(-5 rate) is closed; counts among 120 thumbs are beta-binomial (scipy.stats.betabinom); effects are the
    # posterior predictive behind the prediction interval. Nothing of the page's own draws is used.
    now, lrti = (full.expectation("any_complication", name) for name in ("now", "lrti"))
    first, other = (full.expectation("revision_index", name) for name in ("now", "lrti"))
    assert now and lrti and first and other and now.cohort and lrti.cohort and first.cohort and other.cohort
    revisions = 120 * (1 - (640 / 645) ** 8.5)
    assert first.cohort.mean == pytest.approx(revisions, rel=2e-3)  # 1
    exact = stats.betabinom(120, 21.5, 75.5)
    assert now.cohort.mean == pytest.approx(exact.mean(), rel=1e-3)  # 2
    assert abs(now.cohort.median - exact.median()) <= 1  # 3
    assert now.cohort.lower == pytest.approx(exact.ppf(0.025), abs=1)  # 4
    assert now.cohort.upper == pytest.approx(exact.ppf(0.975), abs=1)  # 5
    posterior = lrti.cell.finding.result.posterior  # type: ignore[union-attr]
    ratios = np.exp(nodes(lambda p: posterior.quantile(p, new_centre=True), 300))
    bases = nodes(stats.beta(21.5, 75.5).ppf, 100)
    carried = lrti.cell.carrier.risk(ratios[:, None], bases[None, :]).ravel()  # type: ignore[union-attr]
    mean, median, low, high = mixed(np.clip(carried, 0, 1))
    assert lrti.cohort.mean == pytest.approx(mean, rel=0.01)  # 6
    assert lrti.cohort.median == pytest.approx(median, abs=1)  # 7
    assert (lrti.cohort.lower, lrti.cohort.upper) == pytest.approx((low, high), abs=2)  # 8
    assert lrti.change is not None and lrti.better_share is not None
    assert lrti.change.mean == pytest.approx(mean - exact.mean(), abs=0.3)  # 9
    assert lrti.change.mean == pytest.approx(lrti.cohort.mean - now.cohort.mean, abs=1e-9)
    assert lrti.better_share == pytest.approx(float(posterior.below(0.0, new_centre=True)), abs=0.01)  # 10
    work = {item.technique.id: item for item in full.workloads}["now"]
    assert work.cost.total is not None and work.hours.total is not None
    assert work.cost.total.mean == pytest.approx(120_000 + 4000 * revisions, rel=2e-3)  # 11
    assert work.hours.total.mean == pytest.approx(100 + 1.5 * revisions, rel=2e-3)  # 12
    # The mean is no number of the closed form at the estimates, which a skewed effect leaves behind.
    rate = 8 / 640 * math.exp(other.cell.centre.estimate)  # type: ignore[union-attr]
    assert other.cohort.mean > 1.05 * 120 * (1 - math.exp(-5 * rate))


def test_the_range_of_a_new_centre_is_the_prediction_interval(full: UnitDecision) -> None:
    cell = next(c for c in full.cells if c.outcome.term.id == "any_complication" and c.link)
    assert cell.centre is not None and cell.centre.predicted and cell.finding is not None
    ahead = cell.finding.result.prediction  # type: ignore[union-attr]
    assert tuple(cell.centre.limits()) == pytest.approx(tuple(ahead.interval))
    draws = cell.centre.draw(np.random.default_rng(4), 100_000)
    assert np.quantile(draws, [0.025, 0.975]) == pytest.approx(tuple(ahead.interval), abs=2e-3)
    # The interval of the mean is narrower; taking it would promise too much.
    assert cell.centre.limits().upper > cell.finding.result.interval.upper  # type: ignore[union-attr]
    posterior = cell.finding.result.posterior  # type: ignore[union-attr]
    assert np.quantile(draws, 0.9) == pytest.approx(float(posterior.quantile(0.9, new_centre=True)), abs=5e-3)


def test_ranges_are_wider_with_noise_than_without_and_than_the_interval_of_the_mean(
    full: UnitDecision,
) -> None:
    for item in full.expectations:
        if item.cohort is not None:
            low, high = 120 * item.per_thumb.lower, 120 * item.per_thumb.upper
            assert item.cohort.lower <= math.ceil(low)
            assert item.cohort.upper >= math.floor(high)
            assert item.cohort.lower <= item.cohort.mean <= item.cohort.upper


def test_without_a_prediction_interval_the_range_is_widened_and_says_so(tmp_path: Path) -> None:
    found = decided(tmp_path, COMPLICATIONS, studies=1)  # two have a posterior predictive now
    (cell,) = [item for item in found.cells if item.link]
    assert cell.centre is not None and not cell.centre.predicted
    assert cell.centre.tau_scale == LOG_RATIO_SCALE
    assert "no prediction interval" in cell.centre.note and "assumed spread" in cell.centre.note
    interval = cell.finding.result.interval  # type: ignore[union-attr]
    limits = cell.centre.limits()
    assert limits.lower < interval.lower and limits.upper > interval.upper
    draws = cell.centre.draw(np.random.default_rng(1), 200_000)
    assert np.quantile(draws, [0.025, 0.975]) == pytest.approx(tuple(limits), abs=0.015)
    (evidence,) = found.evidence
    assert any("no prediction interval" in flag for flag in evidence.flags)


def test_the_half_normal_mixture_has_the_spread_of_its_formula() -> None:
    # Var(mean + tau z) = Var(mean) + E(tau^2), and E(tau^2) of a half-normal is its scale squared (scipy.stats).
    mean = ConfidenceDistribution.from_interval(0.2, 0.2 - 0.6, 0.2 + 0.6, level=0.95)
    centre = NewCentre(estimate=0.2, distribution=mean, tau_scale=LOG_RATIO_SCALE, level=0.95, note="")
    draws = centre.draw(np.random.default_rng(2), 400_000)
    second = stats.halfnorm(scale=LOG_RATIO_SCALE).moment(2)
    assert np.var(draws) == pytest.approx(mean.scale_above**2 + second, rel=0.02)


def test_a_side_without_a_limit_stays_without_one() -> None:
    open_ended = ConfidenceDistribution.from_interval(0.0, -1.0, math.inf, level=0.95)
    centre = NewCentre(estimate=0.0, distribution=open_ended, tau_scale=0.5, level=0.95, note="")
    limits = centre.limits()
    assert math.isfinite(limits.lower) and limits.upper == math.inf
    assert not np.isnan(centre.draw(np.random.default_rng(1), 1000)).any()


@pytest.mark.lengthy
@pytest.mark.parametrize(("studies", "thin"), [(3, True), (5, False)])
def test_thin_evidence_is_marked(tmp_path: Path, studies: int, thin: bool) -> None:
    found = decided(tmp_path, COMPLICATIONS, studies=studies)
    assert [is_thin(cell) for cell in found.cells] == [False, thin]
    assert any("techniques are not ranked" in text for text in cautions(found)) == thin


def test_one_study_is_named_and_widened(tmp_path: Path) -> None:
    found = decided(tmp_path, COMPLICATIONS, studies=1)
    (evidence,) = found.evidence
    assert "a single study" in evidence.flags
    assert "1 study has no prediction interval" in " ".join(evidence.flags)


def test_one_technique_only_is_told_without_any_comparison(tmp_path: Path) -> None:
    head = HEAD.replace("  - {id: lrti, technique: lrti, label: LRTI, theatre_minutes: 80, cost: 1500}\n", "")
    outcome = REVISIONS.replace("    effects: [{technique: lrti, analysis: revisions}]\n", "")
    found = decided(tmp_path, outcome, head=head)
    assert [item.cell.is_current for item in found.expectations] == [True]
    assert found.drivers == found.evidence == ()
    assert "as now" in summary_lines(found)[0]


def test_no_event_in_the_audit_keeps_its_uncertainty(tmp_path: Path) -> None:
    found = decided(tmp_path, REVISIONS.replace("events: 8", "events: 0"))
    now = found.expectation("revision_index", "now")
    assert now is not None and now.cohort is not None
    # Gamma(0.5, 640) after Jeffreys' prior: a mean above 0, which is what to plan for.
    assert now.cohort.mean == pytest.approx(120 * (1 - (640 / 645) ** 0.5), rel=0.01)
    assert now.cohort.upper >= 2
    assert any("counted no event" in note for note in now.cell.notes)


@pytest.mark.lengthy
def test_an_analysis_without_an_answer_is_named_and_if_none_has_one_nothing_is_told(tmp_path: Path) -> None:
    empty = review(studies=0)
    with pytest.raises(NotEstimableError, match="none of the analyses"):
        decide(empty, unit(tmp_path, COMPLICATIONS), draws=DRAWS)  # type: ignore[arg-type]
    some = review()
    no_scores = tuple(
        replace(study, outcomes=tuple(v for v in study.outcomes if v.outcome != "dash"))
        for study in some.studies
    )
    found = decide(replace(some, studies=no_scores), unit(tmp_path, *WEIGHTS), draws=DRAWS)  # type: ignore[arg-type]
    (missing,) = [cell for cell in found.cells if not cell.answered]
    assert missing.reason
    assert "No number for LRTI, DASH" in plain_text(found)
    (burden,) = [item for item in found.burdens if item.technique.id == "lrti"]
    assert burden.total is None and "DASH" in burden.reason
    # The drivers fall back on the first outcome, and say which outcome is missing.
    (item,) = found.drivers
    assert not item.weighted and item.missing == ("DASH",)


def test_series_are_told_apart_from_comparisons(tmp_path: Path) -> None:
    head = HEAD.replace("technique: lrti, label: LRTI", "technique: denervation, label: denervation")
    found = decided(
        tmp_path, REVISIONS.replace("analysis: revisions", "analysis: revisions_series"), head=head
    )
    item = found.expectation("revision_index", "lrti")
    assert item is not None and item.cell.finding is not None and item.cell.finding.result is not None
    rate = item.cell.finding.result.back_transform(item.cell.finding.result.estimate)
    assert item.cell.value == pytest.approx(rate)
    (evidence,) = found.evidence
    assert any("single-arm series" in flag for flag in evidence.flags)
    assert any("Single-arm series cannot show" in text for text in cautions(found))
    # Nothing is compared: no difference, no share of draws, no "ahead if", no sum.
    assert item.change is None and item.better_share is None
    assert found.drivers == () and not item.cell.compares
    (line,) = [line for line in found.first.lines if not line.current]
    assert not line.compared and "neither better nor worse can be said" in line.text
    assert "3 single-arm series, which compare nothing" in line.text


@pytest.mark.lengthy
def test_a_comparison_the_other_way_round_turns_its_effect(tmp_path: Path) -> None:
    forward = decided(tmp_path, COMPLICATIONS)
    head = HEAD.replace("current_technique: now", "current_technique: lrti")
    backward = decided(tmp_path, COMPLICATIONS.replace("technique: lrti,", "technique: now,"), head=head)
    there, back = (
        forward.expectation("any_complication", "lrti"),
        backward.expectation("any_complication", "now"),
    )
    assert there is not None and back is not None
    base = 21 / 96
    assert there.cell.value / base == pytest.approx(base / back.cell.value)
    assert any("other way round" in flag for flag in backward.evidence[0].flags)


def test_each_bar_is_the_difference_at_its_limits(full: UnitDecision) -> None:
    (item,) = full.drivers
    assert item.weighted
    burden = {found.technique.id: found for found in full.burdens}
    assert burden["lrti"].change is not None
    # At the estimates, not the mean of draws: one input moves, the others stay.
    cells = {(c.technique.id, c.outcome.term.id): c for c in full.cells}
    parts = {
        name: float(cells["lrti", name].per_thumb(cells["lrti", name].value, 5))
        - float(cells["now", name].per_thumb(cells["now", name].value, 5))
        for name in ("revision_index", "any_complication", "dash")
    }
    weighted = 10 * parts["revision_index"] + 2 * parts["any_complication"] + 0.05 * parts["dash"]
    assert item.difference == pytest.approx(120 * weighted)
    bars = {bar.name: bar for bar in item.bars}
    assert bars["Thumbs a year"].at_low == pytest.approx(item.difference * 90 / 120)
    assert bars["Thumbs a year"].at_high == pytest.approx(item.difference * 150 / 120)
    assert [bar.reach for bar in item.bars] == sorted((bar.reach for bar in item.bars), reverse=True)
    weight = bars["Revision of the index operation: weight"]
    assert (weight.low, weight.high, weight.basis) == (
        "5",
        "20",
        "half to double, since no limits were typed",
    )
    assert bars["Any complication: weight"].basis == "limits typed by the unit"


def test_at_a_tie_both_techniques_come_out_alike(full: UnitDecision) -> None:
    (item,) = full.drivers
    weights = {"any_complication": 2.0, "dash": 0.05}
    value = {(c.technique.id, c.outcome.term.id): c.value for c in full.cells}
    others = sum(100 * w * (value["lrti", name] - value["now", name]) for name, w in weights.items())
    tie = next(tie for tie in item.ties if tie.name == "Revision of the index operation: effect")
    assert tie.value is not None and tie.favours == "below it"
    ratio = float(tie.value.removeprefix("rate ratio "))
    revisions = 1000 * (math.exp(-5 * 8 / 640) - math.exp(-5 * ratio * 8 / 640))
    # The ratio is shown with two decimals: half of the last one moves the sum of 100 thumbs by this much.
    assert abs(revisions + others) < 1000 * 5 * 8 / 640 * 0.006
    by_baseline = next(tie for tie in item.ties if tie.name == "Revision of the index operation: baseline")
    assert by_baseline.value is None  # fewer of everything: no baseline turns it round


def test_the_effect_of_a_tie_has_the_same_events_for_a_single_outcome(tmp_path: Path) -> None:
    found = decided(tmp_path, REVISIONS)
    (item,) = found.drivers
    (tie,) = [tie for tie in item.ties if tie.name.endswith("effect")]
    assert (tie.value, tie.favours) == ("rate ratio 1.00", "below it")
    assert not item.weighted


def test_scenarios_share_out_the_events_of_all_thumbs(full: UnitDecision) -> None:
    rows = {row.cell.technique.id: row for row in full.scenarios}
    assert set(rows) == {"now", "lrti"}
    row = rows["now"]
    whole = 0.25 * row.part.planned + 0.75 * row.rest.planned
    assert 120 * whole == pytest.approx(row.all_now)
    assert row.part.planned > row.rest.planned
    assert math.log1p(-row.part.planned) / math.log1p(-row.rest.planned) == pytest.approx(2, rel=0.05)
    assert row.all_instead is not None and row.all_instead.planned > row.all_now


def test_how_many_more_thumbs_follows_from_the_units_own_baseline(full: UnitDecision) -> None:
    found = {(item.cell.outcome.term.id): item.missing for item in full.evidence}
    # The means after Jeffreys' prior, with which the page plans and its audit computes: beta(21.5, 75.5), and the
    # moment generating function of gamma(8.5, 640).
    risk = 21.5 / 97
    assert found["any_complication"].needed == pytest.approx(size_for_risks(risk, risk - 0.05), rel=2e-3)
    within = 1 - (640 / 645) ** 8.5
    base, other = (-math.log1p(-part) / 5 for part in (within, within - 0.02))
    assert found["revision_index"].needed == pytest.approx(size_for_rates(base, other), rel=5e-3)
    for item in full.to_tell:
        now, then = (per_100(100 * value) for value in (item.now, item.other))
        assert found[item.outcome.term.id].inputs.startswith(f"{now} against {then} of 100 thumbs")
    assert found["dash"].more == 0
    for missing in found.values():
        assert missing.needed is not None and missing.present is not None
        assert missing.more == max(missing.needed - missing.present, 0)


def test_time_beyond_the_studies_is_called_extrapolated(full: UnitDecision, tmp_path: Path) -> None:
    flags = {item.cell.outcome.term.id: item.flags for item in full.evidence}
    assert any("extrapolated in time" in flag for flag in flags["revision_index"])
    short = decided(tmp_path, REVISIONS, head=HEAD.replace("years_followed: 5", "years_followed: 3"))
    assert not any("in time" in flag for flag in short.evidence[0].flags)


@pytest.mark.lengthy
def test_more_time_and_more_thumbs_mean_more_events(tmp_path: Path) -> None:
    def events(head: str) -> list[float]:
        found = decided(tmp_path, REVISIONS, head=head)
        return [item.cohort.mean for item in found.expectations if item.cohort]

    base = events(HEAD)
    longer = events(HEAD.replace("years_followed: 5", "years_followed: 7"))
    larger = events(HEAD.replace("thumbs_a_year: 120", "thumbs_a_year: 140"))
    assert all(more > less for more, less in zip(longer, base, strict=True))
    assert larger == pytest.approx([value * 140 / 120 for value in base])


def test_theatre_hours_and_costs_add_up(full: UnitDecision) -> None:
    work = {item.technique.id: item for item in full.workloads}
    assert work["now"].hours.first == 100
    assert work["now"].cost.first == 120_000
    now = full.expectation("revision_index", "now")
    other = full.expectation("revision_index", "lrti")
    assert now is not None and now.cohort is not None and other is not None and now.counts is not None
    hours, cost = work["now"].hours, work["now"].cost
    assert hours.events is not None and hours.total is not None and cost.total is not None
    assert hours.events.mean == pytest.approx(1.5 * now.cohort.mean, rel=0.02)
    assert hours.total.mean == pytest.approx(100 + hours.events.mean)
    assert cost.total.mean == pytest.approx(120_000 + 4000 * now.counts.mean())
    lrti = work["lrti"].cost
    assert lrti.change is not None and lrti.total is not None and other.counts is not None
    assert lrti.change.mean == pytest.approx(lrti.total.mean - cost.total.mean)
    assert lrti.change.upper == pytest.approx(60_000 + 4000 * np.quantile(other.counts - now.counts, 0.975))
    assert (hours.change, hours.change_first, lrti.change_first) == (None, None, 60_000)


@pytest.mark.lengthy
def test_the_price_of_implants_stands_apart_and_counts(tmp_path: Path) -> None:
    head = HEAD.replace("cost: 1500", "cost: 1500, implant_price: 900")
    cost = {item.technique.id: item.cost for item in decided(tmp_path, WEIGHTS[0], head=head).workloads}
    assert (cost["lrti"].first, cost["lrti"].implants) == (180_000, 108_000)
    plain = {item.technique.id: item.cost for item in decided(tmp_path, WEIGHTS[0]).workloads}
    assert cost["lrti"].change.mean - plain["lrti"].change.mean == pytest.approx(108_000)  # type: ignore[union-attr]


@pytest.mark.lengthy
def test_the_same_seed_gives_the_same_answer_and_another_seed_nearly(tmp_path: Path) -> None:
    first, second = (decided(tmp_path, COMPLICATIONS, studies=3) for _ in range(2))
    assert json.dumps(decision_json(first)) == json.dumps(decision_json(second))
    other = decided(tmp_path, COMPLICATIONS, end="seed: 99\n", studies=3)
    for mine, its in zip(first.expectations, other.expectations, strict=True):
        if mine.cohort is not None and its.cohort is not None:
            assert mine.cohort.mean == pytest.approx(its.cohort.mean, rel=0.01)
            assert abs(mine.cohort.upper - its.cohort.upper) <= max(2, 0.08 * mine.cohort.upper)


def test_nothing_recommends_and_the_cautions_are_there(full: UnitDecision) -> None:
    said = " ".join([plain_text(full), *cautions(full)]).lower()
    assert "it recommends nothing" in said
    assert "local codes" in said
    assert "hazards are not constant" in said
    assert "identify a patient" in said
    for word in ("we recommend", "should choose", "best technique", "preferred", "superior"):
        assert word not in said


def test_json_is_whole_and_finite(full: UnitDecision) -> None:
    answer = decision_json(full)
    read = json.loads(json.dumps(answer, allow_nan=False))
    assert {item["technique"] for item in read["expected"]} == {"now", "lrti"}
    assert read["simulation"]["draws"] == DRAWS
    assert len(read["expected"]) == len(full.expectations)


def test_years_shown_end_at_the_last_one() -> None:
    assert shown_years(5) == (1, 2, 3, 5)
    assert shown_years(0.5) == (0.5,)
    assert shown_years(4) == (1, 2, 3, 4)


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        ("rate ratio 0.5", "rate ratio 2.0", "rate ratio 0.5 to 2.0"),
        ("-3 points", "4 points", "-3 to 4 points"),
        ("5", "20", "5 to 20"),
        ("3 points", "3 points", "3 points to 3 points"),
    ],
)
def test_limits_say_their_words_once(low: str, high: str, said: str) -> None:
    assert together(low, high) == said


def test_new_centre_needs_an_answer() -> None:
    from metakit.synthesis.run import synthesise

    findings = synthesise(review(studies=0))  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="without an answer"):
        new_centre(findings.analyses[0])
