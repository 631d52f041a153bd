"""From checked records to what the analysis needs: composites expanded, units converted, time in months."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal, cast

from metakit.core.records import Arm, ContrastValue, StudyRecord
from metakit.core.returns import SubgroupValue
from metakit.core.values import Angle, FollowUp, OutcomeValue, Place, Reporting
from metakit.forms.addresses import Addresses
from metakit.forms.co_procedures import option_told
from metakit.forms.expansion import expand
from metakit.forms.library import vocabulary
from metakit.forms.specs import Form, Term
from metakit.forms.tree import Group
from metakit.forms.units import Conversion, conversion
from metakit.review.places import places_of
from metakit.review.typed_fields import (
    FLEXION,
    HYPEREXTENSION,
    band_of,
    months_of,
    source_text,
    term_of,
    units_of,
)
from metakit.review.typed_returns import bands_of, findings_of, returns_of

_LOCATIONS = {
    "mean": "mean",
    "median": "median",
    "minimum": "minimum",
    "maximum": "maximum",
    "first_quartile": "quartiles.first",
    "third_quartile": "quartiles.third",
    "interval_lower": "interval.lower",
    "interval_upper": "interval.upper",
}
_SPREADS = ("standard_deviation", "standard_error")
_MIRRORED = (
    ("minimum", "maximum"),
    ("first_quartile", "third_quartile"),
    ("interval_lower", "interval_upper"),
)


def study_record(group: Group, form: Form, *, file: str, sha256: str) -> StudyRecord:
    """Return the typed view of a study record without errors.

    Parameters
    ----------
    group : Group
        The checked record.
    form : Form
        The form that it follows; its vocabularies expand techniques and convert units.
    file : str
        Path of the record within its review folder; places are given in it.
    sha256 : str
        Of the file's bytes.
    """
    addresses = {part.name: address for address, part, name in Addresses(group, form).all() if not name}
    design = term_of(form, "design.type", group.text("design.type"))
    design_group = design.facts.text("design_group") if design else "series"
    return StudyRecord(
        id=group.text("study.id"),
        label=group.text("study.label") or group.text("study.id"),
        year=group.integer("study.year"),
        citation=group.text("study.citation"),
        cohort=group.text("study.cohort") or group.text("study.id"),
        design=group.text("design.type"),
        design_group=cast('Literal["randomised", "comparative", "series"]', design_group),
        within_person=bool(group.flag("design.within_person")),
        extractor=group.text("extraction.extractor"),
        status=group.text("extraction.status"),
        arms=tuple(_arm(arm, form) for arm in group.groups("arms")),
        outcomes=tuple(
            replace(_outcome(entry, form, file), address=addresses[entry.name])
            for entry in group.groups("outcomes")
        ),
        contrasts=tuple(
            replace(_contrast(entry, form), address=addresses[entry.name])
            for entry in group.groups("contrasts")
        ),
        returns=returns_of(group, form),
        findings=findings_of(group),
        mp_bands=bands_of(group, form),
        subgroups=tuple(_subgroup(entry, form, file) for entry in group.groups("subgroups")),
        places=places_of(group),
        file=file,
        sha256=sha256,
        fields=group.plain(),
    )


def _first(*values: int | None) -> int | None:
    return next((value for value in values if value is not None), None)


def _arm(arm: Group, form: Form) -> Arm:
    technique = arm.text("technique")
    thumbs = _first(arm.integer("thumbs.analysed"), arm.integer("thumbs.operated"))
    angle = _angle(arm.group("mp_preoperative"))
    components = expand(term_of(form, "arms.technique", technique), arm.words("components"))
    return Arm(
        id=arm.text("id"),
        label=arm.text("label"),
        technique=technique,
        components=components,
        mp_option=arm.text("mp_option"),
        st_option=arm.text("st_option"),
        patients=_first(arm.integer("patients.analysed"), arm.integer("patients.operated")),
        thumbs=thumbs,
        bilateral=arm.integer("bilateral"),
        age_mean=arm.number("age.mean"),
        women=arm.integer("women"),
        mp_preoperative_mean=angle.mean,
        mp_preoperative=angle,
        mp_treated_band=band_of(arm, "mp_treated_band"),
        osteophyte_option=_osteophytes(arm, components),
        immobilisation_weeks=arm.number("immobilisation_weeks"),
        reconstruction=tuple(part for part in components if _holds(form, part)),
        mixed=bool(arm.flag("mixed")),
        partly_given={
            part.text("component"): count
            for part in arm.groups("partly_given")
            if (count := part.integer("thumbs")) is not None
        },
        follow_up=_follow_up(arm.group("follow_up"), thumbs, form),
    )


def _angle(typed: Group) -> Angle:
    sign, over, measured = typed.text("sign"), typed.integer("over_30"), typed.text("measured")
    mean, median, low, high = (typed.number(name) for name in ("mean", "median", "minimum", "maximum"))
    numbers = (mean, median, low, high)
    if sign not in (HYPEREXTENSION, FLEXION) and any(number is not None for number in numbers):
        unclear = "the report does not say which direction is positive"
        return Angle(over_30=over, measured=measured, unusable=unclear)
    if sign == FLEXION:
        mean, median, high, low = (None if number is None else -number for number in numbers)
    return Angle(
        mean=mean,
        standard_deviation=typed.number("standard_deviation"),
        median=median,
        minimum=low,
        maximum=high,
        over_30=over,
        measured=measured,
    )


def _osteophytes(arm: Group, components: tuple[str, ...]) -> str:
    """Return the option that the arm's own field, or one of its components, stands for."""
    options = vocabulary("osteophyte_options")
    found = option_told(options, arm.text("metacarpal_osteophyte_removed"), components)
    silent = [term.id for term in options if term.facts.text("done") == "not_reported"]
    return found.id if found else next(iter(silent), "")


