"""Typed: thumbs that came back, what was found and done the first time, MP angles in bands."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal, cast

from metakit.core.returns import NOT_STATED, AngleBand, ArmReturns, CauseCount, Finding, SecondOperation
from metakit.core.values import Band
from metakit.forms.specs import Form
from metakit.forms.tree import Group
from metakit.review.typed_fields import FLEXION, band_of, months_of, source_text

OPERATION = "operation"


def returns_of(record: Group, form: Form) -> tuple[ArmReturns, ...]:
    """Return the thumbs that came back, arm by arm and kind by kind, in the order of the record.

    Parameters
    ----------
    record : Group
        A checked record; one of a form without `returns` gives nothing.
    form : Form
        Its form, for the units of time.
    """
    return tuple(_returns(entry, record, form) for entry in record.groups("returns"))


def _returns(entry: Group, record: Group, form: Form) -> ArmReturns:
    arm, kind = entry.text("arm"), entry.text("kind")
    after = entry.group("came_back_after")
    unit = after.text("unit")
    counts = [
        CauseCount(
            cause=cause.text("cause"),
            thumbs=cause.integer("count") or 0,
            as_reported=cause.text("as_reported"),
            months=cause.number("months"),
            source=source_text(cause.group("source")),
        )
        for cause in record.groups("return_causes")
        if cause.text("arm") == arm and cause.text("kind") == kind and cause.integer("count") is not None
    ]
    return ArmReturns(
        arm=arm,
        kind=cast('Literal["operation", "lived_with"]', kind),
        thumbs=entry.integer("count"),
        total=entry.integer("total"),
        causes=tuple(count for count in counts if count.cause != NOT_STATED),
        not_stated=sum(count.thumbs for count in counts if count.cause == NOT_STATED),
        causes_overlap=entry.flag("causes_overlap"),
        operations=tuple(
            SecondOperation(
                operation=operation.text("operation"),
                thumbs=operation.integer("count") or 0,
                cause=operation.text("cause"),
                as_reported=operation.text("as_reported"),
                source=source_text(operation.group("source")),
            )
            for operation in record.groups("second_operations")
            if kind == OPERATION and operation.text("arm") == arm and operation.integer("count") is not None
        ),
        months_mean=months_of(after, "mean", unit, form),
        months_median=months_of(after, "median", unit, form),
        months_shortest=months_of(after, "minimum", unit, form),
        months_longest=months_of(after, "maximum", unit, form),
        author_definition=entry.text("author_definition"),
        source=source_text(entry.group("source")),
    )


def findings_of(record: Group) -> tuple[Finding, ...]:
    """Return what was looked for, found, treated and left at the first operation."""
    return tuple(
        Finding(
            arm=entry.text("arm"),
            finding=entry.text("finding"),
            option=entry.text("option"),
            thumbs=entry.integer("count") or 0,
            total=entry.integer("total"),
            limit=band_of(entry, "limit"),
            as_reported=entry.text("as_reported"),
            source=source_text(entry.group("source")),
        )
        for entry in record.groups("findings")
        if entry.integer("count") is not None
    )


def bands_of(record: Group, form: Form) -> tuple[AngleBand, ...]:
    """Return the thumbs in bands of MP hyperextension; a band typed in flexion is turned."""
    found = []
    for entry in record.groups("mp_bands"):
        band, thumbs = band_of(entry, "band"), entry.integer("count")
        if band is None or thumbs is None:
            continue
        label, unit, sign = entry.text("time.label"), entry.text("time.unit"), entry.text("sign")
        months = months_of(entry.group("time"), "value", unit, form)
        found.append(
            AngleBand(
                arm=entry.text("arm"),
                band=_turned(band) if sign == FLEXION else band,
                thumbs=thumbs,
                total=entry.integer("total"),
                months=0.0 if label == "before_surgery" and months is None else months,
                time_label=label or f"{entry.typed('time.value')} {unit}".strip(),
                mp_option=entry.text("mp_option"),
                bands_overlap=entry.flag("bands_overlap"),
                measured=entry.text("measured"),
                unusable="the report does not say which direction is positive" if sign == "unclear" else "",
                source=source_text(entry.group("source")),
            )
        )
    return tuple(found)


def _turned(band: Band) -> Band:
    return replace(
        band,
        lower=None if band.upper is None else -band.upper,
        upper=None if band.lower is None else -band.lower,
        lower_inside=band.upper_inside,
        upper_inside=band.lower_inside,
    )
