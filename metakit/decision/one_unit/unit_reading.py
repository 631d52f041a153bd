"""A unit's file or workbook, read and checked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import cast

from metakit.decision.one_unit.unit import (
    AUDIT_YEARS,
    SEED,
    AuditYear,
    Learning,
    Limited,
    OwnReturns,
    Scenario,
    ScenarioEffect,
    Unit,
    UnitEffect,
    UnitOutcome,
    UnitTechnique,
)
from metakit.decision.one_unit.unit_workbook import WORKBOOKS, read_workbook
from metakit.errors import DataError, UnreadableError
from metakit.forms.library import shipped
from metakit.forms.records import read_record
from metakit.forms.tree import Group
from metakit.synthesis.baseline import Baseline, BaselineKind, baseline_from_counts
from metakit.synthesis.terms import outcome_term

FORM = "unit"


def read_unit(path: Path) -> Unit:
    """Read and check a unit file.

    Parameters
    ----------
    path : Path
        A YAML file of the form `unit`, or its workbook (`metakit sheet --unit`).

    Raises
    ------
    UnreadableError
        When the file cannot be read.
    DataError
        When it holds errors; both carry all problems with line and column.
    """
    if path.suffix.lower() in WORKBOOKS:
        reading = read_workbook(path)
    else:
        library = shipped()
        reading = read_record(path, library, form=library.form(FORM))
    group = reading.group
    if group is None or not reading.sound:
        raise (UnreadableError if reading.unreadable else DataError)(reading.problems)
    years = _limited(group.group("time"), "years_followed")
    unit = group.group("unit")
    return Unit(
        name=unit.text("name"),
        date=unit.text("date"),
        invented=bool(unit.flag("invented")),
        note=group.text("note") or unit.text("note"),
        volume=_limited(group.group("volume"), "thumbs_a_year"),
        years=years,
        years_operating=group.integer("time.years_operating") or math.ceil(years.value),
        techniques=tuple(_technique(item) for item in group.groups("techniques")),
        current=group.text("current_technique"),
        currency=group.text("currency"),
        outcomes=tuple(_outcome(item, group) for item in group.groups("outcomes")),
        case_mix=tuple(_scenario(item) for item in group.groups("case_mix")),
        seed=SEED if group.integer("seed") is None else cast("int", group.integer("seed")),
        questions=tuple(problem for problem in reading.problems if problem.severity != "error"),
        place=group.place,
        sha256=reading.sha256,
        returns=tuple(
            OwnReturns(
                cause=item.text("cause"),
                thumbs=item.integer("thumbs") or 0,
                thumb_years=_required(item, "thumb_years"),
            )
            for item in group.groups("returns_by_cause")
        ),
        audit_years=group.integer("audit_years") or AUDIT_YEARS,
    )


def _required(group: Group, name: str) -> float:
    value = group.number(name)
    if value is None:  # pragma: no cover - the form requires it
        raise DataError([group.problem(name, "a number is missing", severity="error")])
    return value


def _limited(group: Group, name: str, lowest: str = "lowest", highest: str = "highest") -> Limited:
    return Limited(value=_required(group, name), lowest=group.number(lowest), highest=group.number(highest))


def _technique(item: Group) -> UnitTechnique:
    learning = item.group("learning") if "learning" in item.entries else None
    return UnitTechnique(
        id=item.text("id"),
        technique=item.text("technique"),
        label=item.text("label"),
        mp_option=item.text("mp_option"),
        theatre_minutes=item.number("theatre_minutes"),
        cost=item.number("cost"),
        implant_price=item.number("implant_price"),
        learning=None
        if learning is None
        else Learning(
            thumbs=learning.integer("thumbs") or 1,
            extra_minutes=learning.number("extra_minutes"),
            rate_ratio=learning.number("rate_ratio"),
            source=learning.text("source"),
        ),
    )


def _outcome(item: Group, record: Group) -> UnitOutcome:
    weighted = item.number("weight") is not None
    name, current = item.text("outcome"), record.text("current_technique")
    rows: dict[str, list[AuditYear]] = {}
    for row in record.groups("audit"):
        if row.text("outcome") == name:
            years = row.number("thumb_years")
            rows.setdefault(row.text("technique") or current, []).append(
                AuditYear(
                    year=row.integer("year") or 0,
                    events=_required(row, "events"),
                    total=_required(row, "thumbs") if years is None else years,
                )
            )
    audits = {key: tuple(sorted(found, key=lambda each: each.year)) for key, found in rows.items()}
    own = audits.pop(current, ())
    return UnitOutcome(
        term=outcome_term(name),
        weight=_limited(item, "weight", "weight_lowest", "weight_highest") if weighted else None,
        baseline=_baseline(item.group("baseline"), own, audit_per_year(record, name))
        if "baseline" in item.entries
        else None,
        months=item.number("baseline.months"),
        theatre_minutes=item.number("theatre_minutes"),
        cost=item.number("cost"),
        effects=tuple(
            UnitEffect(technique=effect.text("technique"), analysis=effect.text("analysis"), typed=effect)
            for effect in item.groups("effects")
        ),
        difference_to_tell=item.number("difference_to_tell"),
        years=own,
        audits=audits,
    )


def audit_per_year(record: Group, outcome: str) -> bool:
    """Say whether the audit's rows of an outcome count thumb-years."""
    return any(row.has("thumb_years") for row in record.groups("audit") if row.text("outcome") == outcome)


def _baseline(item: Group, own: Sequence[AuditYear], per_year: bool) -> Baseline:
    """Return the baseline as typed, or the sum of the audit's years; the form's rules hold them alike."""
    years, thumbs = item.number("thumb_years"), item.number("thumbs")
    if years is None and thumbs is None:
        events, total = sum(row.events for row in own), sum(row.total for row in own)
    else:
        events, per_year = _required(item, "events"), years is not None
        total = years if years is not None else _required(item, "thumbs")
    return baseline_from_counts(
        cast("BaselineKind", item.text("kind")),
        item.text("source"),
        events,
        total,
        per_year=per_year,
        source=item.text("source"),
    )


def _scenario(item: Group) -> Scenario:
    instead = item.number("share_instead")
    return Scenario(
        id=item.text("id"),
        label=item.text("label"),
        kind=item.text("kind"),
        share=_required(item, "share") / 100,
        share_instead=None if instead is None else instead / 100,
        effects=tuple(
            ScenarioEffect(
                outcome=effect.text("outcome"),
                technique=effect.text("technique"),
                rate_ratio=_limited(effect, "rate_ratio"),
                source=effect.text("source"),
            )
            for effect in item.groups("effects")
        ),
    )
