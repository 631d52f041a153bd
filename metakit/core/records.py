"""What the analysis needs of a study record and of a review's protocol, typed.

A record on disk is a YAML file that follows a form (extraction_forms/study.yaml). The form may ask for more
than stands here; what the analysis does not use stays in `StudyRecord.fields`, the whole checked tree, and
is shown by the report. `None` always means "not in the record"; zero is only ever a typed zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from metakit.core.returns import AngleBand, ArmReturns, Finding, SubgroupValue


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a value was typed: file, line and column of the record."""

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """An interval of values; None is open. `lower_inside`, `upper_inside`: whether an end belongs to it."""

    lower: float | None = None
    upper: float | None = None
    lower_inside: bool = False
    upper_inside: bool = False
    as_reported: str = ""

    def holds(self, value: float) -> bool:
        """Say whether a value lies within."""
        above = self.lower is None or value > self.lower or (self.lower_inside and value == self.lower)
        below = self.upper is None or value < self.upper or (self.upper_inside and value == self.upper)
        return above and below

    def meets(self, other: Band) -> bool:
        """Say whether two bands have a value in common."""
        for one, two in ((self, other), (other, self)):
            if one.upper is not None and two.lower is not None:
                touch = one.upper_inside and two.lower_inside
                if one.upper < two.lower or (one.upper == two.lower and not touch):
                    return False
        return True

    def __str__(self) -> str:
        low = "" if self.lower is None else f"{self.lower:g}"
        high = "" if self.upper is None else f"{self.upper:g}"
        if low and high:
            if low == high:
                return low
            over = "" if self.lower_inside else "over "
            return f"{over}{low} to {'' if self.upper_inside else 'under '}{high}"
        if low:
            return f"{low} and more" if self.lower_inside else f"over {low}"
        return (f"up to {high}" if self.upper_inside else f"under {high}") if high else "any"


