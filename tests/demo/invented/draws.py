"""Draw the thumbs of every invented study, one by one, so that nested and repeated outcomes agree.

`numpy.random.RandomState` is used on purpose: its stream of numbers is frozen for good (NEP 19), so the files
can be made again to the byte with any numpy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from invented.spec import ArmSpec, Events, StudySpec
from invented.truth import (
    BASELINE,
    BETWEEN_ARMS,
    BETWEEN_STUDIES,
    LARGEST_SHARE,
    LATE_COMPLICATIONS_PER_100_YEARS,
    MP_COMPLICATION_SHIFT,
    MP_RECURRENCE_RISK,
    PERSON_SD,
    SECONDARY_MP_RISK,
    SECONDARY_MP_RISK_ELSEWHERE,
    TECHNIQUES,
    TechniqueTruth,
)

Floats = NDArray[np.float64]
# The first of 20260119, 20260219, ... that gives a usable teaching set (tests/demo/test_demo_seed.py checks it):
# complications of every arm between 3 and 45 %, 10-26 % in the register, 7-16 % after denervation, some after MP
# fusion; revisions of a series between 0.3 and 5 per 100 thumb-years, in both arms of DEMO-07 and in one of DEMO-05;
# a later report that counts no less than the earlier one. No difference between techniques was looked at, so that
# the pooled answers can be judged fairly.
SEED = 20268619
NEVER = np.inf
SHIFT_KEYS = ("complication_logit", "revision_log", "dash", "key_pinch", "pain")
SCORES = ("dash", "quickdash", "key_pinch", "pain_activity")
# Ceiling of each scale; key pinch has none.
SCALE_TOP = {"dash": 100.0, "quickdash": 100.0, "pain_activity": 10.0}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnArm:
    """Thumbs of one arm. Times are months after the operation, infinite for "never".

    `scores` hold one value a thumb one year after the operation, `baseline` before it, `later` at the end.
    """

    follow_up: Floats
    complication: Floats
    kind: tuple[str, ...]
    extra_events: NDArray[np.int64]
    revision: Floats
    other: Floats
    secondary_mp: Floats
    secondary_st: Floats
    mp_recurrence: Floats
    scores: dict[str, Floats]
    baseline: dict[str, Floats]
    later: dict[str, Floats]
    ages: Floats
    women: int
    stages: tuple[int, int, int, int]
    stt: int
    mp_angles: Floats


def _logit(share: float) -> float:
    return float(np.log(share / (1 - share)))


def _expit(value: float) -> float:
    return float(1 / (1 + np.exp(-value)))


def _on_scale(rng: np.random.RandomState, name: str, mean: float, spread: float, size: int) -> Floats:
    """Draw values with this mean and spread: beta on a bounded scale, gamma on an open one."""
    if name in SCALE_TOP:
        top = SCALE_TOP[name]
        share, variance = mean / top, (spread / top) ** 2
        common = share * (1 - share) / variance - 1
        return top * rng.beta(share * common, (1 - share) * common, size)
    shape = (mean / spread) ** 2
    return rng.gamma(shape, spread**2 / mean, size)


def _follow_up(rng: np.random.RandomState, spec: StudySpec, size: int) -> Floats:
    mean, spread, shortest, longest = spec.follow_up
    return np.clip(rng.normal(mean, spread, size), shortest, longest)


def _first_event(rng: np.random.RandomState, per_100_years: float, size: int) -> Floats:
    """Months to the first event under a constant hazard."""
    return rng.exponential(1200 / per_100_years, size)


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyShift:
    """How a whole study lies above or below the typical one."""

    complication: float
    revision: float
    dash: float
    key_pinch: float
    pain: float


def study_shifts(numbers: Sequence[int], apart: int = 0) -> dict[int, StudyShift]:
    """Give every cohort its shift: shuffled normal scores, times the declared spread between studies.

    `apart` gives studies that were added later shifts of their own, so that the earlier ones keep theirs.
    Scores instead of free draws keep the spread at what is declared, without a freak among so few studies.
    """
    rng = np.random.RandomState(SEED + apart)
    size = len(numbers)
    scores = np.array([NormalDist().inv_cdf((rank + 0.5) / size) for rank in range(size)])
    columns = [BETWEEN_STUDIES[key] * rng.permutation(scores) for key in SHIFT_KEYS]
    return {
        number: StudyShift(
            complication=float(columns[0][place]),
            revision=float(columns[1][place]),
            dash=float(columns[2][place]),
            key_pinch=float(columns[3][place]),
            pain=float(columns[4][place]),
        )
        for place, number in enumerate(numbers)
    }


def technique_truth(arm: ArmSpec) -> TechniqueTruth:
    """Return the truth of an arm; an arm of two techniques lies half way between them."""
    truth = TECHNIQUES[arm.technique]
    if not arm.mixed_with:
        return truth
    other = TECHNIQUES[arm.mixed_with]
    names = ("complication", "revision", "other_reoperation", "dash", "key_pinch", "pain_activity")
    return replace(truth, **{name: (getattr(truth, name) + getattr(other, name)) / 2 for name in names})


def draw_arm(rng: np.random.RandomState, study: StudySpec, arm: ArmSpec, shift: StudyShift) -> DrawnArm:
    """Draw the thumbs of an arm; the order of the draws is part of the seed, so never change it."""
    size = arm.thumbs
    truth = technique_truth(arm)
    own = rng.normal(0.0, [BETWEEN_ARMS[key] for key in SHIFT_KEYS])

    mp_shift = MP_COMPLICATION_SHIFT.get(arm.mp_option, 0.0) if study.mp_study else 0.0
    early = _expit(_logit(truth.complication) + shift.complication + float(own[0]) + mp_shift)
    first_year = np.where(rng.random_sample(size) < early, 11.9 * rng.random_sample(size), NEVER)
    late = 12 + _first_event(rng, LATE_COMPLICATIONS_PER_100_YEARS, size)
    names = [name for name, _ in truth.types]
    weights = np.array([weight for _, weight in truth.types])
    kind = tuple(names[i] for i in rng.choice(len(names), size=size, p=weights / weights.sum()))
    extra_events = rng.poisson(0.35, size).astype(np.int64)

    factor = float(np.exp(shift.revision + own[1]))
    revision = _first_event(rng, truth.revision * factor, size)
    other = _first_event(rng, truth.other_reoperation * factor, size)
    if study.mp_study:
        risk = SECONDARY_MP_RISK[arm.mp_option]
        hit = rng.random_sample(size) < risk
        secondary_mp = np.where(hit, 6 + 12 * rng.random_sample(size), NEVER)
    else:
        hit = rng.random_sample(size) < SECONDARY_MP_RISK_ELSEWHERE
        secondary_mp = np.where(hit, 6 + 5 * rng.random_sample(size), NEVER)
    recurrence_risk = MP_RECURRENCE_RISK.get(arm.mp_option, 0.0)
    mp_recurrence = np.where(rng.random_sample(size) < recurrence_risk, 12.0, NEVER)

    means = {
        "dash": truth.dash + shift.dash + float(own[2]),
        "quickdash": truth.dash + 2 + shift.dash + float(own[2]),
        "key_pinch": truth.key_pinch + shift.key_pinch + float(own[3]),
        "pain_activity": max(truth.pain_activity + shift.pain + float(own[4]), 1.4),
    }
    spreads = {name: min(PERSON_SD[name], LARGEST_SHARE * means[name]) for name in SCORES}
    scores = {name: _on_scale(rng, name, means[name], spreads[name], size) for name in SCORES}
    baseline = {name: _on_scale(rng, name, *BASELINE[name], size) for name in SCORES}
    later = {name: _on_scale(rng, name, means[name], spreads[name], size) for name in SCORES}

    persons = size - arm.bilateral
    ages = np.clip(rng.normal(*study.age, persons), 38, 86)
    # Between 62 and 94 % women, as units report.
    women = int(
        np.clip(rng.binomial(persons, study.women_share), np.ceil(0.62 * persons), np.floor(0.94 * persons))
    )
    stages = rng.multinomial(size, [0.02, 0.2, 0.58, 0.2])
    stt = int(stages[3] + rng.binomial(size - int(stages[3]), 0.05))
    # Angles are read in steps of five degrees. In the MP studies only joints above 30 degrees got in.
    angles = 5 * np.round(rng.normal(arm.mp_mean, arm.mp_spread, size) / 5)
    mp_angles = np.clip(angles, 35 if study.mp_study else 0, 70)
    return DrawnArm(
        follow_up=_follow_up(rng, study, size),
        complication=np.minimum(first_year, late),
        kind=kind,
        extra_events=extra_events,
        revision=revision,
        other=other,
        secondary_mp=secondary_mp,
        secondary_st=np.full(size, NEVER),
        mp_recurrence=mp_recurrence,
        scores=scores,
        baseline=baseline,
        later=later,
        ages=ages,
        women=women,
        stages=(int(stages[0]), int(stages[1]), int(stages[2]), int(stages[3])),
        stt=stt,
        mp_angles=mp_angles,
    )


def draw_study(
    study: StudySpec, shift: StudyShift, first_report: StudySpec | None = None
) -> dict[str, DrawnArm]:
    """Draw all arms of a study.

    A second report of a cohort (`first_report` given) draws the thumbs of the first with the same seed and
    follows those still seen: events at the earlier time stay what they were.
    """
    source = first_report or study
    rng = np.random.RandomState(SEED + source.number)
    drawn = {arm.id: draw_arm(rng, source, arm, shift) for arm in source.arms}
    if first_report is not None:
        later = np.random.RandomState(SEED + study.number)
        drawn = {arm.id: _still_followed(later, study, arm, drawn[arm.id]) for arm in study.arms}
    return {arm.id: _with_planted_zeros(study, arm, drawn[arm.id]) for arm in study.arms}


def _with_planted_zeros(study: StudySpec, arm: ArmSpec, drawn: DrawnArm) -> DrawnArm:
    """Take away every event that the study's specification wants at zero."""
    never = np.full(drawn.follow_up.shape, NEVER)
    planted = {
        spec.outcome for spec in study.outcomes if isinstance(spec, Events) and arm.id in spec.planted_zero
    }
    if "revision_index" in planted:
        drawn = replace(drawn, revision=never)
    if "secondary_mp_procedure" in planted:
        drawn = replace(drawn, secondary_mp=never)
    return drawn


