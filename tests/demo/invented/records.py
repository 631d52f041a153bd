"""Turn a described study and its drawn thumbs into the tree of a study record."""

from __future__ import annotations

from typing import Any

import numpy as np

from invented.appraisal import appraisal
from invented.counts import crude, event_values, score_values
from invented.draws import DrawnArm
from invented.reported_trouble import angle_rows, arm_fields, trouble_sections
from invented.spec import LAST, ArmSpec, Events, OutcomeSpec, Score, Silent, StudySpec
from invented.writer import OneLine

INVENTED = "INVENTED DEMONSTRATION DATA: no real patients, authors, units or journals."
HEADING = (
    INVENTED,
    "Made by tests/demo/generate_demo.py; change the generator, not this file.",
)
NOT_REPORTED = "not_reported"
# Mapped definition where the report counts by its own lights; else it counts what the vocabulary defines.
MAPPED = {"any_complication": "any_complication_author", "mp_recurrence": "other_author_definition"}


def record(study: StudySpec, drawn: dict[str, DrawnArm]) -> dict[str, Any]:
    """Return the whole record of one report."""
    unit = study.place.removesuffix(" early report").removesuffix(" later report")
    return {
        "form": "study",
        "form_version": 1,
        "study": {
            "id": study.id,
            "label": study.label,
            "citation": f"Invented report {study.number}: {study.title}. {unit}, Halvarn (demonstration only)",
            "year": study.year,
            "doi": NOT_REPORTED,
            "language": study.language,
            "report_type": study.report_type,
            "cohort": study.cohort or f"{unit.lower().replace(' ', '_')}_{study.number:02d}",
            "linked_reports": list(study.linked),
        },
        "extraction": {"extractor": "AB", "date": f"2026-02-{3 + study.number:02d}", "status": "agreed"},
        "design": {
            "type": study.design,
            "allocation_unit": study.allocation,
            "within_person": study.within_person,
            "blinding": study.blinding,
            "registration": study.registration,
            "recruitment_start": study.recruited[0],
            "recruitment_end": study.recruited[1],
        },
        "setting": {
            "country": "Halvarn (invented)",
            "centres": study.centres,
            "unit_name": f"{unit} hand unit (invented)",
            "surgeons": study.surgeons,
            "surgeon_experience": study.experience,
        },
        "care": {
            "approach": study.approach,
            "anaesthesia": study.anaesthesia,
            "immobilisation_weeks": study.immobilisation_weeks,
            "therapy": study.therapy,
        },
        "arms": [_arm(study, arm, drawn[arm.id]) for arm in study.arms],
        "outcomes": [row for spec in study.outcomes for row in _outcome(study, spec, drawn)],
        **trouble_sections(study, drawn),
        "appraisal": appraisal(study),
        "funding": OneLine(
            funder=study.funder, implant_company_tie=study.company_tie, designer_author=study.designer_author
        ),
    }


def _arm(study: StudySpec, arm: ArmSpec, drawn: DrawnArm) -> dict[str, Any]:
    thumbs, patients = arm.thumbs, arm.thumbs - arm.bilateral
    operated = thumbs + arm.lost
    age_mean, age_sd = crude(drawn.ages)
    follow = drawn.follow_up
    mean, spread = crude(follow)
    over_30 = int((drawn.mp_angles > 30).sum())
    mp_mean, mp_sd = crude(drawn.mp_angles)
    tree: dict[str, Any] = {
        "id": arm.id,
        "label": arm.label,
        "technique": "mixed_techniques" if arm.mixed_with else arm.technique,
        "components": list(arm.components),
        "partly_given": [OneLine(component=name, thumbs=count) for name, count in arm.partly_given],
        "mixed": bool(arm.mixed_with),
        "mp_option": arm.mp_option,
        "st_option": arm.st_option,
        "patients": _flow_of_people(study, operated - arm.bilateral, patients, arm.not_operated),
        "thumbs": _flow_of_people(study, operated, thumbs, arm.not_operated),
        "bilateral": arm.bilateral,
        "age": OneLine(mean=age_mean, standard_deviation=age_sd),
        "women": drawn.women,
        "eaton_stage": OneLine(
            **{f"stage_{i + 1}": count for i, count in enumerate(drawn.stages)}, counted_in="thumbs"
        ),
        "stt_arthritis": drawn.stt,
    }
    if arm.mp_option != "mp_not_reported":
        tree["mp_preoperative"] = OneLine(
            mean=mp_mean, standard_deviation=mp_sd, over_30=over_30, sign="positive_is_hyperextension"
        )
    tree |= arm_fields(arm)
    tree["follow_up"] = OneLine(
        mean=mean,
        standard_deviation=spread,
        minimum=round(float(follow.min()), 1),
        maximum=round(float(follow.max()), 1),
        lost=arm.lost,
        unit="months",
        thumb_years=round(float(follow.sum()) / 12, 1) if study.thumb_years_reported else NOT_REPORTED,
    )
    tree["source"] = OneLine(page=1 if study.report_type == "abstract" else 3, table=1)
    return tree


