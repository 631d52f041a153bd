"""The studies: who, what, how many, how long."""

from __future__ import annotations

from collections import Counter

from metakit.core.records import Arm, StudyRecord
from metakit.forms.library import asks
from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section
from metakit.synthesis.analysis import DESIGN_GROUPS
from metakit.synthesis.gathering.cohorts import NO_COHORT
from metakit.synthesis.terms import label_of


def build(page: Page) -> Content | None:
    """Return one row an arm, grouped by study and design."""
    studies = page.findings.studies
    if not studies:
        return None
    shared = Counter(study.cohort for study in studies if study.cohort not in NO_COHORT)
    return {
        "groups": [
            (label, [_study(page, study, shared) for study in studies if study.design_group == group])
            for group, label in DESIGN_GROUPS.items()
            if any(study.design_group == group for study in studies)
        ],
        "count": len(studies),
        "cohorts": len({study.id if study.cohort in NO_COHORT else study.cohort for study in studies}),
        "thumbs": sum(arm.thumbs or 0 for study in studies for arm in study.arms),
        "mp_angles": asks("arms.mp_preoperative"),
        "single": [page.findings.names[study.id] for study in studies if study.status != "agreed"],
    }


def _study(page: Page, study: StudyRecord, shared: Counter[str]) -> dict[str, object]:
    remarks = []
    if shared[study.cohort] > 1:
        remarks.append(f"shares the cohort {study.cohort}")
    if study.within_person:
        remarks.append("one technique on each hand")
    if study.status != "agreed":
        remarks.append("not agreed by two people")
    return {
        "name": page.findings.names[study.id],
        "citation": study.citation,
        "year": study.year,
        "design": label_of("study_designs", study.design),
        "remarks": remarks,
        "arms": [_arm(arm) for arm in study.arms],
    }


def _arm(arm: Arm) -> dict[str, str]:
    technique = "mixed techniques" if arm.mixed else label_of("techniques", arm.technique)
    return {
        "label": arm.label,
        "technique": technique,
        "mp": label_of("mp_options", arm.mp_option),
        "size": _pair(arm.thumbs, arm.patients),
        "age": _number(arm.age_mean, 0),
        "women": _share(arm.women, arm.patients),
        "mp_angle": _number(arm.mp_preoperative_mean, 0),
        "follow_up": _follow_up(arm),
    }


def _pair(thumbs: int | None, patients: int | None) -> str:
    return f"{_number(thumbs, 0)} / {_number(patients, 0)}"


def _number(value: float | None, decimals: int) -> str:
    return "–" if value is None else f"{value:.{decimals}f}"


def _share(part: int | None, whole: int | None) -> str:
    return "–" if part is None or not whole else f"{100 * part / whole:.0f} %"


def _follow_up(arm: Arm) -> str:
    follow_up = arm.follow_up
    middle = follow_up.mean if follow_up.mean is not None else follow_up.median
    if middle is None:
        return "–"
    text = f"{middle:.0f}"
    if follow_up.shortest is not None and follow_up.longest is not None:
        text += f" ({follow_up.shortest:.0f} to {follow_up.longest:.0f})"
    return text


SECTIONS.add(Section(name="studies", title="The studies", template="studies.html.j2", build=build))
