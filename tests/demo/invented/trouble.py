"""Draw the three sources of later trouble: bone left behind, arthritis next door, the MP angle; and why thumbs return.

Drawn apart from everything else, with streams of their own, so that the other numbers of the invented studies stay.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from invented.counts import first_return, until
from invented.draws import NEVER, SEED, DrawnArm
from invented.spec import LAST, ArmSpec, StudySpec
from invented.truth import (
    BONE_PAIN,
    BONE_PRESENT,
    BONE_RISK,
    LIVED_WITH_CAUSES,
    LIVED_WITH_RISK,
    MP_FALL,
    MP_FALL_SPREAD,
    MP_FUSED_AT,
    MP_RISK_BELOW_30,
    OTHER_CAUSES,
    REVISION_CAUSES,
    SECONDARY_MP_RISK,
    ST_ON_XRAY,
    ST_PAIN,
    ST_PRESENT,
    ST_RISK,
)

TELLS_RECURRENCE = {27}
"""Studies that count hyperextension from 30 degrees at the last visit in arms without a procedure, too."""
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
FAMILY = {
    "prosthesis_ball_socket": "prosthesis",
    "prosthesis_dual_mobility": "prosthesis",
    "arthrodesis": "arthrodesis",
    "pyrocarbon_interposition": "pyrocarbon",
    "denervation": "denervation",
}


class Sources:
    """What the thumbs of an arm had and what was done, thumb by thumb; the same whenever it is asked for."""

    def __init__(self, study: StudySpec, arm: ArmSpec, size: int) -> None:
        number = study.seed_of or study.number
        rng = np.random.RandomState((SEED + 5000 + 37 * number + 1009 * ord(arm.id)) % 2**32)
        # One row a thumb: a later report of the same thumbs reads the first rows of the same table.
        table = rng.random_sample((1000, 12))[:size]
        self.bone: Flags = table[:, 0] < BONE_PRESENT
        self.bone_removed: Flags = self.bone & self._dealt_with(arm.bone, "removed", table[:, 1])
        self.st: Flags = (table[:, 2] < ST_PRESENT) | study.st_arthritis_only
        self.st_treated: Flags = self.st & self._dealt_with(arm.st, "treated", table[:, 3])
        shown = np.where(self.st, ST_ON_XRAY["there"], ST_ON_XRAY["not_there"])
        self.st_on_xray: Flags = table[:, 4] < shown
        self.times = 4 + 14 * table[:, 5]
        self.chance, self.cause, self.fall = table[:, 6:9], table[:, 9], table[:, 10]
        self.lived = table[:, 11]

    @staticmethod
    def _dealt_with(how: str, all_of_them: str, chance: Floats) -> Flags:
        share = 1.0 if how == all_of_them else 0.55 if how == "some" else 0.0
        return chance < share


def with_trouble(study: StudySpec, arm: ArmSpec, drawn: DrawnArm) -> DrawnArm:
    """Add what bone and arthritis left behind do to the thumbs of an arm, where the study looked at them."""
    size = len(drawn.follow_up)
    has = Sources(study, arm, size)
    pain = drawn.scores["pain_activity"].copy()
    if arm.bone:
        risk = np.where(has.bone_removed, BONE_RISK["removed"], BONE_RISK["left"]) * has.bone
        hit = has.chance[:, 0] < risk
        drawn = replace(drawn, revision=np.minimum(drawn.revision, np.where(hit, has.times, NEVER)))
        pain += BONE_PAIN * (has.bone & ~has.bone_removed)
    if arm.st:
        risk = np.where(has.st_treated, ST_RISK["treated"], ST_RISK["left"]) * has.st
        hit = has.chance[:, 1] < risk
        drawn = replace(drawn, secondary_st=np.where(hit, has.times + 2, NEVER))
        pain += ST_PAIN * (has.st & ~has.st_treated)
    if arm.bone or arm.st:
        drawn = replace(drawn, scores=drawn.scores | {"pain_activity": np.minimum(pain, 10.0)})
    if study.number > 20 and arm.mp_option in SECONDARY_MP_RISK:
        over = drawn.mp_angles > 30
        hit = has.chance[:, 2] < np.where(over, SECONDARY_MP_RISK[arm.mp_option], MP_RISK_BELOW_30)
        drawn = replace(drawn, secondary_mp=np.where(hit, has.times, NEVER))
    if arm.mp_option == "mp_by_reconstruction" or study.number in TELLS_RECURRENCE:
        again = angle_after(study, arm, drawn) >= 30
        drawn = replace(drawn, mp_recurrence=np.where(again, 12.0, NEVER))
    return drawn


def angle_after(study: StudySpec, arm: ArmSpec, drawn: DrawnArm) -> Floats:
    """MP hyperextension a year after surgery, read in steps of five degrees."""
    has = Sources(study, arm, len(drawn.follow_up))
    spread = MP_FALL_SPREAD * np.sqrt(12) * (has.fall - 0.5)
    if arm.mp_option == "mp_arthrodesis":
        return 5 * np.round((MP_FUSED_AT + 0.4 * spread) / 5)
    after = drawn.mp_angles - np.minimum(MP_FALL[arm.mp_option], drawn.mp_angles) + spread
    if arm.mp_option == "mp_capsulodesis_volar":
        # Recurrence, drawn already, means above 30 degrees.
        again = drawn.mp_recurrence <= drawn.follow_up
        after = np.where(again, np.maximum(after, 35), np.minimum(after, 30))
    return np.clip(5 * np.round(after / 5), -10, 70)


def causes_of_return(study: StudySpec, arm: ArmSpec, drawn: DrawnArm) -> dict[int, str]:
    """Why each thumb that was operated again came back: thumb number and cause."""
    has = Sources(study, arm, len(drawn.follow_up))
    end, first = until(drawn, LAST), first_return(drawn)
    found: dict[int, str] = {}
    # Where a study looked at bone or at the joint next door, returns for them were drawn thumb by thumb.
    drawn_already = {"residual_bone": arm.bone, "scaphotrapezoid_arthritis": arm.st}
    family = {
        cause: share
        for cause, share in REVISION_CAUSES[FAMILY.get(arm.technique, "resection")].items()
        if not drawn_already.get(cause)
    }
    for thumb in np.flatnonzero(first <= end):
        risk = BONE_RISK["removed" if has.bone_removed[thumb] else "left"] if arm.bone else 0.0
        bone = has.bone[thumb] and has.chance[thumb, 0] < risk
        if drawn.secondary_mp[thumb] <= end[thumb]:
            found[int(thumb)] = "mp_hyperextension"
        elif drawn.secondary_st[thumb] <= end[thumb]:
            found[int(thumb)] = "scaphotrapezoid_arthritis"
        elif drawn.revision[thumb] <= end[thumb]:
            found[int(thumb)] = "residual_bone" if bone else _pick(family, has.cause[thumb])
        else:
            found[int(thumb)] = _pick(OTHER_CAUSES, has.cause[thumb])
    return found


def months_of_return(drawn: DrawnArm) -> Floats:
    """Months at which thumbs came back by the last follow-up."""
    first = first_return(drawn)
    return first[first <= until(drawn, LAST)]


def lived_with(study: StudySpec, arm: ArmSpec, drawn: DrawnArm) -> dict[int, str]:
    """Trouble without another operation: thumb number and cause."""
    has = Sources(study, arm, len(drawn.follow_up))
    again = first_return(drawn) <= until(drawn, LAST)
    return {
        int(thumb): _pick(LIVED_WITH_CAUSES, has.lived[thumb] / LIVED_WITH_RISK)
        for thumb in np.flatnonzero((has.lived < LIVED_WITH_RISK) & ~again)
    }


def _pick(shares: dict[str, float], chance: float) -> str:
    reached, whole = 0.0, sum(shares.values())
    for cause, share in shares.items():
        reached += share / whole
        if chance < reached:
            return cause
    return cause
