"""What a judgement of certainty rests on, gathered from an analysis (or, with `network`, from a network).

`EvidenceBody` is the one input of the certainty worksheet and of the summary of findings. A pairwise
analysis fills it through `body_of`; a network estimate fills the same fields and `network` besides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from metakit.core.records import BaselinePlan, Protocol, StudyRecord
from metakit.core.results import Limits, PoolResult
from metakit.core.written import fixed
from metakit.decision.absolute import AbsoluteDifference, difference_of
from metakit.decision.information import InformationSize, information_of, thumbs_of
from metakit.decision.signed_text import answer_words
from metakit.decision.thresholds import Thresholds
from metakit.errors import MetakitError
from metakit.measures.absolute import risk_with
from metakit.measures.kind import COUNTS, HAZARDS, RATES
from metakit.measures.natural import natural_values
from metakit.measures.registry import MEASURES, Measure
from metakit.models.small_study import FEWEST, SmallStudyTest, small_study_test
from metakit.review.appraisal import appraisal_of
from metakit.synthesis.absolute import baseline_of
from metakit.synthesis.baseline import Baseline, baseline_from_counts
from metakit.synthesis.confidence import ConfidenceDistribution
from metakit.synthesis.findings import AnalysisFinding

NORMAL_95 = 1.959963984540054


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyEvidence:
    """One study of a body of evidence: its share of it, and what was judged about it.

    `judgement` is the overall level of `instrument`, empty where the instrument has none or nobody judged.
    """

    name: str
    design_group: str
    share: float
    thumbs: float
    instrument: str = ""
    judgement: str = ""
    industry_tie: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkFacts:
    """What only a network estimate has.

    `direct` and `indirect` are estimate, lower and upper limit in the body's unit; `disagreement_p` is the
    test of direct against indirect evidence; `unlike` names characteristics that differ between the
    comparisons that the estimate passes through.
    """

    direct_share: float
    direct: tuple[float, float, float] | None = None
    indirect: tuple[float, float, float] | None = None
    disagreement_p: float | None = None
    unlike: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceBody:
    """One answer, ready to be judged.

    Differences are technique less comparator, in `unit` (per 100 thumbs, per 100 thumb-years, or the unit of
    a score). `spread` is where 95 % of true effects lie by tau alone, `spread_at_limits` the same at tau's
    lower and upper limit, `prediction` the prediction interval, `doubled` the interval of the difference with
    twice the assumed spread.
    `absolute` holds one entry a baseline, the comparator arms first. `effect` is the pooled effect with its
    limits in natural units, `null` no difference on that scale; `ratio` is the same for ratios, else None.
    """

    analysis: str
    answer: str
    outcome: str
    comparison: str
    technique: str
    comparator: str
    importance: str
    lower_is_better: bool | None
    unit: str
    measure: str
    level: float
    studies: tuple[StudyEvidence, ...]
    participants: float
    effect: tuple[float, float, float]
    null: float = 0.0
    events: float | None = None
    ratio: tuple[float, float, float] | None = None
    difference: tuple[float, float, float] | None = None
    prediction: Limits | None = None
    spread: Limits | None = None
    spread_at_limits: tuple[Limits, Limits] | None = None
    doubled: Limits | None = None
    tau: float | None = None
    tau_words: str = ""
    thresholds: Thresholds | None = None
    exceeding: tuple[float, float] | None = None
    basis: str = ""
    absolute: tuple[AbsoluteDifference, ...] = ()
    information: InformationSize | None = None
    surrogate: bool = False
    unfit_definitions: tuple[tuple[str, tuple[str, ...]], ...] = ()
    not_reported: tuple[str, ...] = ()
    small_study: SmallStudyTest | None = None
    small_study_reason: str = ""
    network: NetworkFacts | None = None

    @property
    def designs(self) -> frozenset[str]:
        """Design groups of the studies."""
        return frozenset(study.design_group for study in self.studies)


def body_of(finding: AnalysisFinding, protocol: Protocol) -> EvidenceBody | None:
    """Return the body of evidence behind an answered comparative analysis, None for any other."""
    result, comparison = finding.result, finding.comparison
    if result is None or comparison is None:
        return None
    measure = MEASURES[finding.plan.measure]
    scale = finding.plan.scale
    absolute = _absolute(finding, result, measure, protocol.baselines)
    main = absolute[0] if absolute else None
    thresholds, unit, factor = _thresholds(finding, measure, main)
    to_difference = _to_difference(finding, measure, main.baseline if main else None)
    values = natural_values(result, measure, scale)
    spread_of = _spread_result(finding)
    tau2 = spread_of.heterogeneity.tau2 if spread_of else None
    tau = math.sqrt(tau2) if tau2 is not None else None
    difference = prediction = spread = at_limits = None
    if to_difference is not None:
        ends = [to_difference(value) for value in (result.estimate, *result.interval)]
        low, high = sorted(ends[1:])
        difference = (ends[0], low, high)
        ahead = getattr(result, "prediction", None)
        if ahead is not None:
            prediction = Limits(*sorted(to_difference(limit) for limit in ahead.interval))
        if tau is not None and result.k > 1:
            spread = _spread_by(to_difference, result.estimate, tau)
            ends_of_tau = spread_of.heterogeneity.tau2_interval if spread_of else None
            if ends_of_tau is not None:
                low, high = (math.sqrt(max(limit, 0.0)) for limit in ends_of_tau)
                at_limits = (
                    _spread_by(to_difference, result.estimate, low),
                    _spread_by(to_difference, result.estimate, high),
                )
    exceeding, basis = _exceeding(result, main, thresholds, difference, factor)
    small, reason = _small_study(finding)
    return EvidenceBody(
        analysis=finding.plan.id,
        answer=answer_words(result, measure, scale),
        outcome=finding.term.label,
        comparison=comparison.label,
        technique=comparison.technique_label,
        comparator=comparison.comparator_label,
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
        effect=(values.estimate, values.lower, values.upper),
        null=values.null,
        ratio=(values.estimate, values.lower, values.upper) if values.ratio else None,
        difference=difference,
        prediction=prediction,
        spread=spread,
        spread_at_limits=at_limits,
        tau=tau,
        tau_words=_tau_words(spread_of, result, tau, measure, scale),
        thresholds=thresholds,
        exceeding=exceeding,
        basis=basis,
        absolute=absolute,
        information=information_of(finding, measure, main, thresholds),
        surrogate=finding.term.surrogate,
        unfit_definitions=tuple(
            (found.label, tuple(study for study, _ in found.author_words))
            for found in finding.definitions
            if not found.fits
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
) -> tuple[AbsoluteDifference, ...]:
    timed = measure.kind is HAZARDS
    own = baseline_of(measure, finding.numbers, level=result.level)
    if own is None and not timed:
        return ()
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
    return tuple(difference_of(result, measure, base, lower_is_better=lower) for base in usable)


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


class _ToDifference:
    """From an effect on the analysis scale to the difference in the body's unit."""

    def __init__(self, measure: Measure, scale: str | None, baseline: Baseline | None) -> None:
        self.measure, self.scale, self.baseline = measure, measure.scale(scale), baseline

    def __call__(self, value: float) -> float:
        with np.errstate(over="ignore"):
            natural = float(self.scale.to_natural(np.asarray(value, dtype=float)))
        if self.baseline is None:
            return natural
        base = self.baseline
        risk = float(risk_with(self.measure.name, natural, base.value))
        return 100 * ((risk if base.per_year else min(max(risk, 0.0), 1.0)) - base.value)


