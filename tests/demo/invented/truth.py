"""What is true in the invented world of the demonstration review.

The numbers follow ranges of the published literature (revision per 100 thumb-years, complication
proportions, scores one year after surgery), but belong to no real study. `demo_studies/true_values.yaml` is
written from here, so that a pooled answer can be held against the truth.
"""

from __future__ import annotations

from dataclasses import dataclass

# Beyond a year complications are rarer: a constant hazard per thumb and year.
LATE_COMPLICATIONS_PER_100_YEARS = 1.0

# How studies differ from each other, and arms of one study from what the study-level shift predicts.
BETWEEN_STUDIES = {
    "complication_logit": 0.55,
    "revision_log": 0.40,
    "dash": 2.5,
    "key_pinch": 0.30,
    "pain": 0.30,
}
BETWEEN_ARMS = {
    "complication_logit": 0.12,
    "revision_log": 0.15,
    "dash": 1.0,
    "key_pinch": 0.10,
    "pain": 0.15,
}

# Spread of persons around the mean of their arm, and its limit as a share of the mean (scores crowd near zero).
PERSON_SD = {"dash": 15.0, "quickdash": 16.0, "key_pinch": 1.5, "pain_activity": 1.7}
LARGEST_SHARE = 0.9
BASELINE = {
    "dash": (50.0, 15.0),
    "quickdash": (53.0, 15.5),
    "key_pinch": (3.5, 1.2),
    "pain_activity": (7.0, 1.5),
}

# Risk of a second operation on the MP joint within the follow-up of the MP studies, when the joint
# hyperextended by more than 30 degrees before the operation; elsewhere it is rare.
SECONDARY_MP_RISK = {
    "mp_none": 0.16,
    "mp_pinning": 0.13,
    "mp_by_reconstruction": 0.12,
    "mp_capsulodesis_volar": 0.07,
    "mp_arthrodesis": 0.04,
}
SECONDARY_MP_RISK_ELSEWHERE = 0.008
MP_RECURRENCE_RISK = {"mp_capsulodesis_volar": 0.30}

# The three sources of later trouble. Bone and arthritis are there in so many thumbs; left alone or dealt with, they
# bring so many back by the last follow-up, and cost so many points of pain at 12 months where left.
BONE_PRESENT, BONE_RISK, BONE_PAIN = 0.6, {"left": 0.18, "removed": 0.04}, 0.8
ST_PRESENT, ST_RISK, ST_PAIN = 0.5, {"left": 0.15, "treated": 0.05}, 0.6
ST_ON_XRAY = {"there": 0.45, "not_there": 0.14}  # how often an X-ray shows it
# Degrees by which MP hyperextension falls; a fused joint ends 5 degrees flexed.
MP_FALL = {
    "mp_none": 8.0,
    "mp_by_reconstruction": 10.0,
    "mp_pinning": 12.0,
    "mp_capsulodesis_volar": 24.0,
    "mp_not_reported": 8.0,
}
MP_FUSED_AT, MP_FALL_SPREAD = -5.0, 7.0
MP_RISK_BELOW_30 = 0.02  # of a later MP operation, where the joint hyperextended by 30 degrees or less
# Why thumbs come back, by what was done first: of revisions, and of other further operations.
REVISION_CAUSES = {
    "resection": {
        "residual_bone": 0.40, "instability_subsidence": 0.30, "scaphotrapezoid_arthritis": 0.20,
        "pain_unexplained": 0.10,
    },
    "prosthesis": {
        "implant_loosening": 0.40, "implant_dislocation": 0.30, "implant_wear": 0.15, "infection": 0.08,
        "scaphotrapezoid_arthritis": 0.07,
    },
    "arthrodesis": {"non_union": 0.75, "scaphotrapezoid_arthritis": 0.25},
    "pyrocarbon": {"implant_dislocation": 0.7, "scaphotrapezoid_arthritis": 0.3},
    "denervation": {"pain_unexplained": 1.0},
}  # fmt: skip
OTHER_CAUSES = {"tendon": 0.35, "nerve": 0.30, "hardware": 0.15, "infection": 0.10, "other": 0.10}
# Trouble that is lived with, by the last follow-up, and its causes.
LIVED_WITH_RISK = 0.08
LIVED_WITH_CAUSES = {"scaphotrapezoid_arthritis": 0.4, "mp_hyperextension": 0.35, "residual_bone": 0.25}
MP_COMPLICATION_SHIFT = {"mp_none": 0.0, "mp_capsulodesis_volar": 0.20, "mp_arthrodesis": 0.35}


