"""Rules on measured outcomes: units, limits, spread, intervals, signs."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from metakit.errors import Problem
from metakit.forms.rules.arms import PRACTICE
from metakit.forms.rules.registry import Context, rule
from metakit.forms.specs import Term
from metakit.forms.tree import Group
from metakit.forms.units import Conversion, conversion

NEEDS = ("outcomes.outcome", "outcomes.mean", "outcomes.standard_deviation", "outcomes.measured_in")
LOCATIONS = (
    "mean",
    "median",
    "minimum",
    "maximum",
    "quartiles.first",
    "quartiles.third",
    "interval.lower",
    "interval.upper",
)
SAME = Conversion("", "", 1.0, 1.0)


def measured(context: Context) -> Iterator[tuple[Group, Term]]:
    """Yield the entries of measured outcomes with their terms."""
    for entry in context.record.groups("outcomes"):
        term = context.outcome(entry)
        if term is not None and term.facts.text("kind") == "continuous":
            yield entry, term


def to_stored_unit(context: Context, entry: Group, term: Term) -> Callable[[float], float] | None:
    """Return the conversion into the outcome's unit and sign; None when one is unclear or of another kind."""
    unit, typed = term.facts.text("unit"), entry.text("measured_in")
    spec = context.form.find("outcomes.measured_in")
    convert = conversion(typed, unit, spec.terms if spec else {}) if typed and unit else SAME
    if convert is None or not term.facts.flag("needs_sign"):
        return convert
    sign = entry.text("sign")
    if sign == "positive_is_flexion":
        return replace(convert, times=-convert.times)
    return convert if sign == "positive_is_hyperextension" else None


def _use(context: Context, unit: str) -> str:
    """Name the outcomes that are stored in a unit, for who typed it under another."""
    spec = context.form.find("outcomes.outcome")
    stored = [name for name, term in (spec.terms if spec else {}).items() if term.facts.text("unit") == unit]
    return f"; use {' or '.join(stored)}" if stored else ""


def limits_of(entry: Group, term: Term) -> tuple[float | None, float | None]:
    """Return the hard limits of an outcome: those of its scale when the record states it."""
    low, high = entry.number("scale_minimum"), entry.number("scale_maximum")
    if low is None:
        low = term.facts.number("hard_minimum")
    if high is None:
        high = term.facts.number("hard_maximum")
    return low, high


@rule("unit_fits_outcome", "the unit measures the outcome", needs=NEEDS, basis="exact conversions only")
def unit_fits_outcome(context: Context) -> Iterator[Problem]:
    """Find units of another kind, and ask for units that are unclear or not stated."""
    spec = context.form.find("outcomes.measured_in")
    units = spec.terms if spec else {}
    for entry, term in measured(context):
        typed, unit = entry.text("measured_in"), term.facts.text("unit")
        if typed == "unclear":
            yield entry.problem(
                "measured_in",
                "left out of pooling until the unit is known",
                found=typed,
                hint="ask the authors",
                severity="question",
            )
        elif typed and unit and conversion(typed, unit, units) is None:
            dimension = units[unit].facts.text("dimension") if unit in units else ""
            fitting = [
                name
                for name, other in units.items()
                if other.facts.text("dimension") == dimension and dimension
            ]
            squeezed = typed in units and units[typed].facts.text("dimension") == "bulb_pressure"
            yield entry.problem(
                "measured_in",
                f"{term.id} is not measured in {typed}",
                found=typed,
                allowed=", ".join(fitting),
                hint="the pressure of a squeezed bulb cannot be converted" + _use(context, typed)
                if squeezed
                else "",
                severity="error",
            )
        elif (
            not typed
            and term.facts.text("family") == "strength"
            and any(entry.has(name) for name in LOCATIONS)
        ):
            missing = entry.missing("measured_in")
            yield entry.problem(
                "measured_in",
                f"in which unit? taken as {unit}"
                if missing is None
                else "the unit is not reported: left out of pooling",
                hint="measured_in: unclear leaves the value out of pooling",
                severity="question",
            )


@rule(
    "values_in_range",
    "values within the limits of the outcome",
    needs=NEEDS,
    basis="scale limits; usual group means",
)
def values_in_range(context: Context) -> Iterator[Problem]:
    """Find values outside the scale, and ask about unusual means."""
    for entry, term in measured(context):
        convert = to_stored_unit(context, entry, term)
        low, high = limits_of(entry, term)
        change = entry.text("kind") == "change"
        if change and low is not None and high is not None:
            low, high = low - high, high - low
        elif change:
            low = None
        unit = term.facts.text("unit")
        if convert is None:
            continue
        for path in LOCATIONS:
            value = entry.number(path)
            if value is None:
                continue
            stored = convert(value)
            shown = (
                entry.typed(path)
                if stored == value
                else f"{entry.typed(path)} {entry.text('measured_in')} = {stored:.4g} {unit}"
            )
            if (low is not None and stored < low - 1e-9) or (high is not None and stored > high + 1e-9):
                yield entry.problem(
                    path,
                    f"outside the limits of {term.id}",
                    found=shown,
                    allowed=_range(low, high, unit),
                    hint=_unit_hint(entry, term, stored, high),
                    severity="error",
                )
            elif path in ("mean", "median") and not change:
                yield from _soft(entry, term, path, stored, shown)


def _soft(entry: Group, term: Term, path: str, stored: float, shown: str) -> Iterator[Problem]:
    suffix = "_before" if entry.text("kind") == "baseline" else ""
    low, high = term.facts.number(f"soft_minimum{suffix}"), term.facts.number(f"soft_maximum{suffix}")
    if (low is not None and stored < low) or (high is not None and stored > high):
        when = "before" if suffix else "after"
        yield entry.problem(
            path,
            f"an unusual {path} of {term.id}; is it right?",
            found=shown,
            allowed=f"{when} surgery usually {_range(low, high, term.facts.text('unit'))}",
            hint=_unit_hint(entry, term, stored, high),
            severity="question",
        )


def _range(low: float | None, high: float | None, unit: str) -> str:
    ends = f"{'any' if low is None else f'{low:g}'} to {'any' if high is None else f'{high:g}'}"
    return f"{ends} {unit.replace('_', ' ')}"


def _unit_hint(entry: Group, term: Term, stored: float, high: float | None) -> str:
    if high is None or stored <= high or entry.text("measured_in") in ("lb", "N"):
        return ""
    if term.facts.text("unit") == "kg":
        newton, pound = stored / 9.80665, stored * 0.45359237
        return f"in newton it would be {newton:.3g} kg, in pounds {pound:.3g} kg"
    return (
        "on a 0-100 scale set measured_in: points_0_100" if term.facts.text("unit") == "points_0_10" else ""
    )


@rule(
    "outcome_sign",
    "angles say which direction is positive",
    needs=("outcomes.sign", "outcomes.outcome"),
    basis=PRACTICE,
)
def outcome_sign(context: Context) -> Iterator[Problem]:
    """Find MP angles without a sign convention."""
    for entry, term in measured(context):
        if not term.facts.flag("needs_sign") or not any(entry.number(path) is not None for path in LOCATIONS):
            continue
        sign = entry.text("sign")
        if not sign:
            yield entry.problem(
                "sign",
                f"say which direction of {term.id} is positive: MP 'extension' can mean either",
                allowed="positive_is_hyperextension, positive_is_flexion, unclear",
                severity="error",
            )
        elif sign == "unclear":
            yield entry.problem(
                "sign", "left out of pooling until the direction is known", found=sign, severity="question"
            )
