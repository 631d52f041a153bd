"""Appraisal of the invented studies: domains by design group, judgements from letters, reasons in own words."""

from __future__ import annotations

from invented.appraisal_special import CHANGED_OVERALL, SCORED_REASONS, is_scored
from invented.spec import StudySpec
from invented.writer import OneLine

INSTRUMENT = {
    "randomised": "randomised_trial_domains",
    "comparative": "comparative_study_domains",
    "series": "case_series_items",
}
LEVELS = {
    "randomised": {"L": "low", "S": "some_concerns", "H": "high"},
    "comparative": {"L": "low", "M": "moderate", "S": "serious", "C": "critical"},
    "series": {"Y": "yes", "N": "no", "U": "unclear"},
}

# Reasons by domain and letter; several wordings are used in turn, study by study.
REASONS: dict[str, dict[str, dict[str, tuple[str, ...]]]] = {
    "randomised": {
        "randomisation": {
            "L": (
                "list made by computer, opaque envelopes opened in theatre; groups alike at the start",
                "central telephone allocation in blocks; ages and stages alike",
            ),
        },
        "deviations": {
            "L": ("all had the operation drawn for them and were analysed in their group",),
            "S": ("two thumbs crossed over during the operation and were analysed as treated",),
        },
        "missing_data": {
            "L": ("at least 93 of 100 operated thumbs were seen at the planned time",),
            "S": ("five thumbs without result, reasons given for three",),
            "H": ("about one in five thumbs not seen at five years, more of them after LRTI",),
        },
        "measurement": {
            "L": ("assessors did not know the operation, counts checked in the hospital files",),
            "S": ("patients and assessors knew the operation; scores depend on opinion",),
        },
        "selection_of_result": {
            "L": ("outcomes and time point as in the registered plan",),
            "S": (
                "no plan found before the first patient",
                "one outcome of the methods is missing from the results",
            ),
        },
    },
    "comparative": {
        "confounding": {
            "S": (
                "younger and busier patients got one operation more often; no adjustment",
                "each surgeon had a habit, so surgeon and technique cannot be told apart",
            ),
            "C": ("the angle of the joint decided the operation, so groups differ in the thing treated",),
        },
        "selection": {
            "S": ("only patients who answered a later invitation are in",),
            "M": ("all charts of the period were searched, some could not be found",),
            "L": ("consecutive patients entered before the operation",),
        },
        "classification": {"L": ("operation read from the theatre record",)},
        "deviations": {
            "L": ("no change between groups after the operation",),
            "M": ("a different splint time by group",),
        },
        "missing_data": {
            "L": ("over 94 of 100 thumbs seen", "few lost, alike in both groups"),
            "M": ("one in eight lost, alike in the groups",),
            "S": ("reasons for loss not given and losses differ between groups",),
        },
        "measurement": {
            "S": ("scores asked by the treating team",),
            "M": ("chart entries, probably alike for the groups",),
            "L": ("independent assessor",),
        },
        "selection_of_result": {
            "L": ("all outcomes of the methods are reported",),
            "M": ("no plan available",),
            "S": ("several ways to count complications in the methods, one reported",),
        },
    },
    "series": {
        "inclusion_criteria": {"Y": ("criteria listed",)},
        "condition_measured": {
            "Y": ("stage from X-ray, pain asked",),
            "U": ("diagnosis as sent in, not checked",),
        },
        "valid_identification": {"Y": ("specialist diagnosis",), "U": ("not described",)},
        "consecutive_inclusion": {
            "Y": ("said to be consecutive",),
            "U": ("not said",),
            "N": ("only those who came for review",),
        },
        "complete_inclusion": {
            "Y": ("flow of patients shown",),
            "U": ("number asked is not given",),
            "N": ("about one in eight operated thumbs is missing",),
        },
        "demographics": {"Y": ("age, sex and work given",)},
        "clinical_data": {"Y": ("stage and earlier treatment given",), "N": ("nothing beyond age and sex",)},
        "outcomes_described": {
            "Y": ("outcome and follow-up stated", "events with times given"),
            "U": ("complications without their time",),
        },
        "site_described": {
            "Y": ("unit and surgeons described",),
            "U": ("little said about the unit",),
            "N": ("unit not described",),
        },
        "statistics": {"Y": ("simple and fitting",), "N": ("percentages without numbers at risk",)},
    },
}


def appraisal(study: StudySpec) -> dict[str, object]:
    """Return the appraisal block of a record: judgements with reason and page, domain by domain.

    Judgements hold for all outcomes. Where opinion could colour the scores of a trial, further operations are
    judged apart: they stand in the hospital files.
    """
    group = study.group
    if is_scored(study.judgements):
        return {"instrument": "scored_items", "assessor": "AB", "judgements": _scored(study)}
    letters = dict(zip(REASONS[group], study.judgements, strict=True))
    rows = []
    for position, (domain, letter) in enumerate(letters.items()):
        wordings = REASONS[group][domain][letter]
        page = 1 if study.report_type == "abstract" else 2 + position // 3
        rows.append(_row(study, domain, "all", letter, wordings[study.number % len(wordings)], page))
    if group != "series":
        rows.append(_overall(study, letters, "all"))
    if group == "randomised" and letters["measurement"] != "L":
        letters["measurement"] = "L"
        reason = "further operations are read from the hospital files, whatever anybody hoped for"
        rows.append(_row(study, "measurement", "revision_index", "L", reason, 3))
        rows.append(_overall(study, letters, "revision_index"))
    return {"instrument": INSTRUMENT[group], "assessor": "AB", "judgements": rows}


def _scored(study: StudySpec) -> list[OneLine]:
    return [
        OneLine(
            domain=item,
            outcome="all",
            judgement=f"score_{score}",
            reason=SCORED_REASONS[item][score],
            page=2 + position // 3,
        )
        for position, (item, score) in enumerate(zip(SCORED_REASONS, study.judgements, strict=True))
    ]


def _row(study: StudySpec, domain: str, outcome: str, letter: str, reason: str, page: int) -> OneLine:
    return OneLine(
        domain=domain, outcome=outcome, judgement=LEVELS[study.group][letter], reason=reason, page=page
    )


def _overall(study: StudySpec, letters: dict[str, str], outcome: str) -> OneLine:
    """Sum up: the worst domain; in a trial, three domains with some concerns count as high."""
    if study.number in CHANGED_OVERALL:
        letter, reason, why = CHANGED_OVERALL[study.number]
        return OneLine(**_row(study, "overall", outcome, letter, reason, 2), changed_because=why)
    order = "LSH" if study.group == "randomised" else "LMSC"
    worst = max(letters.values(), key=order.index)
    if study.group == "randomised" and list(letters.values()).count("S") >= 3:
        return _row(study, "overall", outcome, "H", "some concerns in three domains or more", 2)
    return _row(study, "overall", outcome, worst, "as the worst domain", 2)
