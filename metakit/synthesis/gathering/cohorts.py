"""One report per cohort and outcome: the same thumbs must not be counted twice."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.notes import SetAside
from metakit.synthesis.gathering.rows import StudyNumbers
from metakit.synthesis.gathering.windows import Window, describe_times, time_of

NO_COHORT = {"", "not_reported"}


def one_report_per_cohort(
    studies: Sequence[StudyNumbers], window: Window
) -> tuple[list[StudyNumbers], list[SetAside], list[str]]:
    """Keep one report of each cohort; return those kept, those set aside, and a note a choice.

    Of several usable reports of one cohort the one nearest the window's target is kept (the longest at last
    follow-up), then the one with most thumbs, then the first by name. Common practice, no source.
    """
    groups: dict[str, list[StudyNumbers]] = {}
    for study in studies:
        key = study.study.id if study.study.cohort in NO_COHORT else f"cohort {study.study.cohort}"
        groups.setdefault(key, []).append(study)
    kept: list[StudyNumbers] = []
    aside: list[SetAside] = []
    notes: list[str] = []
    for members in groups.values():
        best = min(members, key=lambda study: (_distance(study, window), -_size(study), study.name))
        kept.append(best)
        others = [study for study in members if study is not best]
        aside += [
            SetAside(
                study=other.name,
                reason=(
                    f"the same cohort ({other.study.cohort}) as {best.name}, which is used "
                    f"({_why(best, other, window)})"
                ),
            )
            for other in others
        ]
        if others:
            names = ", ".join(other.name for other in others)
            notes.append(
                f"{best.name} stands for the cohort {best.study.cohort}; its other reports are set aside: "
                f"{names}."
            )
    order = {study.name: index for index, study in enumerate(studies)}
    return sorted(kept, key=lambda study: order[study.name]), aside, notes


def _distance(study: StudyNumbers, window: Window) -> float:
    months = [time_of(part.value, part.arm.follow_up) or 0.0 for side in study.sides for part in side.arms]
    return sum(abs(month - window.target) for month in months) / len(months)


def _size(study: StudyNumbers) -> float:
    return sum(side.numbers.get("total", side.numbers.get("time", 0.0)) for side in study.sides)


def _why(best: StudyNumbers, other: StudyNumbers, window: Window) -> str:
    times = f"{describe_times(best.values)} against {describe_times(other.values)}"
    if _distance(best, window) < _distance(other, window):
        return (
            f"longer follow-up: {times}"
            if window.name == "last_follow_up"
            else f"nearer to {window.label}: {times}"
        )
    if _size(best) > _size(other):
        return f"more thumbs or thumb-years: {_size(best):g} against {_size(other):g}"
    return "otherwise equal; first by name"