def _holds(form: Form, part: str) -> bool:
    term = term_of(form, "arms.components", part)
    return term is not None and bool(term.facts.flag("holds_metacarpal"))


def _subgroup(entry: Group, form: Form, file: str) -> SubgroupValue:
    return SubgroupValue(
        value=_outcome(entry, form, file),
        mp_option=entry.text("mp_option"),
        st_option=entry.text("st_option"),
        osteophyte_option=entry.text("osteophyte_option"),
        mp_before=band_of(entry, "mp_before"),
    )


def _follow_up(group: Group, thumbs: int | None, form: Form) -> FollowUp:
    unit = group.text("unit")
    times = {
        name: months_of(group, field, unit, form)
        for name, field in (
            ("mean", "mean"),
            ("standard_deviation", "standard_deviation"),
            ("median", "median"),
            ("shortest", "minimum"),
            ("longest", "maximum"),
        )
    }
    years = group.number("thumb_years")
    basis: Literal["reported", "derived_mean", "derived_median", "not_available"] = "reported"
    if years is None:
        mean, median = times["mean"], times["median"]
        length = mean if mean is not None else median
        basis = "not_available"
        if thumbs is not None and length is not None:
            years = thumbs * length / 12
            basis = "derived_mean" if mean is not None else "derived_median"
    return FollowUp(**times, lost=group.integer("lost"), thumb_years=years, thumb_years_basis=basis)


def _outcome(entry: Group, form: Form, file: str) -> OutcomeValue:
    term = term_of(form, "outcomes.outcome", entry.text("outcome"))
    label = entry.text("time.label")
    months = months_of(entry, "time.value", entry.text("time.unit"), form)
    time_label = label or f"{entry.typed('time.value')} {entry.text('time.unit')}".strip()
    if label == "before_surgery" and months is None:
        months = 0.0
    numbers, how, unusable = _measured(entry, term, form)
    counted = entry.text("counted") or (
        "per_event" if entry.has("event_count") and not entry.has("events") else ""
    )
    level = entry.number("interval.level")
    return OutcomeValue(
        arm=entry.text("arm"),
        outcome=entry.text("outcome"),
        months=months,
        time_label=time_label,
        unit_of_analysis=cast(
            'Literal["thumbs", "patients", "unclear"]', entry.text("unit_of_analysis") or "thumbs"
        ),
        reporting=cast("Reporting", entry.text("reporting") or "reported"),
        author_definition=entry.text("author_definition"),
        definition=entry.text("definition"),
        events=entry.integer("events"),
        total=entry.integer("total"),
        event_count=entry.integer("event_count"),
        counted=cast('Literal["per_thumb", "per_event", "unclear"]', counted or "per_thumb"),
        percent=entry.number("percent"),
        n=entry.integer("n"),
        kind=cast('Literal["final", "change", "baseline"]', entry.text("kind") or "final"),
        interval_level=None if level is None else level / 100,
        limit=band_of(entry, "limit"),
        conversion=how,
        unusable=unusable,
        source=source_text(entry.group("source")),
        place=Place(file=file, line=entry.place.line, column=entry.place.column),
        **numbers,
    )


