"""What is true in the invented world of the demonstration review.

The numbers follow DOMAIN-like ranges of the published literature (revision per 100 thumb-years, complication
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
SECONDARY_MP_RISK = {"mp_none": 0.16, "mp_capsulodesis_volar": 0.07, "mp_arthrodesis": 0.04}
SECONDARY_MP_RISK_ELSEWHERE = 0.008
MP_RECURRENCE_RISK = {"mp_capsulodesis_volar": 0.30}
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
