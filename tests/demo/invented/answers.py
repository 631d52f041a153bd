"""The tree of true_values.yaml: what the pooled answers should be near, and which defects were planted."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from invented.plan import TECHNIQUES_BY_AGE
from invented.truth import (
    BETWEEN_ARMS,
    BETWEEN_STUDIES,
    BONE_PAIN,
    BONE_PRESENT,
    BONE_RISK,
    LIVED_WITH_CAUSES,
    LIVED_WITH_RISK,
    MP_COMPLICATION_SHIFT,
    MP_FALL,
    MP_FUSED_AT,
    MP_RECURRENCE_RISK,
    MP_RISK_BELOW_30,
    OTHER_CAUSES,
    REVISION_CAUSES,
    SECONDARY_MP_RISK,
    ST_ON_XRAY,
    ST_PAIN,
    ST_PRESENT,
    ST_RISK,
    TECHNIQUES,
)
from invented.writer import OneLine

T = TECHNIQUES
BUTTON, BALL, DUAL = T["suture_button"], T["prosthesis_ball_socket"], T["prosthesis_dual_mobility"]
LRTI, ALONE, LR = T["lrti"], T["trapeziectomy"], T["lr"]


def _share(technique: str, kind: str) -> float:
    """Risk of one kind of complication by 12 months: the risk of any, times the share of the kind."""
    types = dict(T[technique].types)
    return T[technique].complication * types[kind] / sum(types.values())


def _range(*values: float) -> list[float]:
    return [round(min(values), 3), round(max(values), 3)]


def analysis_truths() -> dict[str, float | list[float]]:
    """Truth of each planned analysis in a typical study, in natural units.

    A list of two is the range of truths of the studies that are put together (several techniques or
    comparators in one group).
    """
    nerve = _share("lrti", "sbrn_neuropraxia") / _share("trapeziectomy", "sbrn_neuropraxia")
    crps = [_share("lrti", "crps"), _share("trapeziectomy", "crps")]
    odds = [risk / (1 - risk) for risk in crps]
    mp = SECONDARY_MP_RISK
    return {
        "complications_lrti": round(LRTI.complication / ALONE.complication, 3),
        "nerve_lrti": round(nerve, 3),
        "crps_lrti": round(odds[0] / odds[1], 3),
        "revision_lrti": round(LRTI.revision / ALONE.revision, 3),
        "revision_lrti_risk": round(LRTI.revision / ALONE.revision, 3),  # rare, so nearly the ratio of rates
        "reoperation_lrti": round(
            (LRTI.revision + LRTI.other_reoperation) / (ALONE.revision + ALONE.other_reoperation), 3
        ),
        "dash_lrti": round(LRTI.dash - ALONE.dash, 3),
        "pinch_lrti": round(LRTI.key_pinch - ALONE.key_pinch, 3),
        "pain_lrti": round(LRTI.pain_activity - ALONE.pain_activity, 3),
        "complications_prosthesis": _range(
            DUAL.complication / ALONE.complication, BALL.complication / LRTI.complication
        ),
        "revision_prosthesis": _range(
            DUAL.revision / ALONE.revision, DUAL.revision / LRTI.revision, BALL.revision / LRTI.revision
        ),
        "dash_prosthesis": round(BALL.dash - LRTI.dash, 3),
        "pinch_prosthesis": _range(DUAL.key_pinch - ALONE.key_pinch, DUAL.key_pinch - LRTI.key_pinch),
        "pain_prosthesis": _range(
            DUAL.pain_activity - ALONE.pain_activity, DUAL.pain_activity - LRTI.pain_activity
        ),
        "complications_button": round(BUTTON.complication / LRTI.complication, 3),
        "pinch_button": round(BUTTON.key_pinch - LRTI.key_pinch, 3),
        "complications_ball": round(LRTI.complication / LR.complication, 3),
        "complications_arthrodesis": round(T["arthrodesis"].complication / LRTI.complication, 3),
        "complications_pyrocarbon": round(T["pyrocarbon_interposition"].complication / LRTI.complication, 3),
        "secondary_mp_capsulodesis": round(mp["mp_capsulodesis_volar"] / mp["mp_none"], 3),
        "secondary_mp_fusion": round(mp["mp_arthrodesis"] - mp["mp_none"], 3),
        "secondary_mp_pinning_over_30": round(mp["mp_pinning"] / mp["mp_none"], 3),
        "angle_capsulodesis": _range(*(_angle_after_capsulodesis(before) for before in (35, 40))),
        "pinch_capsulodesis": 0.0,
        "return_bone": round(BONE_RISK["removed"] / BONE_RISK["left"], 3),
        "pain_bone": _range(-BONE_PAIN, -BONE_PAIN * BONE_PRESENT),  # thumbs with bone only, or all of an arm
        "secondary_st": round(ST_RISK["treated"] / ST_RISK["left"], 3),
        "pain_st": _range(-ST_PAIN, -ST_PAIN * ST_PRESENT),
        "complications_lrti_any": _range(
            *(LRTI.complication / T[name].complication for name in TECHNIQUES_BY_AGE if name != "lrti")
        ),
        "complications_denervation": T["denervation"].complication,
        "revision_denervation": T["denervation"].revision,
        "complications_prosthesis_series": BALL.complication,
        "revision_prosthesis_series": _range(DUAL.revision, BALL.revision),
    }


def _angle_after_capsulodesis(before: float) -> float:
    """Difference from thumbs left alone: those that recur are at 35 degrees again."""
    again, fall = MP_RECURRENCE_RISK["mp_capsulodesis_volar"], MP_FALL
    left = before - fall["mp_none"]
    return (1 - again) * (before - fall["mp_capsulodesis_volar"] - left) + again * (35 - left)


def trouble_truths() -> dict[str, Any]:
    """Truth about the three sources of trouble, and about why thumbs come back."""
    fall = dict(MP_FALL)
    del fall["mp_not_reported"]
    return {
        "notes": (
            "present: share of thumbs that have it. risk: that such a thumb comes back for it by the last follow-up, left "
            "or dealt with. pain: points at 12 months where left. fall: degrees of MP hyperextension, not below neutral. "
            "Shares of causes are of revisions by what was done first, and of other further operations; in arms whose "
            "report looks at bone or at the ST joint, returns for them follow the risks instead."
        ),
        "residual_bone": OneLine(
            present=BONE_PRESENT, **{f"risk_{how}": risk for how, risk in BONE_RISK.items()}, pain=BONE_PAIN,
            risk_ratio=round(BONE_RISK["removed"] / BONE_RISK["left"], 3),
        ),
        "scaphotrapezoid_arthritis": OneLine(
            present=ST_PRESENT, **{f"risk_{how}": risk for how, risk in ST_RISK.items()}, pain=ST_PAIN,
            risk_ratio=round(ST_RISK["treated"] / ST_RISK["left"], 3),
            xray_sensitivity=ST_ON_XRAY["there"], xray_specificity=round(1 - ST_ON_XRAY["not_there"], 3),
        ),
        "mp_hyperextension": OneLine(fall=OneLine(fall), fused_at=MP_FUSED_AT, risk_up_to_30=MP_RISK_BELOW_30),
        "causes_of_revision": {name: OneLine(shares) for name, shares in REVISION_CAUSES.items()},
        "causes_of_other_operations": OneLine(OTHER_CAUSES),
        "lived_with": OneLine(risk=LIVED_WITH_RISK, **LIVED_WITH_CAUSES),
    }  # fmt: skip


PLANTED: tuple[dict[str, Any], ...] = (
    OneLine(
        defect="double_zero_trial",
        study="DEMO-01",
        arms=["A", "B"],
        outcome="revision_index",
        note="no revision in either arm, set by hand",
    ),
    OneLine(
        defect="zero_event_arm",
        study="DEMO-13",
        arms=["C"],
        outcome="secondary_mp_procedure",
        note="third planted zero arm, set by hand",
    ),
    OneLine(defect="median_and_quartiles", study="DEMO-03", outcome="dash"),
    OneLine(
        defect="median_and_quartiles",
        study="DEMO-09",
        outcome="key_pinch",
        note="minimum and maximum as well",
    ),
    OneLine(defect="mean_without_spread", study="DEMO-07", outcome="key_pinch"),
    OneLine(defect="percentage_only", study="DEMO-08", outcome="any_complication"),
    OneLine(defect="unit_pound", study="DEMO-05", outcome="key_pinch"),
    OneLine(defect="unit_newton", study="DEMO-10", outcome="key_pinch"),
    OneLine(defect="events_not_thumbs", study="DEMO-13", outcome="any_complication"),
    OneLine(defect="overlapping_reports", study="DEMO-10", other="DEMO-11", cohort="wrenhollow_prosthesis"),
    OneLine(defect="mixed_arm", study="DEMO-08", arms=["C"]),
    OneLine(
        defect="interval_lost_its_sign",
        study="DEMO-15",
        outcome="pain_activity",
        note="mean change typed positive, its interval negative",
    ),
    OneLine(defect="wide_follow_up", study="DEMO-20", note="4 to 112 months"),
    OneLine(defect="measured_not_reported", study="DEMO-02", outcome="pain_activity"),
    OneLine(defect="measured_not_reported", study="DEMO-20", outcome="dash"),
    OneLine(
        defect="definition_differs",
        study="DEMO-08",
        outcome="any_reoperation",
        note="the report calls any further surgery a revision",
    ),
    OneLine(defect="standard_error_only", study="DEMO-05", outcome="pain_activity"),
    OneLine(defect="interval_only", study="DEMO-08", outcome="key_pinch"),
    OneLine(
        defect="counted_in_patients",
        study="DEMO-07",
        outcome="crps",
        note="bilateral patients, and the thumbs are not told",
    ),
    OneLine(defect="part_of_an_arm_pinned", study="DEMO-07", arms=["B"]),
    OneLine(defect="bilateral_patients", study="DEMO-18", note="and most cohorts; thumbs outnumber patients"),
    OneLine(
        defect="uneven_follow_up",
        studies=["DEMO-04", "DEMO-09", "DEMO-11"],
        note="12, 54 and 61 months in one rate ratio",
    ),
    OneLine(defect="causes_do_not_add_up", study="DEMO-13", arms=["A"], note="15 named, 16 came back"),
    OneLine(defect="causes_overlap", study="DEMO-19", note="wear counted beside loosening"),
    OneLine(defect="causes_not_stated", studies=["DEMO-07", "DEMO-12", "DEMO-18"], note="some, all, half"),
    OneLine(defect="no_word_on_causes", studies=["DEMO-02", "DEMO-03", "DEMO-08"]),
    OneLine(
        defect="zero_cell",
        study="DEMO-23",
        arms=["A"],
        outcome="revision_index",
        note="spurs removed, none came back",
    ),
    OneLine(
        defect="coarse_and_conflicting_bands",
        studies=["DEMO-13", "DEMO-27", "DEMO-28", "DEMO-29", "DEMO-30"],
        note="30 belongs to the lower band in some, to the upper in others",
    ),
    OneLine(defect="angle_change_lost_its_sign", study="DEMO-29", outcome="mp_hyperextension"),
    OneLine(defect="flexion_typed_as_positive", study="DEMO-30", outcome="mp_hyperextension"),
    OneLine(
        defect="confounded_cohort",
        study="DEMO-26",
        note="trapezoid excision, capsulodesis and four more weeks of splint in one arm only",
    ),
    OneLine(defect="treats_some", studies=["DEMO-22", "DEMO-28", "DEMO-30"]),
    OneLine(
        defect="disconnected_technique", technique="denervation", studies=["DEMO-15", "DEMO-16", "DEMO-17"]
    ),
)


def zeros_by_chance(records: Iterable[dict[str, Any]]) -> list[OneLine]:
    """List the arms that drew no event although none was planted there."""
    planted = {
        (entry["study"], arm, entry["outcome"])
        for entry in PLANTED
        if entry["defect"] in ("double_zero_trial", "zero_event_arm")
        for arm in entry["arms"]
    }
    found = []
    for tree in records:
        study = tree["study"]["id"]
        outcomes: dict[str, list[str]] = {}
        for row in tree["outcomes"]:
            if row["reporting"] == "reported_zero" and (study, row["arm"], row["outcome"]) not in planted:
                outcomes.setdefault(row["outcome"], []).append(row["arm"])
        found += [OneLine(study=study, outcome=outcome, arms=arms) for outcome, arms in outcomes.items()]
    return found


def true_values(records: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """Return the whole tree of truths."""
    return {
        "about": (
            "Truths from which the invented records were drawn. A pooled answer should lie near them, not on them: "
            "studies differ from each other, and chance remains."
        ),
        "technique_notes": (
            "complication: risk by 12 months. revision, other_reoperation: per 100 thumb-years. Scores: mean at 12 "
            "months (dash 0-100, key_pinch kg, pain_activity 0-10). QuickDASH lies 2 points above DASH. Values are those "
            "of a typical study (shift zero)."
        ),
        "techniques": {
            name: OneLine(
                complication=t.complication,
                revision=t.revision,
                other_reoperation=t.other_reoperation,
                dash=t.dash,
                key_pinch=t.key_pinch,
                pain_activity=t.pain_activity,
            )
            for name, t in TECHNIQUES.items()
        },
        "secondary_mp_risk": OneLine(SECONDARY_MP_RISK),
        "mp_recurrence_risk": OneLine(MP_RECURRENCE_RISK),
        "mp_shift_of_complication_logit": OneLine(MP_COMPLICATION_SHIFT),
        "spread_between_studies": OneLine(BETWEEN_STUDIES),
        "spread_between_arms_of_a_study": OneLine(BETWEEN_ARMS),
        "sources_of_trouble": trouble_truths(),
        "analyses": analysis_truths(),
        "analysis_notes": OneLine(
            secondary_mp_fusion="the zero planted in DEMO-13 makes the difference look larger than it is",
        ),
        "planted": list(PLANTED),
        "zeros_by_chance": zeros_by_chance(records),
    }