@dataclass(frozen=True, slots=True, kw_only=True)
class TechniqueTruth:
    """Truth of one technique in a typical study.

    `complication` is the risk by 12 months; rates are events per 100 thumb-years; scores are means at
    12 months. `types` are relative frequencies of the kinds of complication.
    """

    complication: float
    revision: float
    other_reoperation: float
    dash: float
    key_pinch: float
    pain_activity: float
    types: tuple[tuple[str, float], ...]


_RESECTION = (
    ("sbrn_neuropraxia", 4.0),
    ("wound_superficial", 2.5),
    ("tendon_rupture_or_tenosynovitis", 2.0),
    ("crps", 1.5),
    ("impingement", 1.0),
)
_TENDON = (
    ("sbrn_neuropraxia", 4.0),
    ("wound_superficial", 2.5),
    ("tendon_rupture_or_tenosynovitis", 2.5),
    ("crps", 1.5),
    ("donor_site_morbidity", 2.0),
)
_BUTTON = (
    ("sbrn_neuropraxia", 3.0),
    ("mc2_fracture", 2.0),
    ("hardware_irritation", 2.0),
    ("wound_superficial", 1.5),
)
_PROSTHESIS = (
    ("implant_dislocation", 3.0),
    ("tendon_rupture_or_tenosynovitis", 3.0),
    ("implant_loosening", 1.5),
    ("sbrn_neuropraxia", 1.5),
    ("trapezium_fracture", 1.0),
)
_FUSION = (
    ("cmc_nonunion", 4.0),
    ("hardware_irritation", 3.5),
    ("sbrn_neuropraxia", 1.5),
    ("wound_superficial", 1.0),
)
_PYROCARBON = (("implant_dislocation", 4.0), ("sbrn_neuropraxia", 2.0), ("wound_superficial", 1.5))
_DENERVATION = (("sbrn_neuropraxia", 4.0), ("scar_problem", 2.0), ("wound_superficial", 1.5))

TECHNIQUES = {
    "trapeziectomy": TechniqueTruth(
        complication=0.15,
        revision=0.5,
        other_reoperation=0.3,
        dash=20.0,
        key_pinch=4.4,
        pain_activity=2.0,
        types=_RESECTION,
    ),
    "lr": TechniqueTruth(
        complication=0.18,
        revision=0.45,
        other_reoperation=0.3,
        dash=20.0,
        key_pinch=4.5,
        pain_activity=2.0,
        types=_TENDON,
    ),
    "lrti": TechniqueTruth(
        complication=0.20,
        revision=0.4,
        other_reoperation=0.4,
        dash=20.0,
        key_pinch=4.5,
        pain_activity=2.1,
        types=_TENDON,
    ),
    "apl_suspension": TechniqueTruth(
        complication=0.17,
        revision=0.45,
        other_reoperation=0.4,
        dash=20.0,
        key_pinch=4.5,
        pain_activity=2.0,
        types=_TENDON,
    ),
    "suture_button": TechniqueTruth(
        complication=0.10,
        revision=0.7,
        other_reoperation=0.5,
        dash=19.0,
        key_pinch=4.7,
        pain_activity=2.0,
        types=_BUTTON,
    ),
    "prosthesis_ball_socket": TechniqueTruth(
        complication=0.18,
        revision=1.5,
        other_reoperation=0.4,
        dash=16.0,
        key_pinch=5.4,
        pain_activity=1.8,
        types=_PROSTHESIS,
    ),
    "prosthesis_dual_mobility": TechniqueTruth(
        complication=0.18,
        revision=1.0,
        other_reoperation=0.4,
        dash=16.0,
        key_pinch=5.4,
        pain_activity=1.8,
        types=_PROSTHESIS,
    ),
    "pyrocarbon_interposition": TechniqueTruth(
        complication=0.22,
        revision=2.0,
        other_reoperation=0.4,
        dash=20.0,
        key_pinch=4.8,
        pain_activity=2.1,
        types=_PYROCARBON,
    ),
    "arthrodesis": TechniqueTruth(
        complication=0.28,
        revision=1.5,
        other_reoperation=2.0,
        dash=22.0,
        key_pinch=5.0,
        pain_activity=2.3,
        types=_FUSION,
    ),
    "denervation": TechniqueTruth(
        complication=0.11,
        revision=1.9,
        other_reoperation=0.2,
        dash=25.0,
        key_pinch=4.3,
        pain_activity=2.9,
        types=_DENERVATION,
    ),
}
