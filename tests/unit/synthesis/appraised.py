"""Invented appraisals for tests, from letters."""

from __future__ import annotations

from typing import Any

TRIAL = "randomised_trial_domains"
COHORT = "comparative_study_domains"
SERIES = "case_series_items"
_DOMAINS = {
    TRIAL: ("randomisation", "deviations", "missing_data", "measurement", "selection_of_result"),
    COHORT: (
        "confounding",
        "selection",
        "classification",
        "deviations",
        "missing_data",
        "measurement",
        "selection_of_result",
    ),
    SERIES: (
        "inclusion_criteria",
        "condition_measured",
        "valid_identification",
        "consecutive_inclusion",
        "complete_inclusion",
        "demographics",
        "clinical_data",
        "outcomes_described",
        "site_described",
        "statistics",
    ),
}
_LEVELS = {
    TRIAL: {"L": "low", "S": "some_concerns", "H": "high"},
    COHORT: {"L": "low", "M": "moderate", "S": "serious", "C": "critical", "N": "no_information"},
    SERIES: {"Y": "yes", "N": "no", "U": "unclear", "A": "not_applicable"},
}


def judged(domain: str, level: str, *, outcome: str = "all", **facts: Any) -> dict[str, Any]:
    return {
        "domain": domain,
        "outcome": outcome,
        "judgement": level,
        "reason": f"seen in {domain}",
        "page": "2",
        **facts,
    }


def rows_of(instrument: str, letters: str) -> list[dict[str, Any]]:
    levels = _LEVELS[instrument]
    return [
        judged(domain, levels[letter]) for domain, letter in zip(_DOMAINS[instrument], letters, strict=True)
    ]


def trial_appraisal(letters: str, overall: str = "", **facts: Any) -> list[dict[str, Any]]:
    rows = rows_of(TRIAL, letters)
    return [*rows, judged("overall", overall, **facts)] if overall else rows


def appraised(letters: str, instrument: str = TRIAL, **more: Any) -> dict[str, Any]:
    """Return the `fields` of a study record with an appraisal."""
    return {"appraisal": {"instrument": instrument, "judgements": rows_of(instrument, letters)}, **more}
