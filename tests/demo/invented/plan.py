"""The invented protocol: question, outcomes, comparisons, and the plan of analyses."""

from __future__ import annotations

from typing import Any

from invented.writer import OneLine

PANEL = "invented panel of patients and surgeons (demonstration only)"
DASH_SOURCE = "Sorensen 2013, J Hand Surg Am 38:641 (a patient's change, not a difference between groups)"
PROSTHESES = ["prosthesis_ball_socket", "prosthesis_dual_mobility"]
PROSTHESIS_LABEL = "total prosthesis"
TECHNIQUES_BY_AGE = [
    "trapeziectomy",
    "arthrodesis",
    "lr",
    "lrti",
    "prosthesis_ball_socket",
    "pyrocarbon_interposition",
    "suture_button",
    "prosthesis_dual_mobility",
]
"""From the oldest to the newest, as the invented review puts them."""
SOURCE_TECHNIQUES = ["trapeziectomy", "lr", "lrti", "apl_suspension", "suture_button"]
"""Techniques that remove the trapezium: within each of them, options at the sources of trouble are compared."""


def _outcome(
    outcome: str,
    importance: str,
    window: str,
    difference: float | None,
    source: str = PANEL,
    *,
    larger: tuple[float, float] | None = None,
) -> OneLine:
    row = OneLine(outcome=outcome, importance=importance, window=window)
    if difference is not None:
        row |= {"smallest_important_difference": difference, "smallest_important_difference_source": source}
    if larger is not None:
        row |= {"moderate_difference": larger[0], "large_difference": larger[1]}
    return row


def _baseline(
    label: str, kind: str, outcome: str, comparisons: list[str], source: str, **counts: int
) -> OneLine:
    return OneLine(
        label=label,
        kind=kind,
        outcome=outcome,
        comparisons=comparisons,
        **counts,
        source=f"{source} (invented)",
    )


def _comparison(
    identifier: str,
    label: str,
    technique: list[str],
    technique_label: str,
    comparator: list[str],
    comparator_label: str,
    **mp: Any,
) -> dict[str, Any]:
    return {
        "id": identifier,
        "label": label,
        "technique": technique,
        "technique_label": technique_label,
        "comparator": comparator,
        "comparator_label": comparator_label,
        **mp,
    }


def _contrast(identifier: str, outcome: str, comparison: str, measure: str, **more: str) -> OneLine:
    return OneLine(id=identifier, outcome=outcome, comparison=comparison, measure=measure, **more)


def _series(identifier: str, outcome: str, techniques: list[str], label: str, measure: str) -> OneLine:
    return OneLine(
        id=identifier, outcome=outcome, techniques=techniques, techniques_label=label, measure=measure
    )


