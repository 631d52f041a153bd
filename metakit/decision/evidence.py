"""What a judgement of certainty rests on, gathered from an analysis (or, with `network`, from a network).

`EvidenceBody` is the one input of the certainty worksheet and of the summary of findings. A pairwise
analysis fills it through `body_of`; a network estimate fills the same fields and `network` besides.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from metakit.core.limits import Limits
from metakit.core.plans import Protocol
from metakit.decision.absolute import AbsoluteDifference
from metakit.decision.information import InformationSize
from metakit.decision.thresholds import Thresholds
from metakit.models.small_studies.small_study import SmallStudyTest


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyEvidence:
    """One study of a body of evidence: its share of it, and what was judged about it.

    `judgement` is the overall level of `instrument`, empty where the instrument has none or nobody judged;
    `months` is the time of its result after surgery.
    """

    name: str
    design_group: str
    share: float
    thumbs: float
    instrument: str = ""
    judgement: str = ""
    industry_tie: str = ""
    months: str = ""


def months_words(months: Iterable[float | None]) -> str:
    """Write from when to when results are, in months; "" where no arm tells."""
    told = sorted({round(value, 2) for value in months if value is not None})
    if not told:
        return ""
    return f"{told[0]:g}" if len(told) == 1 else f"{told[0]:g} to {told[-1]:g}"


def eligibility_words(protocol: Protocol) -> str:
    """Write what a protocol lets in, field by field, and whether thumbs or patients are counted."""
    typed = protocol.fields.get("eligibility") or {}
    told = {name.replace("_", " "): value for name, value in typed.items() if value not in ("", None, ())}
    told["counted"] = protocol.unit_of_analysis
    return "; ".join(f"{name}: {_typed(value)}" for name, value in told.items())


def _typed(value: object) -> str:
    if isinstance(value, (list, tuple)):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkFacts:
    """What only a network estimate has.

    `direct` and `indirect` are estimate, lower and upper limit in the body's unit; `disagreement_p` is the
    test of direct against indirect evidence; `looked_at` are the
    characteristics that the plan compares, `unlike` names characteristics that differ between the
    comparisons that the estimate passes through.
    """

    direct_share: float
    direct: tuple[float, float, float] | None = None
    indirect: tuple[float, float, float] | None = None
    disagreement_p: float | None = None
    looked_at: tuple[str, ...] = ()
    unlike: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceBody:
    """One answer, ready to be judged.

    Differences are technique less comparator, in `unit` (per 100 thumbs, per 100 thumb-years, or the unit of
    a score). `spread` is where 95 % of true effects lie by tau alone, `spread_at_limits` the same at tau's
    lower and upper limit, `prediction` the prediction interval, `doubled` the interval of the difference with
    twice the assumed spread, `centres` that of the mean of centres where the answer rests on one study.
    `absolute` holds one entry a baseline, the comparator arms first, `refused` says which baselines do not
    take the effect, `bounds` are the differences to none and to all of 100. `effect` is the pooled effect
    with its limits in natural units, `null` no difference on that scale; `ratio` is the same for ratios, else
    None. `differing` names studies whose arms differ in more than is compared, and in what; `informative` is
    how many of the studies the model took, `only_limit` which limit stands
    for the estimate where there is none. `techniques` says by id which arms are compared; `question`,
    `population` and `eligibility` are the protocol's, and so is `when`, the time window of the outcome.
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
    techniques: str = ""
    question: str = ""
    population: str = ""
    when: str = ""
    eligibility: str = ""
    informative: int | None = None
    only_limit: str = ""
    events: float | None = None
    ratio: tuple[float, float, float] | None = None
    difference: tuple[float, float, float] | None = None
    prediction: Limits | None = None
    spread: Limits | None = None
    spread_at_limits: tuple[Limits, Limits] | None = None
    doubled: Limits | None = None
    centres: Limits | None = None
    tau: float | None = None
    tau_words: str = ""
    thresholds: Thresholds | None = None
    exceeding: tuple[float, float] | None = None
    basis: str = ""
    absolute: tuple[AbsoluteDifference, ...] = ()
    refused: tuple[str, ...] = ()
    bounds: Limits | None = None
    information: InformationSize | None = None
    surrogate: bool = False
    unfit_definitions: tuple[tuple[str, tuple[str, ...]], ...] = ()
    differing: tuple[tuple[str, str], ...] = ()
    not_reported: tuple[str, ...] = ()
    small_study: SmallStudyTest | None = None
    small_study_reason: str = ""
    network: NetworkFacts | None = None

    @property
    def designs(self) -> frozenset[str]:
        """Design groups of the studies."""
        return frozenset(study.design_group for study in self.studies)
