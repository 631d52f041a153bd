"""What the invented reports say about bone left behind, arthritis next door, MP angles and thumbs that came back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

import numpy as np

from invented.counts import crude, happened, until
from invented.draws import DrawnArm
from invented.spec import LAST, ArmSpec, Events, Score, StudySpec
from invented.trouble import Sources, angle_after, causes_of_return, lived_with, months_of_return
from invented.writer import OneLine

SILENT = {2, 3, 8, 16}  # these reports say nothing about why thumbs came back
NONE_STATED, SHORT, OVERLAPPING = {12}, {(13, "A")}, {19}
HALF_STATED, MOSTLY_STATED = {18}, {7}
OPERATIONS_TOLD = {5, 6, 9, 13, 14, 19, *range(21, 31)}
LIVED_WITH_TOLD = {9, 22, 28, 29, 30}
FINDINGS_TOLD = {21, 22, 23, 24, 25, 28, 29, 30}
WORDS = {
    "residual_bone": ("spur at the base of the metacarpal", "remnant of the trapezium"),
    "scaphotrapezoid_arthritis": ("pain between scaphoid and trapezoid", "arthritis left at the ST joint"),
    "mp_hyperextension": ("collapse of the MP joint", "MP hyperextension"),
    "instability_subsidence": ("sinking of the metacarpal", "loss of the suspension"),
    "implant_loosening": ("loose cup", "loosening"),
    "implant_dislocation": ("dislocation", "dislocated head"),
    "implant_wear": ("wear of the liner", "bone loss around the cup"),
    "non_union": ("fusion not healed", "non-union"),
    "infection": ("infection", "deep infection"),
    "nerve": ("neuroma", "neuroma of the superficial radial nerve"),
    "tendon": ("tendon irritation", "tight tendon"),
    "hardware": ("prominent hardware", "pin that had moved"),
    "pain_unexplained": ("pain, no cause found", "pain"),
    "other": ("other", "scar"),
}
OPERATION = {
    "residual_bone": "bone_removal",
    "scaphotrapezoid_arthritis": "st_operation",
    "mp_hyperextension": "mp_soft_tissue_operation",
    "instability_subsidence": "resuspension",
    "implant_loosening": "conversion_to_trapeziectomy",
    "implant_dislocation": "implant_exchange",
    "implant_wear": "implant_exchange",
    "non_union": "repeat_fusion",
    "infection": "wash_out",
    "nerve": "nerve_operation",
    "tendon": "tendon_operation",
    "hardware": "hardware_removal",
    "pain_unexplained": "other_operation",
    "other": "other_operation",
    "not_stated": "operation_not_stated",
}
BANDS: Mapping[int, tuple[dict[str, float], ...]] = {
    13: ({"above": 30, "to": 40}, {"above": 40}),
    27: ({"to": 30}, {"from": 35}),
    28: ({"to": 0}, {"from": 1, "to": 19}, {"from": 20, "to": 29}, {"from": 30, "to": 39}, {"from": 40}),
    29: ({"to": 30}, {"above": 30}),
    30: ({"below": 20}, {"from": 20, "to": 30}, {"from": 35}),
}
AFTER_TOO = {28, 29}
FLEXION_POSITIVE = {30}
SUBGROUP_BANDS = {27, 28}
CHANGE_BY_BAND = {28}  # prints the change in each band; the other one the angles before and after


def arm_fields(arm: ArmSpec) -> dict[str, Any]:
    """Return what an arm says about itself: osteophytes, weeks in plaster."""
    fields: dict[str, Any] = {}
    if arm.immobilisation_weeks is not None:
        fields["immobilisation_weeks"] = arm.immobilisation_weeks
    if arm.bone:
        fields["metacarpal_osteophyte_removed"] = {"removed": "yes", "left": "no"}.get(arm.bone, arm.bone)
    return fields


def trouble_sections(study: StudySpec, drawn: Mapping[str, DrawnArm]) -> dict[str, list[dict[str, Any]]]:
    """Return the sections of a record that this report fills."""
    sections: dict[str, list[dict[str, Any]]] = {
        name: []
        for name in ("returns", "return_causes", "second_operations", "findings", "mp_bands", "subgroups")
    }
    tells = study.number not in SILENT and any(
        isinstance(spec, Events) and spec.outcome == "any_reoperation" and spec.at == LAST
        for spec in study.outcomes
    )
    for arm in study.arms:
        mine = drawn[arm.id]
        if tells:
            _returns(study, arm, mine, sections)
        if study.number in LIVED_WITH_TOLD:
            _lived_with(study, arm, mine, sections)
        if study.number in FINDINGS_TOLD:
            sections["findings"] += _findings(study, arm, mine)
        if study.number in BANDS:
            sections["mp_bands"] += _bands(study, arm, mine)
        sections["subgroups"] += _subgroups(study, arm, mine)
    return {name: rows for name, rows in sections.items() if rows}


def _returns(
    study: StudySpec, arm: ArmSpec, drawn: DrawnArm, sections: dict[str, list[dict[str, Any]]]
) -> None:
    causes = dict(causes_of_return(study, arm, drawn))
    count = len(causes)
    thumbs = list(causes)
    if study.number in NONE_STATED:
        causes = dict.fromkeys(thumbs, "not_stated")
    elif study.number in HALF_STATED or study.number in MOSTLY_STATED:
        step = 2 if study.number in HALF_STATED else 4
        causes |= dict.fromkeys(thumbs[::step], "not_stated")
    counted = Counter(causes.values())
    if (study.number, arm.id) in SHORT:
        counted.subtract([max(counted, key=lambda cause: counted[cause])])
    if study.number in OVERLAPPING:
        counted["implant_wear"] += counted["implant_loosening"] // 2
    row: dict[str, Any] = {"arm": arm.id, "kind": "operation", "count": count, "total": arm.thumbs}
    row["causes_overlap"] = study.number in OVERLAPPING if count else "not_reported"
    months = months_of_return(drawn)
    if count > 1:
        row["came_back_after"] = OneLine(
            mean=round(float(months.mean()), 1),
            minimum=round(float(months.min()), 1),
            maximum=round(float(months.max()), 1),
            unit="months",
        )
    row["author_definition"] = "any later operation on the thumb"
    row["source"] = OneLine(page=6, table=4)
    sections["returns"].append(row)
    for cause, number in sorted(
        counted.items(), key=lambda item: (item[0] == "not_stated", -item[1], item[0])
    ):
        entry = OneLine(arm=arm.id, kind="operation", cause=cause, count=number)
        if cause in WORDS:
            entry["as_reported"] = WORDS[cause][study.number % 2]
        sections["return_causes"].append(entry)
    if study.number in OPERATIONS_TOLD:
        done = Counter(OPERATION[cause] for cause in causes.values())
        sections["second_operations"] += [
            OneLine(arm=arm.id, operation=name, count=number) for name, number in sorted(done.items())
        ]


def _lived_with(
    study: StudySpec, arm: ArmSpec, drawn: DrawnArm, sections: dict[str, list[dict[str, Any]]]
) -> None:
    causes = Counter(lived_with(study, arm, drawn).values())
    sections["returns"].append(
        {
            "arm": arm.id,
            "kind": "lived_with",
            "count": causes.total(),
            "total": arm.thumbs,
            "causes_overlap": False if causes else "not_reported",
            "author_definition": "trouble at the last visit, no further operation wanted",
            "source": OneLine(page=6, table=4),
        }
    )
    sections["return_causes"] += [
        OneLine(arm=arm.id, kind="lived_with", cause=cause, count=number, as_reported=WORDS[cause][0])
        for cause, number in sorted(causes.items())
    ]


def _findings(study: StudySpec, arm: ArmSpec, drawn: DrawnArm) -> list[dict[str, Any]]:
    has, size = Sources(study, arm, len(drawn.follow_up)), arm.thumbs
    rows: list[dict[str, Any]] = []

    def add(finding: str, count: object, option: str = "") -> None:
        row = OneLine(arm=arm.id, finding=finding)
        if option:
            row["option"] = option
        rows.append(row | {"count": int(count), "total": size})  # type: ignore[call-overload]

    if arm.bone:
        add("osteophytes_looked_for", size)
        add("osteophytes_found", has.bone.sum())
        add("osteophytes_removed", has.bone_removed.sum())
        if study.number in (21, 28):
            add("remnant_imaging", size)
            add("remnant_on_imaging", (has.bone & ~has.bone_removed).sum())
    if arm.st:
        add("st_inspected", size)
        add("st_arthritis_seen", has.st.sum())
        add("st_xray_read", size)
        add("st_arthritis_on_xray", has.st_on_xray.sum())
        add("st_arthritis_treated", has.st_treated.sum())
        if has.st_treated.any():
            add("st_arthritis_treated", has.st_treated.sum(), "st_trapezoid_partial")
        add("st_arthritis_left", (has.st & ~has.st_treated).sum())
    return [OneLine(row) for row in rows]


def _bands(study: StudySpec, arm: ArmSpec, drawn: DrawnArm) -> list[dict[str, Any]]:
    angles = [("before_surgery", drawn.mp_angles)]
    if study.number in AFTER_TOO:
        angles.append(("after", angle_after(study, arm, drawn)))
    return [
        OneLine(
            arm=arm.id,
            time=OneLine(label=when) if when == "before_surgery" else OneLine(value=12, unit="months"),
            band=OneLine(band),
            count=int(_in_band(values, band).sum()),
            total=arm.thumbs,
        )
        for when, values in angles
        for band in BANDS[study.number]
    ]


def _in_band(values: Any, band: Mapping[str, float]) -> Any:
    inside = np.ones(len(values), dtype=bool)
    for end, limit in band.items():
        inside &= {
            "above": values > limit,
            "from": values >= limit,
            "to": values <= limit,
            "below": values < limit,
        }[end]
    return inside


def _subgroups(study: StudySpec, arm: ArmSpec, drawn: DrawnArm) -> list[dict[str, Any]]:
    has = Sources(study, arm, len(drawn.follow_up))
    rows: list[dict[str, Any]] = []
    if arm.bone == "some":
        for option, part in (
            ("osteophyte_removed", has.bone & has.bone_removed),
            ("osteophyte_left", has.bone & ~has.bone_removed),
        ):
            rows += _part(study, arm, drawn, {"osteophyte_option": option}, part, "revision_index")
    if arm.st == "some":
        for option, part in (
            ("st_trapezoid_partial", has.st & has.st_treated),
            ("st_arthritis_left", has.st & ~has.st_treated),
        ):
            rows += _part(study, arm, drawn, {"st_option": option}, part, "secondary_st_procedure")
    if study.number in SUBGROUP_BANDS:
        after = angle_after(study, arm, drawn)
        for band in BANDS[study.number]:
            part = _in_band(drawn.mp_angles, band)
            if part.sum() < 3:
                continue
            before = drawn.mp_angles
            by_kind = {"baseline": before, "final": after}
            if study.number in CHANGE_BY_BAND:
                by_kind = {"final": after, "change": after - before}
            for kind, values in by_kind.items():
                mean, spread = crude(values[part])
                rows.append(
                    {
                        "arm": arm.id,
                        "mp_option": arm.mp_option,
                        "mp_before": OneLine(band),
                        "outcome": "mp_hyperextension",
                        "time": OneLine(label="before_surgery")
                        if kind == "baseline"
                        else OneLine(value=12, unit="months"),
                        "kind": kind,
                        "sign": "positive_is_hyperextension",
                        "n": int(part.sum()),
                        "mean": mean,
                        "standard_deviation": max(spread, 0.1),
                        "source": OneLine(page=5, table=3),
                    }
                )
            rows.append(_counted(arm, drawn, {"mp_before": OneLine(band)}, part, "secondary_mp_procedure"))
    return rows


def _part(
    study: StudySpec, arm: ArmSpec, drawn: DrawnArm, named: dict[str, Any], part: Any, outcome: str
) -> list[dict[str, Any]]:
    pain = drawn.scores["pain_activity"][part]
    mean, spread = crude(pain)
    measured = {
        "arm": arm.id,
        **named,
        "outcome": "pain_activity",
        "time": OneLine(value=12, unit="months"),
        "kind": "final",
        "n": int(part.sum()),
        "mean": mean,
        "standard_deviation": spread,
        "source": OneLine(page=5, table=3),
    }
    return [_counted(arm, drawn, named, part, outcome), measured]


def _counted(arm: ArmSpec, drawn: DrawnArm, named: dict[str, Any], part: Any, outcome: str) -> dict[str, Any]:
    hit = happened(drawn, outcome, LAST)
    months = round(float(until(drawn, LAST).mean()), 1)
    return {
        "arm": arm.id,
        **named,
        "outcome": outcome,
        "time": OneLine(label=LAST, value=months, unit="months"),
        "events": int(hit[part].sum()),
        "total": int(part.sum()),
        "source": OneLine(page=5, table=3),
    }


def angle_rows(
    study: StudySpec, spec: Score, arm: ArmSpec, drawn: DrawnArm, time: OneLine
) -> list[dict[str, Any]]:
    """Return the MP angle before and after, and the change where the report prints it."""
    before, after = drawn.mp_angles, angle_after(study, arm, drawn)
    turned = -1 if study.number in FLEXION_POSITIVE else 1
    # The studies of the MP joint print the angle before surgery in their first table only.
    kinds = {"final": after} if study.mp_study else {"baseline": before, "final": after}
    if spec.reported_as in ("change_only", "change_lost_sign"):
        kinds["change"] = after - before
    rows = []
    for kind, values in kinds.items():
        mean, spread = crude(turned * values)
        rows.append(
            {
                "arm": arm.id,
                "outcome": "mp_hyperextension",
                "time": OneLine(label="before_surgery") if kind == "baseline" else time,
                "unit_of_analysis": "thumbs",
                "reporting": "reported",
                "kind": kind,
                "sign": "positive_is_flexion" if turned < 0 else "positive_is_hyperextension",
                "n": arm.thumbs,
                "mean": abs(mean) if kind == "change" and spec.reported_as == "change_lost_sign" else mean,
                "standard_deviation": spread,
                "source": OneLine(page=spec.page, table=spec.table),
            }
        )
    return rows