@dataclass(frozen=True, slots=True, kw_only=True)
class Angle:
    """MP hyperextension of an arm in degrees (beyond neutral positive), as typed or with its sign turned.

    `unusable` says why the numbers are None although typed.
    """

    mean: float | None = None
    standard_deviation: float | None = None
    median: float | None = None
    minimum: float | None = None
    maximum: float | None = None
    over_30: int | None = None
    measured: str = ""
    unusable: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowUp:
    """Follow-up of an arm in months, and thumb-years with how they were obtained."""

    mean: float | None = None
    standard_deviation: float | None = None
    median: float | None = None
    shortest: float | None = None
    longest: float | None = None
    lost: int | None = None
    thumb_years: float | None = None
    thumb_years_basis: Literal["reported", "derived_mean", "derived_median", "not_available"] = (
        "not_available"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Arm:
    """One arm: what was done, to how many.

    `components` is already expanded (composites replaced by their parts). `thumbs` and `patients` are the
    numbers analysed (treated if the report gives only those). `partly_given` maps a component
    given to some of the arm to the number of thumbs that got it. `mp_treated_band` is the report's own rule
    for treating the MP joint. `osteophyte_option` is what was done to the whole arm. `reconstruction` are the
    components that bring the metacarpal back to the index. `immobilisation_weeks` are the arm's own, where
    arms differ.
    """

    id: str
    label: str
    technique: str
    components: tuple[str, ...]
    mp_option: str
    st_option: str
    patients: int | None
    thumbs: int | None
    bilateral: int | None = None
    age_mean: float | None = None
    women: int | None = None
    mp_preoperative_mean: float | None = None
    mp_preoperative: Angle = field(default_factory=Angle)
    mp_treated_band: Band | None = None
    osteophyte_option: str = "osteophyte_not_reported"
    reconstruction: tuple[str, ...] = ()
    immobilisation_weeks: float | None = None
    mixed: bool = False
    partly_given: Mapping[str, int] = field(default_factory=dict)
    follow_up: FollowUp = field(default_factory=FollowUp)


Reporting = Literal["reported", "reported_zero", "not_reported", "measured_not_reported"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeValue:
    """One outcome of one arm at one time, as typed.

    Counts: `events` thumbs (or patients) with the event of `total`; `event_count` counts events, which may
    exceed them. Continuous: whatever the report gives; derived values are made later and logged, never
    stored here. `unit_as_reported` and `unit_factor`: the number typed times the factor is in the
    vocabulary's unit; the values here are already converted and `conversion` says how ("" when not).
    `unusable` says why the numbers typed cannot enter an analysis (unit or sign unclear); they are None then
    and stay in the record.
    """

    arm: str
    outcome: str
    months: float | None
    time_label: str
    unit_of_analysis: Literal["thumbs", "patients", "unclear"]
    reporting: Reporting
    author_definition: str = ""
    definition: str = ""
    events: int | None = None
    total: int | None = None
    event_count: int | None = None
    counted: Literal["per_thumb", "per_event", "unclear"] = "per_thumb"
    percent: float | None = None
    n: int | None = None
    kind: Literal["final", "change", "baseline"] = "final"
    mean: float | None = None
    standard_deviation: float | None = None
    standard_error: float | None = None
    interval_lower: float | None = None
    interval_upper: float | None = None
    interval_level: float | None = None
    median: float | None = None
    first_quartile: float | None = None
    third_quartile: float | None = None
    minimum: float | None = None
    maximum: float | None = None
    limit: Band | None = None
    conversion: str = ""
    unusable: str = ""
    source: str = ""
    place: Place | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastValue:
    """What a report says about two arms: arm minus (or over) comparator, numbers as printed.

    `measure` is empty where there is only a p value. `p_bound` is "<" or ">" where the report gives a bound.
    `observed_minus_expected` and `logrank_variance` are of `arm`.
    """

    arm: str
    comparator: str
    outcome: str
    months: float | None
    time_label: str
    measure: str = ""
    estimate: float | None = None
    standard_error: float | None = None
    interval_lower: float | None = None
    interval_upper: float | None = None
    interval_level: float | None = None
    p_value: float | None = None
    p_bound: Literal["", "<", ">"] = ""
    observed_minus_expected: float | None = None
    logrank_variance: float | None = None
    adjusted_for: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyRecord:
    """One study as one extractor (or the agreement of two) typed it.

    `returns`, `findings`, `mp_bands` and `subgroups` are empty for records of forms that do not ask for them.
    """

    id: str
    label: str
    year: int | None
    citation: str
    cohort: str
    design: str
    design_group: Literal["randomised", "comparative", "series"]
    within_person: bool
    extractor: str
    status: str
    arms: tuple[Arm, ...]
    outcomes: tuple[OutcomeValue, ...]
    contrasts: tuple[ContrastValue, ...] = ()
    returns: tuple[ArmReturns, ...] = ()
    findings: tuple[Finding, ...] = ()
    mp_bands: tuple[AngleBand, ...] = ()
    subgroups: tuple[SubgroupValue, ...] = ()
    file: str = ""
    sha256: str = ""
    fields: Mapping[str, Any] = field(default_factory=dict)

    def arm(self, arm_id: str) -> Arm:
        """Return the arm with this id."""
        for arm in self.arms:
            if arm.id == arm_id:
                return arm
        raise KeyError(arm_id)


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomePlan:
    """An outcome of the protocol: its rank, time window, smallest important difference.

    `moderate_difference` and `large_difference` are further sizes in the same unit, where the protocol names
    them.
    """

    outcome: str
    importance: Literal["critical", "important", "not_important"]
    window: str
    smallest_important_difference: float | None = None
    smallest_important_difference_source: str = ""
    moderate_difference: float | None = None
    large_difference: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselinePlan:
    """A baseline typed as counts with its source; `thumbs` for a risk, `thumb_years` for a rate.

    `comparisons` are those whose comparator it describes, empty for all with the outcome. `months` is the
    time of a risk, without which it says nothing beside a hazard ratio.
    """

    label: str
    kind: Literal["registry", "unit_audit", "published_cohort"]
    outcome: str
    events: float
    source: str
    thumbs: float | None = None
    thumb_years: float | None = None
    comparisons: tuple[str, ...] = ()
    months: float | None = None


ARM_OPTIONS = {
    "mp_option": "mp_options",
    "st_option": "st_options",
    "osteophyte_option": "osteophyte_options",
}
"""What was done at each source of trouble: attribute of an arm, and the vocabulary of its values."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonPlan:
    """Two groups of techniques; `technique` is arm 1, `comparator` arm 2.

    `mp_option_1`, `mp_option_2` and so on restrict the arms further, for questions about what was done at the
    MP joint, at the ST joint, or to osteophytes. Where both sides name the same techniques, arms of a study
    are compared within one technique only.
    """

    id: str
    label: str
    technique: tuple[str, ...]
    technique_label: str
    comparator: tuple[str, ...]
    comparator_label: str
    mp_option_1: tuple[str, ...] = ()
    mp_option_2: tuple[str, ...] = ()
    st_option_1: tuple[str, ...] = ()
    st_option_2: tuple[str, ...] = ()
    osteophyte_option_1: tuple[str, ...] = ()
    osteophyte_option_2: tuple[str, ...] = ()

    def options(self, side: Literal[1, 2]) -> Mapping[str, tuple[str, ...]]:
        """Return what restricts the arms of a side, by the attribute of an arm; empty kinds left out."""
        found = {kind: getattr(self, f"{kind}_{side}") for kind in ARM_OPTIONS}
        return {kind: allowed for kind, allowed in found.items() if allowed}

    @property
    def of_options(self) -> bool:
        """Whether options are compared, within the same techniques."""
        return set(self.technique) == set(self.comparator)


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysisPlan:
    """One analysis of the plan: an outcome in a comparison, or in the series of one technique.

    Exactly one of `comparison` (an id) and `techniques` (a group, pooled over single-arm series) is set.
    `without_pooling` is the reason why studies are not pooled, empty where they are. `adjusted` lets effects
    in that reports give ready: adjusted ones preferred, only them, or only unadjusted ones; empty takes the
    arms' own numbers (hazard ratios have none: `prefer`).
    """

    id: str
    outcome: str
    measure: str
    comparison: str = ""
    techniques: tuple[str, ...] = ()
    techniques_label: str = ""
    scale: str | None = None
    model: str | None = None
    tau2: str | None = None
    interval: str | None = None
    zero_cells: str | None = None
    level: float = 0.95
    without_pooling: str = ""
    adjusted: Literal["", "prefer", "only", "never"] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkPlan:
    """A planned network: one outcome over all techniques (or the named ones) that studies compare.

    Naming a `model` or `tau2` computes exactly that; without either the review's inference answers.
    `components` also asks what each part of an operation adds. `order` puts techniques from the oldest to the
    newest for the comparison-adjusted funnel. `characteristics` are described by comparison; `moderator` may
    change effects. `baseline_per_100` is the reference's risk for absolute
    effects; None takes it from the reference's own arms.
    """

    id: str
    label: str
    outcome: str
    measure: str
    reference: str
    techniques: tuple[str, ...] = ()
    model: str | None = None
    tau2: str | None = None
    components: bool = False
    interactions: tuple[str, ...] = ()
    order: tuple[str, ...] = ()
    characteristics: tuple[str, ...] = ()
    moderator: str = ""
    moderator_form: str = "per_technique"
    baseline_per_100: float | None = None
    level: float = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class ExplorationPlan:
    """A meta-regression or subgroups that the protocol asks for, with what is expected.

    `moderators` are names of the vocabularies `moderators` and `components`; no `analyses` means all of them.
    `data_seen` says that results were known when it was added: it is then exploratory, not planned.
    """

    id: str
    kind: Literal["meta_regression", "subgroups"]
    moderators: tuple[str, ...]
    analyses: tuple[str, ...] = ()
    expected: str = ""
    data_seen: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecificationPlan:
    """The choices that a specification curve combines; an empty part takes the default set.

    `appraisal` and `designs` restrict the studies, `windows` are names of time windows. `most` caps the
    number of combinations. `data_seen` says that results were known when it was written: it is exploratory
    then.
    """

    analyses: tuple[str, ...] = ()
    measures: tuple[str, ...] = ()
    models: tuple[str, ...] = ()
    tau2: tuple[str, ...] = ()
    intervals: tuple[str, ...] = ()
    zero_cells: tuple[str, ...] = ()
    appraisal: tuple[str, ...] = ()
    designs: tuple[str, ...] = ()
    iccs: tuple[float, ...] = ()
    windows: tuple[str, ...] = ()
    most: int | None = None
    data_seen: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Protocol:
    """A review's question and plan.

    `inference` treats the spread between centres in every number of the review, "" for the default.
    `registration` to `code_available` are the authors' own words, "" where nothing is typed.
    """

    id: str
    title: str
    question: str
    population: str
    invented: bool
    unit_of_analysis: Literal["thumbs", "patients"]
    icc: float
    outcomes: tuple[OutcomePlan, ...]
    comparisons: tuple[ComparisonPlan, ...]
    analyses: tuple[AnalysisPlan, ...]
    explorations: tuple[ExplorationPlan, ...] = ()
    networks: tuple[NetworkPlan, ...] = ()
    baselines: tuple[BaselinePlan, ...] = ()
    specifications: SpecificationPlan | None = None
    inference: str = ""
    date: str = ""
    registration: str = ""
    protocol_available: str = ""
    funding: str = ""
    competing_interests: str = ""
    data_available: str = ""
    code_available: str = ""
    file: str = ""
    sha256: str = ""
    fields: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class DomainJudgement:
    """One domain of a judgement of certainty, in levels (-3 to 2): as proposed, and as a person judges it.

    `judged` is None where the person left the proposal as it is.
    """

    domain: str
    proposed: int
    judged: int | None = None
    because: str = ""
    proposed_because: str = ""

    @property
    def levels(self) -> int:
        """What counts: the person's judgement, else the proposal."""
        return self.proposed if self.judged is None else self.judged


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedFact:
    """One thing that a judgement rests on, as text: numbers, thresholds, the appraisal of the studies."""

    what: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierSignature:
    """A signature on an earlier answer."""

    answer: str
    certainty: str
    signed_by: str
    signed_on: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CertaintyJudgement:
    """What persons judged about the certainty of one analysis; unsigned while `signed_by` is empty.

    `answer` is the answer that was judged, as text; `rests_on` holds all that the judgement rests on, empty
    in files from before it was kept.
    """

    analysis: str
    answer: str
    start: Literal["high", "low"]
    domains: tuple[DomainJudgement, ...]
    start_because: str = ""
    signed_by: str = ""
    signed_on: str = ""
    note: str = ""
    rests_on: tuple[SignedFact, ...] = ()
    earlier: tuple[EarlierSignature, ...] = ()
    place: Place | None = None