def protocol() -> dict[str, Any]:
    """Return the protocol tree."""
    lrti, alone = "LRTI", "trapeziectomy alone"
    return {
        "form": "protocol",
        "form_version": 1,
        "review": {
            "id": "demo_review",
            "title": "Operations for arthritis of the thumb base: an invented demonstration review",
            "question": (
                "In adults whose thumb-base arthritis did not settle without an operation, which technique leads to "
                "fewer complications and revisions, and to better function, pinch and pain after one year? When the MP "
                "joint hyperextends by more than 30 degrees, does a procedure on it spare a later one?"
            ),
            "date": "2026-01-19",
            "invented": True,
            "registration": "invented register, number INV-R-12",
            "authors": "two invented extractors, AB and CD",
            "protocol_available": "invented register, number INV-R-12; protocol.yaml in the folder of the review",
            "funding": (
                "invented: a research fund of an invented hospital paid one day a week of AB; it had no part in plan, "
                "analyses or text"
            ),
            "competing_interests": (
                "invented: AB took part in a course paid by an invented maker of implants; CD has none"
            ),
            "data_available": (
                "both extractors' records, the agreed records and every decision are in the folder of the review"
            ),
            "code_available": "metakit in the version named under Software computes all results from that folder",
        },
        "population": "Adults with painful trapeziometacarpal arthritis after failed treatment without operation (invented)",
        "eligibility": {
            "designs": [
                "randomised",
                "prospective_cohort",
                "retrospective_cohort",
                "case_series",
                "registry_series",
            ],
            "fewest_thumbs": 20,
            "shortest_follow_up_months": 12,
            "excluded": "operations after an earlier operation at the thumb base; inflammatory arthritis",
        },
        "unit_of_analysis": "thumbs",
        "icc": 0.3,
        "outcomes": [
            _outcome("any_complication", "critical", "12_months", 5, larger=(10, 20)),
            _outcome("revision_index", "critical", "last_follow_up", 1),
            _outcome("any_reoperation", "important", "last_follow_up", 1),
            _outcome("secondary_mp_procedure", "important", "last_follow_up", 5),
            _outcome("return_residual_bone", "important", "last_follow_up", 2),
            _outcome("secondary_st_procedure", "important", "last_follow_up", 2),
            _outcome("mp_hyperextension", "important", "12_months", 10),
            _outcome("mp_recurrence", "important", "last_follow_up", 10),
            _outcome("sbrn_neuropraxia", "important", "12_months", 5),
            _outcome("crps", "important", "12_months", 2),
            _outcome("pain_activity", "critical", "12_months", 1.5, larger=(2.5, 4)),
            _outcome("dash", "critical", "12_months", 10, DASH_SOURCE),
            _outcome("quickdash", "important", "12_months", 14, DASH_SOURCE),
            _outcome("key_pinch", "important", "12_months", 0.5),
        ],
        "comparisons": [
            _comparison(
                "lrti_vs_trapeziectomy",
                "LRTI against trapeziectomy alone",
                ["lrti"],
                lrti,
                ["trapeziectomy"],
                alone,
            ),
            _comparison(
                "prosthesis_vs_resection",
                "Total prosthesis against LRTI or trapeziectomy alone",
                PROSTHESES,
                PROSTHESIS_LABEL,
                ["lrti", "trapeziectomy"],
                "LRTI or trapeziectomy alone",
            ),
            _comparison(
                "suture_button_vs_lrti",
                "Suture button against LRTI",
                ["suture_button"],
                "suture button",
                ["lrti"],
                lrti,
            ),
            _comparison(
                "lrti_vs_lr",
                "Tendon ball in addition to ligament reconstruction",
                ["lrti"],
                lrti,
                ["lr"],
                "ligament reconstruction without ball",
            ),
            _comparison(
                "arthrodesis_vs_lrti",
                "Arthrodesis against LRTI",
                ["arthrodesis"],
                "arthrodesis",
                ["lrti"],
                lrti,
            ),
            _comparison(
                "pyrocarbon_vs_lrti",
                "Pyrocarbon interposition against LRTI",
                ["pyrocarbon_interposition"],
                "pyrocarbon interposition",
                ["lrti"],
                lrti,
            ),
            _comparison(
                "osteophytes_removed_vs_left",
                "Osteophytes at the metacarpal base removed against left",
                SOURCE_TECHNIQUES,
                "removing osteophytes",
                SOURCE_TECHNIQUES,
                "leaving them",
                osteophyte_option_1=["osteophyte_removed"],
                osteophyte_option_2=["osteophyte_left"],
            ),
            _comparison(
                "st_treated_vs_left",
                "Scaphotrapezoid arthritis treated against left",
                SOURCE_TECHNIQUES,
                "treating ST arthritis",
                SOURCE_TECHNIQUES,
                "leaving it",
                st_option_1=[
                    "st_trapezoid_partial",
                    "st_trapezoid_total",
                    "st_distal_scaphoid_excision",
                    "st_interposition",
                    "st_treated_not_stated",
                ],
                st_option_2=["st_arthritis_left"],
            ),
            _comparison(
                "mp_capsulodesis_vs_none",
                "LRTI with MP capsulodesis against LRTI with the MP joint left alone",
                ["lrti"],
                "MP capsulodesis",
                ["lrti"],
                "no MP procedure",
                mp_option_1=["mp_capsulodesis_volar"],
                mp_option_2=["mp_none"],
            ),
            _comparison(
                "mp_fusion_vs_none",
                "LRTI with MP arthrodesis against LRTI with the MP joint left alone",
                ["lrti"],
                "MP arthrodesis",
                ["lrti"],
                "no MP procedure",
                mp_option_1=["mp_arthrodesis"],
                mp_option_2=["mp_none"],
            ),
            _comparison(
                "mp_pinning_vs_none_over_30",
                "MP joint pinned against left alone, where it hyperextended by more than 30 degrees",
                SOURCE_TECHNIQUES,
                "MP pinning",
                SOURCE_TECHNIQUES,
                "no MP procedure",
                mp_option_1=["mp_pinning"],
                mp_option_2=["mp_none"],
                mp_before=OneLine(above=30),
            ),
            _comparison(
                "lrti_vs_others",
                "LRTI against any other technique",
                ["lrti"],
                lrti,
                [name for name in TECHNIQUES_BY_AGE if name != "lrti"],
                "another technique",
            ),
        ],
        "analyses": [
            _contrast("complications_lrti", "any_complication", "lrti_vs_trapeziectomy", "risk_ratio"),
            _contrast("nerve_lrti", "sbrn_neuropraxia", "lrti_vs_trapeziectomy", "risk_ratio"),
            _contrast("crps_lrti", "crps", "lrti_vs_trapeziectomy", "odds_ratio", model="mantel_haenszel"),
            _contrast(
                "revision_lrti", "revision_index", "lrti_vs_trapeziectomy", "rate_ratio", model="one_stage"
            ),
            _contrast(
                "revision_lrti_risk",
                "revision_index",
                "lrti_vs_trapeziectomy",
                "risk_ratio",
                model="one_stage",
                note="keeps trials without any revision; both arms of a study were followed alike",
            ),
            _contrast("reoperation_lrti", "any_reoperation", "lrti_vs_trapeziectomy", "rate_ratio"),
            _contrast("dash_lrti", "dash", "lrti_vs_trapeziectomy", "mean_difference"),
            _contrast("pinch_lrti", "key_pinch", "lrti_vs_trapeziectomy", "mean_difference"),
            _contrast("pain_lrti", "pain_activity", "lrti_vs_trapeziectomy", "mean_difference"),
            _contrast(
                "complications_prosthesis", "any_complication", "prosthesis_vs_resection", "risk_ratio"
            ),
            _contrast("revision_prosthesis", "revision_index", "prosthesis_vs_resection", "rate_ratio"),
            _contrast("dash_prosthesis", "dash", "prosthesis_vs_resection", "mean_difference"),
            _contrast("pinch_prosthesis", "key_pinch", "prosthesis_vs_resection", "mean_difference"),
            _contrast("pain_prosthesis", "pain_activity", "prosthesis_vs_resection", "mean_difference"),
            _contrast("complications_button", "any_complication", "suture_button_vs_lrti", "risk_ratio"),
            _contrast("pinch_button", "key_pinch", "suture_button_vs_lrti", "mean_difference"),
            _contrast("complications_ball", "any_complication", "lrti_vs_lr", "risk_ratio"),
            _contrast("complications_arthrodesis", "any_complication", "arthrodesis_vs_lrti", "risk_ratio"),
            _contrast("complications_pyrocarbon", "any_complication", "pyrocarbon_vs_lrti", "risk_ratio"),
            _contrast(
                "secondary_mp_capsulodesis", "secondary_mp_procedure", "mp_capsulodesis_vs_none", "risk_ratio"
            ),
            _contrast(
                "secondary_mp_fusion", "secondary_mp_procedure", "mp_fusion_vs_none", "risk_difference"
            ),
            _contrast(
                "angle_capsulodesis", "mp_hyperextension", "mp_capsulodesis_vs_none", "mean_difference"
            ),
            _contrast("pinch_capsulodesis", "key_pinch", "mp_capsulodesis_vs_none", "mean_difference"),
            _contrast(
                "secondary_mp_pinning_over_30",
                "secondary_mp_procedure",
                "mp_pinning_vs_none_over_30",
                "risk_ratio",
            ),
            _contrast("return_bone", "return_residual_bone", "osteophytes_removed_vs_left", "risk_ratio"),
            _contrast("pain_bone", "pain_activity", "osteophytes_removed_vs_left", "mean_difference"),
            _contrast("secondary_st", "secondary_st_procedure", "st_treated_vs_left", "risk_ratio"),
            _contrast("pain_st", "pain_activity", "st_treated_vs_left", "mean_difference"),
            _contrast(
                "complications_lrti_any",
                "any_complication",
                "lrti_vs_others",
                "risk_ratio",
                note="unlike techniques together: planned to ask why studies disagree, not to choose an operation",
            ),
            _series(
                "complications_denervation", "any_complication", ["denervation"], "denervation", "proportion"
            ),
            _series("revision_denervation", "revision_index", ["denervation"], "denervation", "rate"),
            _series(
                "complications_prosthesis_series",
                "any_complication",
                PROSTHESES,
                PROSTHESIS_LABEL,
                "proportion",
            ),
            _series("revision_prosthesis_series", "revision_index", PROSTHESES, PROSTHESIS_LABEL, "rate"),
        ],
        "option_pairs": [
            OneLine(
                id="mp_pairs",
                source="mp_hyperextension",
                outcomes=["secondary_mp_procedure", "mp_hyperextension", "mp_recurrence", "key_pinch"],
                by_band=True,
            ),
            OneLine(
                id="bone_pairs", source="residual_bone", outcomes=["return_residual_bone", "pain_activity"]
            ),
            OneLine(
                id="st_pairs",
                source="scaphotrapezoid_arthritis",
                outcomes=["secondary_st_procedure", "pain_activity"],
            ),
        ],
        "networks": [
            {
                "id": "complications_network",
                "label": "all techniques",
                "outcome": "any_complication",
                "measure": "risk_ratio",
                "reference": "trapeziectomy",
                "components": True,
                "order": TECHNIQUES_BY_AGE,
                "characteristics": ["year", "mp_hyperextension", "age", "design"],
                "moderator": "mp_hyperextension",
                "moderator_form": "common",
            }
        ],
        "explorations": [
            OneLine(
                id="design_of_comparisons",
                kind="subgroups",
                moderators=["design_group"],
                analyses=[
                    "complications_lrti",
                    "pinch_lrti",
                    "complications_prosthesis",
                    "complications_lrti_any",
                ],
                expected="larger differences in cohorts than in randomised trials",
                data_seen=False,
            ),
            OneLine(
                id="mp_and_complications",
                kind="meta_regression",
                moderators=["mp_hyperextension"],
                analyses=["complications_lrti", "complications_lrti_any"],
                expected="more complications after LRTI the more the MP joint hyperextends",
                data_seen=False,
            ),
            OneLine(
                id="kind_of_prosthesis",
                kind="subgroups",
                moderators=["technique"],
                analyses=["revision_prosthesis_series"],
                expected="fewer revisions with dual mobility than with ball and socket",
                data_seen=False,
            ),
            OneLine(
                id="concern_about_bias",
                kind="subgroups",
                moderators=["concern"],
                analyses=["pinch_prosthesis", "pain_prosthesis"],
                expected="larger differences in studies of high concern; asked when results were known",
                data_seen=True,
            ),
            OneLine(
                id="year_and_complications",
                kind="meta_regression",
                moderators=["year"],
                analyses=["complications_lrti_any"],
                expected="no direction was expected",
                data_seen=True,
            ),
        ],
        "baselines": [
            _baseline(
                "Halvarn register, 2012 to 2019",
                "registry",
                "any_complication",
                ["lrti_vs_trapeziectomy"],
                "invented register report, table 4",
                events=168,
                thumbs=1120,
            ),
            _baseline(
                "audit of one unit, 2021 to 2024",
                "unit_audit",
                "any_complication",
                ["lrti_vs_trapeziectomy", "prosthesis_vs_resection"],
                "audit sheet of the unit",
                events=21,
                thumbs=96,
            ),
            _baseline(
                "Halvarn register, 2012 to 2019",
                "registry",
                "revision_index",
                ["lrti_vs_trapeziectomy", "prosthesis_vs_resection"],
                "invented register report, table 7",
                events=14,
                thumb_years=2310,
            ),
        ],
        "subgroups": [
            "design: randomised trials and cohorts apart; larger differences are expected in cohorts",
            "kind_of_prosthesis: ball and socket against dual mobility; fewer revisions are expected with dual mobility",
        ],
        "sensitivity": [
            "icc: correlation between both thumbs of a patient 0 and 0.5 instead of 0.3",
            "high_concern: without studies of high, serious or critical concern",
            "derived_numbers: without means derived from medians",
        ],
        "specifications": {
            "analyses": ["complications_lrti", "dash_lrti", "complications_prosthesis", "pinch_prosthesis"],
            "measures": ["risk_ratio", "odds_ratio", "risk_difference", "mean_difference"],
            "models": ["random_effects", "common_effect", "mantel_haenszel"],
            "tau2": ["reml", "dersimonian_laird", "paule_mandel"],
            "intervals": ["hartung_knapp_floor", "hartung_knapp", "wald"],
            "zero_cells": ["constant", "treatment_arm"],
            "appraisal": ["all_studies", "without_high_concern"],
            "designs": ["all_designs", "randomised"],
            "icc": ["0", "0.3", "0.5"],
            "windows": ["12_months", "last_follow_up"],
            "data_seen": False,
        },
        "amendments": [
            {
                "date": "2026-01-30",
                "what": "pyrocarbon interposition added as a comparison",
                "why": "one cohort compares it with LRTI and fusion",
                "data_seen": False,
            },
            {
                "date": "2026-03-02",
                "what": "two explorations added: by concern about bias, and by year of publication",
                "why": "studies disagree and the planned explorations do not say why",
                "data_seen": True,
            },
        ],
    }


def registered_protocol() -> dict[str, Any]:
    """Return the protocol as registered: without the comparison and the explorations that were added later."""
    tree = protocol()
    tree["comparisons"] = [item for item in tree["comparisons"] if item["id"] != "pyrocarbon_vs_lrti"]
    tree["analyses"] = [item for item in tree["analyses"] if item.get("comparison") != "pyrocarbon_vs_lrti"]
    tree["explorations"] = [item for item in tree["explorations"] if not item["data_seen"]]
    del tree["amendments"]
    return tree