def _to_difference(
    finding: AnalysisFinding, measure: Measure, baseline: Baseline | None
) -> _ToDifference | None:
    if baseline is None and measure.name != "mean_difference":
        return None
    return _ToDifference(measure, finding.plan.scale, baseline)


def _spread_by(to_difference: _ToDifference, estimate: float, tau: float) -> Limits:
    """Return where 95 % of true effects lie at this tau."""
    return Limits(*sorted(to_difference(estimate + sign * NORMAL_95 * tau) for sign in (-1, 1)))


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
) -> tuple[tuple[float, float] | None, str]:
    if thresholds is None or difference is None:
        return None, ""
    if main is not None:
        return main.exceeding(thresholds.smallest / factor), main.basis
    distribution = ConfidenceDistribution.of(result)
    fewer = float(distribution.below(-thresholds.smallest))
    return (fewer, 1 - float(distribution.below(thresholds.smallest))), distribution.basis


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
    overall = {study.name: _overall(study.study, finding.plan.outcome) for study in finding.numbers}
    return tuple(
        StudyEvidence(
            name=study.name,
            design_group=study.study.design_group,
            share=(weights[study.name] or 0.0) if known else size / total,
            thumbs=size,
            instrument=overall[study.name][0],
            judgement=overall[study.name][1],
            industry_tie=str((study.study.fields.get("funding") or {}).get("implant_company_tie", "")),
        )
        for study, size in zip(finding.numbers, thumbs, strict=True)
    )


def _overall(study: StudyRecord, outcome: str) -> tuple[str, str]:
    """Return the instrument of a study and its overall level for an outcome."""
    appraisal = appraisal_of(study)
    if appraisal is None:
        return "", ""
    overall = appraisal.overall(outcome)
    return appraisal.instrument, "" if overall.incomplete else overall.level