def _contrast(entry: Group, form: Form) -> ContrastValue:
    label, unit = entry.text("time.label"), entry.text("time.unit")
    months, typed = months_of(entry, "time.value", unit, form), entry.text("p_value")
    level = entry.number("interval.level")
    return ContrastValue(
        arm=entry.text("arm"),
        comparator=entry.text("comparator"),
        outcome=entry.text("outcome"),
        months=0.0 if label == "before_surgery" and months is None else months,
        time_label=label or f"{entry.typed('time.value')} {unit}".strip(),
        measure=entry.text("measure"),
        estimate=entry.number("estimate"),
        standard_error=entry.number("standard_error"),
        interval_lower=entry.number("interval.lower"),
        interval_upper=entry.number("interval.upper"),
        interval_level=None if level is None else level / 100,
        p_value=float(typed.lstrip("<>")) if typed else None,
        p_bound=cast('Literal["", "<", ">"]', typed[:1] if typed[:1] in ("<", ">") else ""),
        observed_minus_expected=entry.number("observed_minus_expected"),
        logrank_variance=entry.number("logrank_variance"),
        adjusted_for=entry.text("adjusted_for"),
        source=source_text(entry.group("source")),
    )


def _measured(entry: Group, term: Term | None, form: Form) -> tuple[dict[str, Any], str, str]:
    """Return the measured numbers in the stored unit and sign, how they got there, or why not."""
    numbers = {name: entry.number(path) for name, path in _LOCATIONS.items()}
    spreads = {name: entry.number(name) for name in _SPREADS}
    if all(value is None for value in (*numbers.values(), *spreads.values())):
        return {**numbers, **spreads}, "", ""
    nothing = dict.fromkeys((*numbers, *spreads))
    typed, unit = entry.text("measured_in"), term.facts.text("unit") if term else ""
    steps = []
    if typed == "unclear" or entry.missing("measured_in") is not None:
        return nothing, "", "the report does not state the unit; the number stays in the record"
    if typed and unit and typed != unit:
        convert = conversion(typed, unit, units_of(form))
        if convert is None:
            return nothing, "", f"no conversion from {typed} to {unit}"
        if not convert.identity:
            steps.append(_description(convert, entry))
            numbers = {name: None if value is None else convert(value) for name, value in numbers.items()}
            spreads = {name: None if value is None else convert(value) for name, value in spreads.items()}
    if term is not None and term.facts.flag("needs_sign"):
        if entry.text("sign") not in ("positive_is_hyperextension", FLEXION):
            return (
                nothing,
                "",
                "the report does not say which direction is positive; the number stays in the record",
            )
        if entry.text("sign") == FLEXION:
            steps.append("sign turned: flexion was typed as positive")
            numbers = {name: None if value is None else -value for name, value in numbers.items()}
            for low, high in _MIRRORED:
                numbers[low], numbers[high] = numbers[high], numbers[low]
    return {**numbers, **spreads}, "; ".join(steps), ""


def _description(convert: Conversion, entry: Group) -> str:
    mean = entry.number("mean")
    shown = (
        f", mean {entry.typed('mean')} {convert.start} = {convert(mean):.6g} {convert.end}"
        if mean is not None
        else ""
    )
    return f"{convert}{shown}"