def _flow_of_people(study: StudySpec, operated: int, analysed: int, not_operated: int) -> OneLine:
    if study.group == "randomised":
        return OneLine(allocated=operated + not_operated, operated=operated, analysed=analysed)
    return OneLine(operated=operated, analysed=analysed)


def _time(at: float | str, drawn: DrawnArm) -> OneLine:
    if at == LAST:
        return OneLine(label=LAST, value=round(float(np.mean(drawn.follow_up)), 1), unit="months")
    return OneLine(value=at, unit="months")


def _outcome(study: StudySpec, spec: OutcomeSpec, drawn: dict[str, DrawnArm]) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for arm in study.arms:
        if isinstance(spec, Silent):
            rows.append(_silent_row(spec, arm, drawn[arm.id]))
        elif spec.outcome == "mp_hyperextension" and (not spec.arms or arm.id in spec.arms):
            rows.extend(angle_rows(study, spec, arm, drawn[arm.id], _time(spec.at, drawn[arm.id])))
        elif not spec.arms or arm.id in spec.arms:
            if isinstance(spec, Events):
                rows.append(_events_row(spec, arm, drawn[arm.id]))
            else:
                rows.extend(_score_rows(spec, arm, drawn[arm.id]))
    return rows


def _silent_row(spec: Silent, arm: ArmSpec, drawn: DrawnArm) -> dict[str, Any]:
    row: dict[str, Any] = {
        "arm": arm.id,
        "outcome": spec.outcome,
        "time": _time(spec.at, drawn),
        "unit_of_analysis": "thumbs",
        "reporting": spec.reporting,
    }
    if spec.why:
        row |= {"note": spec.why, "source": OneLine(page=spec.page)}
    return row


def _events_row(spec: Events, arm: ArmSpec, drawn: DrawnArm) -> dict[str, Any]:
    values = event_values(spec, arm, drawn)
    typed_zero = values.get("events") == 0
    row: dict[str, Any] = {
        "arm": arm.id,
        "outcome": spec.outcome,
        "time": _time(spec.at, drawn),
        "unit_of_analysis": spec.unit,
        "reporting": "reported_zero" if typed_zero else "reported",
        "author_definition": spec.author_definition,
    }
    if spec.limit:
        row["limit"] = OneLine(dict(spec.limit))
    row["definition"] = spec.definition or MAPPED.get(spec.outcome, spec.outcome)
    row |= values
    row["source"] = OneLine(page=spec.page, table=spec.table)
    return row


def _score_rows(spec: Score, arm: ArmSpec, drawn: DrawnArm) -> list[dict[str, Any]]:
    kinds = ["baseline"] if spec.with_baseline else []
    kinds.append("change" if spec.reported_as == "change_lost_sign" else "final")
    rows = []
    for kind in kinds:
        place: dict[str, Any] = {"page": spec.page}
        place |= {"figure": spec.figure, "digitised": True} if spec.figure else {"table": spec.table}
        row: dict[str, Any] = {
            "arm": arm.id,
            "outcome": spec.outcome,
            "time": OneLine(label="before_surgery") if kind == "baseline" else _time(spec.at, drawn),
            "unit_of_analysis": "thumbs" if spec.outcome == "key_pinch" else "patients",
            "reporting": "reported",
            "kind": kind,
        }
        if spec.outcome == "key_pinch":
            row["measured_in"] = spec.measured_in or "kg"
        row |= {
            key: OneLine(value) if isinstance(value, dict) else value
            for key, value in score_values(spec, arm, drawn, kind).items()
        }
        row["source"] = OneLine(place)
        rows.append(row)
    return rows
