"""The body of evidence behind an answered analysis, for its certainty and the summary of findings."""

from __future__ import annotations

import math

import numpy as np

from metakit.core.limits import Limits
from metakit.core.plans import BaselinePlan, Protocol
from metakit.core.records import StudyRecord
from metakit.core.results import PoolResult
from metakit.core.written import fixed, listed
from metakit.decision.absolute import AbsoluteDifference, difference_of
from metakit.decision.evidence import EvidenceBody, StudyEvidence, eligibility_words, months_words
from metakit.decision.information import information_of, thumbs_of
from metakit.decision.kept import kept_while_alive
from metakit.decision.signed_text import answer_words
from metakit.decision.thresholds import Thresholds
from metakit.errors import MetakitError, NotEstimableError
from metakit.measures.kind import COUNTS, HAZARDS, RATES
from metakit.measures.natural import natural_values
from metakit.measures.registry import MEASURES, Measure
from metakit.models.companions import MEAN_OF_CENTRES, TWICE_THE_SPREAD
from metakit.models.small_studies.small_study import FEWEST, SmallStudyTest, small_study_test
from metakit.review.appraisal import appraisal_of
from metakit.synthesis.absolute import baseline_of
from metakit.synthesis.baseline import baseline_from_counts
from metakit.synthesis.confidence import contradicts, distribution_of, only_limit, point_of
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.gathering.windows import time_of
from metakit.synthesis.terms import label_of

NORMAL_95 = 1.959963984540054


@kept_while_alive
def body_of(finding: AnalysisFinding, protocol: Protocol) -> EvidenceBody | None:
    """Return the body of evidence behind an answered comparative analysis, None for any other."""
    result, comparison = finding.result, finding.comparison
    if result is None or comparison is None:
        return None
    measure = MEASURES[finding.plan.measure]
    scale = finding.plan.scale
    absolute, refused = _absolute(finding, result, measure, protocol.baselines)
    main = absolute[0] if absolute else None
    thresholds, unit, factor = _thresholds(finding, measure, main)
    to_difference = _to_difference(finding, measure, main)
    values = natural_values(result, measure, scale)
    effect = (
        measure.natural_factor * float(result.back_transform(point_of(result))),
        values.lower,
        values.upper,
    )
    spread_of = _spread_result(finding)
    tau2 = spread_of.heterogeneity.tau2 if spread_of else None
    tau = math.sqrt(tau2) if tau2 is not None else None
    difference = prediction = spread = at_limits = doubled = centres = None
    if to_difference is not None:
        ends = [to_difference(value) for value in (point_of(result), *result.interval)]
        low, high = sorted(ends[1:])
        difference = (ends[0], low, high)
        ahead = result.prediction
        if ahead is not None:
            prediction = Limits(*sorted(to_difference(limit) for limit in ahead.interval))
        centres = _beside(MEAN_OF_CENTRES, result, to_difference)
        if tau is not None and result.k > 1:
            spread = _spread_by(to_difference, point_of(result), tau)
            doubled = _beside(TWICE_THE_SPREAD, result, to_difference)
            ends_of_tau = spread_of.heterogeneity.tau2_interval if spread_of else None
            if ends_of_tau is not None:
                low, high = (math.sqrt(max(limit, 0.0)) for limit in ends_of_tau)
                at_limits = (
                    _spread_by(to_difference, point_of(result), low),
                    _spread_by(to_difference, point_of(result), high),
                )
    exceeding, basis = _exceeding(
        result, main, thresholds, difference, factor, measure.natural_factor, measure.null_value or 0.0
    )
    small, reason = _small_study(finding)
    return EvidenceBody(
        analysis=finding.plan.id,
        answer=answer_words(result, measure, scale, len(finding.numbers)),
        informative=result.k,
        outcome=finding.term.label,
        comparison=comparison.label,
        technique=comparison.technique_label,
        comparator=comparison.comparator_label,
        techniques=comparison.arms,
        question=protocol.question,
        population=protocol.population,
        when=label_of("time_windows", finding.outcome_plan.window),
        eligibility=eligibility_words(protocol),
        importance=finding.outcome_plan.importance,
        lower_is_better=_lower_is_better(finding),
        unit=unit,
        measure=measure.name,
        level=result.level,
        studies=_studies(finding, result),
        participants=sum(thumbs_of(study) for study in finding.numbers),
        events=None
        if any("events" not in side.numbers for study in finding.numbers for side in study.sides)
        else sum(side.numbers["events"] for study in finding.numbers for side in study.sides),
        effect=effect,
        null=values.null,
        ratio=effect if values.ratio else None,
        only_limit=only_limit(result),
        difference=difference,
        prediction=prediction,
        spread=spread,
        spread_at_limits=at_limits,
        doubled=doubled,
        centres=centres,
        tau=tau,
        tau_words=_tau_words(spread_of, result, tau, measure, scale),
        thresholds=thresholds,
        exceeding=exceeding,
        basis=basis,
        absolute=absolute,
        refused=refused,
        bounds=_bounds(main),
        information=information_of(finding, measure, main, thresholds),
        surrogate=finding.term.surrogate,
        unfit_definitions=tuple(
            (found.label, tuple(study for study, _ in found.author_words))
            for found in finding.definitions
            if not found.fits
        ),
        differing=tuple(
            (item.study, listed(list(item.differ))) for item in finding.co_procedures if item.differ
        ),
        not_reported=tuple(row.study for row in finding.missing if row.status == "measured_not_reported"),
        small_study=small,
        small_study_reason=reason,
    )