def _still_followed(rng: np.random.RandomState, study: StudySpec, arm: ArmSpec, whole: DrawnArm) -> DrawnArm:
    """Keep the first thumbs of a drawn arm (they are exchangeable) and follow them for longer."""
    keep = slice(0, arm.thumbs)
    persons = arm.thumbs - arm.bilateral
    stages = np.floor(np.array(whole.stages) * arm.thumbs / len(whole.follow_up)).astype(int)
    stages[2] += arm.thumbs - int(stages.sum())
    return DrawnArm(
        follow_up=_follow_up(rng, study, arm.thumbs),
        complication=whole.complication[keep],
        kind=whole.kind[keep],
        extra_events=whole.extra_events[keep],
        revision=whole.revision[keep],
        other=whole.other[keep],
        secondary_mp=whole.secondary_mp[keep],
        secondary_st=whole.secondary_st[keep],
        mp_recurrence=whole.mp_recurrence[keep],
        scores={name: values[keep] for name, values in whole.scores.items()},
        baseline={name: values[keep] for name, values in whole.baseline.items()},
        later={name: values[keep] for name, values in whole.later.items()},
        ages=whole.ages[:persons],
        women=min(round(whole.women * persons / len(whole.ages)), persons),
        stages=(int(stages[0]), int(stages[1]), int(stages[2]), int(stages[3])),
        stt=min(whole.stt, arm.thumbs),
        mp_angles=whole.mp_angles[keep],
    )
