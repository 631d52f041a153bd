"""Appraisals that differ from the rest: one series judged by scored items, one overall level changed by a person."""

from __future__ import annotations

SCORED_REASONS: dict[str, dict[str, str]] = {
    "clear_aim": {"2": "one aim, stated"},
    "consecutive_inclusion": {"2": "every prosthesis of the unit in ten years"},
    "prospective_data": {"1": "entered from charts, a form was used from 2009 on"},
    "end_points_fit_aim": {"2": "removal or exchange of the prosthesis"},
    "unbiased_assessment": {"0": "seen by the surgeons who had operated"},
    "follow_up_long_enough": {"1": "four years in the mean, four months in some"},
    "loss_under_5_percent": {"0": "nine of 67 thumbs not seen"},
    "sample_size_calculated": {"0": "not mentioned"},
}
"""The eight items for a series without a comparison; a letter is the score."""

CHANGED_OVERALL: dict[int, tuple[str, str, str]] = {
    12: (
        "M",
        "which surgeon operated was set by the rota, so habits weigh less than the domain alone would say",
        "the rota decided who operated, and ages and stages of the groups were alike",
    ),
}
"""By number of the study: the person's overall level, its reason, and why it is not the rule's."""


def is_scored(judgements: str) -> bool:
    """Say whether the letters of a study are scores."""
    return set(judgements) <= set("012")