def _lower_is_better(finding: AnalysisFinding) -> bool | None:
    if finding.term.kind == "survival":
        return True  # a lower hazard is a longer survival
    return {"lower": True, "higher": False}.get(finding.term.better)


def _absolute(
    finding: AnalysisFinding, result: PoolResult, measure: Measure, typed: tuple[BaselinePlan, ...]
) -> tuple[tuple[AbsoluteDifference, ...], tuple[str, ...]]:
    """Return the difference at every baseline that takes the effect, and why others do not."""
    timed = measure.kind is HAZARDS
    own = baseline_of(measure, finding.numbers, level=result.level)
    if own is None and not timed:
        return (), ()
    baselines = [] if own is None else [own]
    per_year = own is not None and own.per_year
    for plan in typed:
        fits = not plan.comparisons or finding.plan.comparison in plan.comparisons
        total = plan.thumb_years if per_year else plan.thumbs
        if timed and plan.months is None:
            continue  # a hazard ratio says nothing about a risk without its time
        if plan.outcome == finding.plan.outcome and fits and total is not None:
            label = f"{plan.label}, at {plan.months:g} months" if timed else plan.label
            baselines.append(
                baseline_from_counts(
                    plan.kind, label, plan.events, total,
                    per_year=per_year, level=result.level, source=plan.source,
                )
            )  # fmt: skip
    lower = _lower_is_better(finding) is not False
    usable = [base for base in baselines if base.value > 0 or not measure.ratio]
    home = None if own is None else own.value
    found, refused = [], []
    for base in usable:
        try:
            found.append(difference_of(result, measure, base, lower_is_better=lower, home=home))
        except NotEstimableError as error:
            refused.append(f"Not carried over to {base.label}: {error}.")
    return tuple(found), tuple(refused)


def _thresholds(
    finding: AnalysisFinding, measure: Measure, main: AbsoluteDifference | None
) -> tuple[Thresholds | None, str, float]:
    """Return the thresholds in the unit of the difference, that unit, and the factor from fractions to it.

    Thresholds of events are per 100 thumbs. Against rates they are divided by the mean follow-up of the
    studies, which says the same about thumbs followed that long and no longer.
    """
    plan, term = finding.outcome_plan, finding.term
    if measure.kind is RATES:
        years = sum(side.numbers.get("time", 0.0) for study in finding.numbers for side in study.sides)
        thumbs = sum(thumbs_of(study) for study in finding.numbers)
        unit = "per 100 thumb-years"
        of = Thresholds.of(plan, unit)
        if of is None or thumbs <= 0 or years <= 0:
            return None, unit, 100.0
        mean = years / thumbs
        source = f"{of.smallest:g} per 100 thumbs over the mean follow-up of {mean:.1f} years; {of.source}"
        return (
            Thresholds(
                smallest=of.smallest / mean,
                moderate=of.moderate / mean if of.moderate else None,
                large=of.large / mean if of.large else None,
                unit=unit,
                source=source,
            ),
            unit,
            100.0,
        )
    if measure.kind is COUNTS or (measure.kind is HAZARDS and main is not None):
        return Thresholds.of(plan, "per 100 thumbs"), "per 100 thumbs", 100.0
    if measure.name == "mean_difference":
        return Thresholds.of(plan, term.unit), term.unit, 1.0
    return None, "", 1.0


def _bounds(main: AbsoluteDifference | None) -> Limits | None:
    """Return the differences to 0 and to 100 in 100, None for rates and scores."""
    if main is None or main.baseline.per_year:
        return None
    return Limits(-100 * main.baseline.value, 100 * (1 - main.baseline.value))


