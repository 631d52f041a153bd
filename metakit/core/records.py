"""What the analysis needs of a study record and of a review's protocol, typed.

A record on disk is a YAML file that follows a form (extraction_forms/study.yaml). The form may ask for more
than stands here; what the analysis does not use stays in `StudyRecord.fields`, the whole checked tree, and
is shown by the report. `None` always means "not in the record"; zero is only ever a typed zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from metakit.core.returns import AngleBand, ArmReturns, Finding, SubgroupValue
from metakit.core.values import Angle, Band, FollowUp, OutcomeValue, PaperPlace, Place


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
    osteophyte_option: str = ""
    reconstruction: tuple[str, ...] = ()
    immobilisation_weeks: float | None = None
    mixed: bool = False
    partly_given: Mapping[str, int] = field(default_factory=dict)
    follow_up: FollowUp = field(default_factory=FollowUp)


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
    address: str = ""


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
    places: tuple[PaperPlace, ...] = ()
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
    in files from before it was kept, and `covers` how many facts that were when it was written. `older` seals
    an entry from before that in a file that keeps facts today; `facts_gone` says that such a file holds this
    entry without its facts and without a seal that fits.
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
    covers: int | None = None
    older: str = ""
    facts_gone: bool = False
    earlier: tuple[EarlierSignature, ...] = ()
    place: Place | None = None
