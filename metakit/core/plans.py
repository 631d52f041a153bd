"""The plan of a review: its protocol with all planned analyses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from metakit.core.values import Band


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
    are compared within one technique only. `mp_before` restricts both sides to thumbs whose MP angle before
    surgery lay in a band of degrees.
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
    mp_before: Band | None = None

    def options(self, side: Literal[1, 2]) -> Mapping[str, tuple[str, ...]]:
        """Return what restricts the arms of a side, by the attribute of an arm; empty kinds left out."""
        found = {kind: getattr(self, f"{kind}_{side}") for kind in ARM_OPTIONS}
        return {kind: allowed for kind, allowed in found.items() if allowed}

    @property
    def arms(self) -> str:
        """Say by id which arms stand against each other."""

        def side(names: tuple[str, ...], options: Mapping[str, tuple[str, ...]]) -> str:
            kinds = (f"{kind} {' or '.join(sorted(allowed))}" for kind, allowed in options.items())
            return ", ".join((" or ".join(sorted(names)), *kinds))

        found = f"{side(self.technique, self.options(1))} against {side(self.comparator, self.options(2))}"
        band = self.mp_before
        if band is None:
            return found
        low, high = ("" if end is None else f"{end:g}" for end in (band.lower, band.upper))
        ends = f"{'[' if band.lower_inside else '('}{low}, {high}{']' if band.upper_inside else ')'}"
        return f"{found}; MP angle before surgery {ends}"

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
class OptionPairsPlan:
    """Every two options at a source of trouble that studies hold against each other, for these outcomes.

    `by_band` asks also within each band of the MP angle before surgery that reports count by. Each pair that
    is held is an analysis of its own, named `id--option--against--outcome`.
    """

    id: str
    source: str
    outcomes: tuple[str, ...]
    by_band: bool = False


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
    option_pairs: tuple[OptionPairsPlan, ...] = ()
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