class _ToDifference:
    """From an effect on the analysis scale to the difference in the body's unit."""

    def __init__(self, measure: Measure, scale: str | None, main: AbsoluteDifference | None) -> None:
        self.measure, self.scale, self.main = measure, measure.scale(scale), main

    def __call__(self, value: float) -> float:
        with np.errstate(over="ignore"):
            natural = float(self.scale.to_natural(np.asarray(value, dtype=float)))
        if self.main is None:
            return self.measure.natural_factor * natural
        risk = float(self.main.carrier.risk(natural, self.main.baseline.value))
        # Limits of wider intervals than the shown one are held at 0 and 100, and said to be.
        held = risk if self.main.baseline.per_year else min(max(risk, 0.0), 1.0)
        return 100 * (held - self.main.baseline.value)


def _to_difference(
    finding: AnalysisFinding, measure: Measure, main: AbsoluteDifference | None
) -> _ToDifference | None:
    if main is None and measure.name not in ("mean_difference", "risk_difference"):
        return None
    return _ToDifference(measure, finding.plan.scale, main)


def _spread_by(to_difference: _ToDifference, estimate: float, tau: float) -> Limits:
    """Return where 95 % of true effects lie at this tau."""
    return Limits(*sorted(to_difference(estimate + sign * NORMAL_95 * tau) for sign in (-1, 1)))


def _beside(name: str, result: PoolResult, to_difference: _ToDifference) -> Limits | None:
    """Return the interval of the difference by another way, where it stands beside the answer."""
    for item in result.beside:
        if item.name == name and item.interval is not None:
            return Limits(*sorted(to_difference(limit) for limit in item.interval))
    return None


def _spread_result(finding: AnalysisFinding) -> PoolResult | None:
    """Return the result that knows tau: the headline, or the random-effects answer shown beside it."""
    result = finding.result
    if result is not None and result.heterogeneity.tau2 is not None:
        return result
    for row in finding.sensitivity:
        other = row.answer.result
        if row.name == "random_effects" and other is not None and other.heterogeneity.tau2 is not None:
            return other
    return None


def _tau_words(
    found: PoolResult | None, headline: PoolResult, tau: float | None, measure: Measure, scale: str | None
) -> str:
    if found is None or tau is None or headline.k < 2:
        return ""
    where = " on the log scale" if measure.scale(scale).axis == "log" else ""
    text = f"tau {tau:.2f}{where}"
    limits = found.heterogeneity.tau2_interval
    if limits:
        low, high = (math.sqrt(max(limit, 0.0)) for limit in limits)
        text += f" ({low:.2f} to {fixed(high, 2)})"
    return text if found is headline else f"{text} in a random-effects model of the same studies"


def _exceeding(
    result: PoolResult,
    main: AbsoluteDifference | None,
    thresholds: Thresholds | None,
    difference: tuple[float, float, float] | None,
    factor: float,
    natural: float,
    null: float,
) -> tuple[tuple[float, float] | None, str]:
    if thresholds is None or difference is None or contradicts(result, null):
        return None, ""
    if main is not None:
        return main.exceeding(thresholds.smallest / factor), main.basis
    distribution, smallest = distribution_of(result), thresholds.smallest / natural
    fewer = float(distribution.below(-smallest))
    return (fewer, 1 - float(distribution.below(smallest))), distribution.basis


def _small_study(finding: AnalysisFinding) -> tuple[SmallStudyTest | None, str]:
    table = finding.table
    if table is None or int(np.sum(table.estimable)) < FEWEST:
        return None, f"fewer than {FEWEST} studies, no test of small-study effects"
    try:
        return small_study_test(table), ""
    except MetakitError as error:
        return None, str(error)


def _studies(finding: AnalysisFinding, result: PoolResult) -> tuple[StudyEvidence, ...]:
    weights = {row.study: row.weight for row in result.studies}
    thumbs = [thumbs_of(study) for study in finding.numbers]
    known = all(weights.get(study.name) is not None for study in finding.numbers)
    total = sum(thumbs) or 1.0
    overall = {study.name: overall_of(study.study, finding.plan.outcome) for study in finding.numbers}
    return tuple(
        StudyEvidence(
            name=study.name,
            design_group=study.study.design_group,
            share=(weights[study.name] or 0.0) if known else size / total,
            thumbs=size,
            instrument=overall[study.name][0],
            judgement=overall[study.name][1],
            industry_tie=str((study.study.fields.get("funding") or {}).get("implant_company_tie", "")),
            months=months_words(
                time_of(part.value, part.arm.follow_up) for side in study.sides for part in side.arms
            ),
        )
        for study, size in zip(finding.numbers, thumbs, strict=True)
    )


def overall_of(study: StudyRecord, outcome: str) -> tuple[str, str]:
    """Return the instrument of a study and its overall level for an outcome."""
    appraisal = appraisal_of(study)
    if appraisal is None:
        return "", ""
    overall = appraisal.overall(outcome)
    return appraisal.instrument, "" if overall.incomplete else overall.level
