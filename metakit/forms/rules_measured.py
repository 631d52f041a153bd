"""Rules on measured outcomes: units, limits, spread, intervals, signs."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from metakit.errors import Problem
from metakit.forms.arithmetic import half_step, most_spread
from metakit.forms.rules import Context, rule
from metakit.forms.rules_arms import PRACTICE, order_problems
from metakit.forms.rules_counts import time_key
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
    """Return the conversion into the outcome's unit; None when the unit is unclear or of another kind."""
    unit, typed = term.facts.text("unit"), entry.text("measured_in")
    if not typed or not unit:
        return SAME
    spec = context.form.find("outcomes.measured_in")
    return conversion(typed, unit, spec.terms if spec else {})


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
                hint="the pressure of a squeezed bulb cannot be converted; use grip_vigorimeter"
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


@rule("spread_is_plausible", "the standard deviation fits the scale", needs=NEEDS, basis=PRACTICE)
def spread_is_plausible(context: Context) -> Iterator[Problem]:
    """Find impossible spreads and ask about unlikely ones."""
    for entry, term in measured(context):
        spread, mean, size = entry.number("standard_deviation"), entry.number("mean"), entry.integer("n")
        convert = to_stored_unit(context, entry, term)
        if spread is None or convert is None:
            continue
        typed = entry.typed("standard_deviation")
        if spread == 0:
            yield entry.problem(
                "standard_deviation",
                "a spread of zero: were all values the same?",
                found=typed,
                severity="error",
            )
            continue
        low, high = limits_of(entry, term)
        stored = abs(convert(spread))
        final = entry.text("kind") != "change"
        if low is not None and high is not None and final:
            middle = convert(mean) if mean is not None else None
            limit = most_spread(low, high, middle, size)
            if stored > limit * (1 + 1e-9) + abs(convert(half_step(typed))):
                yield entry.problem(
                    "standard_deviation",
                    f"values from {low:g} to {high:g} cannot spread that much",
                    found=typed,
                    allowed=f"at most {limit:.3g}",
                    severity="error",
                )
                continue
        scale = (
            high - low
            if low is not None
            and high is not None
            and term.facts.text("family") in ("patient_reported", "pain")
            else None
        )
        if scale and not 0.03 * scale <= stored <= 0.5 * scale:
            yield entry.problem(
                "standard_deviation",
                f"{stored:.3g} is {100 * stored / scale:.0f} % of the scale; is it right?",
                found=typed,
                allowed="usually 3 to 50 %",
                severity="question",
            )
        if mean is not None and final and low is not None and low >= 0 and mean > 0 and spread > 1.2 * mean:
            yield entry.problem(
                "standard_deviation",
                f"larger than 1.2 x the mean ({spread:g} > 1.2 x {mean:g}): very skewed, or a slip?",
                found=typed,
                severity="question",
            )


@rule(
    "standard_error_as_deviation",
    "no standard error typed as standard deviation",
    needs=(*NEEDS, "outcomes.n"),
    basis="the commonest serious extraction error",
)
def standard_error_as_deviation(context: Context) -> Iterator[Problem]:
    """Ask about standard deviations that look like standard errors, and compare those typed side by side."""
    peers: dict[tuple[object, ...], list[float]] = {}
    for entry, term in measured(context):
        spread = entry.number("standard_deviation")
        if spread:
            peers.setdefault((term.id, entry.text("kind") == "change"), []).append(spread)
    for entry, term in measured(context):
        spread, mean, size = entry.number("standard_deviation"), entry.number("mean"), entry.integer("n")
        if not spread or not size or size < 2:
            continue
        typed, root = entry.typed("standard_deviation"), math.sqrt(size)
        others = sorted(
            value for value in peers[(term.id, entry.text("kind") == "change")] if value != spread
        )
        middle = others[len(others) // 2] if others else None
        small = mean is not None and entry.text("kind") != "change" and spread < abs(mean) / 20
        far = middle is not None and size >= 10 and spread < middle / 3
        if small or far:
            reason = (
                f"less than a twentieth of the mean ({mean:g})"
                if small
                else f"under a third of others here ({middle:g})"
            )
            yield entry.problem(
                "standard_deviation",
                f"{reason}: perhaps a standard error? times the root of {size} it is {spread * root:.3g}",
                found=typed,
                hint="if so, type it under standard_error; nothing is converted by itself",
                severity="question",
            )
        error = entry.number("standard_error")
        if error and abs(error * root - spread) > 0.1 * spread + root * half_step(
            entry.typed("standard_error")
        ):
            yield entry.problem(
                "standard_error",
                f"{error:g} x root of {size} = {error * root:.3g}, but the standard deviation is {spread:g}",
                severity="question",
            )


@rule(
    "order_of_quantiles",
    "minimum <= quartiles and median <= maximum",
    needs=("outcomes.median", "outcomes.quartiles"),
    basis="arithmetic",
)
def order_of_quantiles(context: Context) -> Iterator[Problem]:
    """Find quantiles out of order."""
    names = ("minimum", "quartiles.first", "median", "quartiles.third", "maximum")
    for entry in context.record.groups("outcomes"):
        known = [(name, value) for name in names if (value := entry.number(name)) is not None]
        for (below, low), (above, high) in zip(known, known[1:], strict=False):
            if low > high:
                yield entry.problem(
                    above,
                    f"{above} {high:g} is below {below} {low:g}",
                    found=entry.typed(above),
                    severity="error",
                )
        if not any(low > high for (_, low), (_, high) in zip(known, known[1:], strict=False)):
            yield from (problem for problem in order_problems(entry) if problem.field.endswith(".mean"))


@rule(
    "interval_around_mean",
    "the interval lies around the estimate",
    needs=("outcomes.interval",),
    basis="contradictions met in published abstracts",
)
def interval_around_mean(context: Context) -> Iterator[Problem]:
    """Find reversed intervals, and ask about estimates off their centre (a lost sign) and widths that do not fit."""
    for entry in context.record.groups("outcomes"):
        low, high = entry.number("interval.lower"), entry.number("interval.upper")
        if low is None or high is None:
            continue
        if low > high:
            yield entry.problem("interval", f"lower end {low:g} above upper end {high:g}", severity="error")
            continue
        term = context.outcome(entry)
        survival = term is not None and term.facts.text("kind") == "survival"
        name = "percent" if survival else "mean"
        value = entry.number(name)
        if value is None:
            continue
        centre, width = (low + high) / 2, high - low
        slack = 0.05 * width + half_step(entry.typed(name)) + half_step(entry.typed("interval.lower"))
        off = not low <= value <= high if survival else abs(value - centre) > slack
        if off:
            lost_sign = abs(-value - centre) <= slack
            yield entry.problem(
                name,
                f"the interval {low:g} to {high:g} has its centre at {centre:g}",
                found=entry.typed(name),
                hint="was a minus sign lost?" if lost_sign else "",
                severity="question",
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


@rule("pinch_strengths", "grip > key and tripod pinch > tip pinch", needs=NEEDS, basis=PRACTICE)
def pinch_strengths(context: Context) -> Iterator[Problem]:
    """Ask about strengths in an unlikely order within one arm and time."""
    together: dict[tuple[object, ...], dict[str, tuple[float, Group]]] = {}
    for entry, term in measured(context):
        convert, mean = to_stored_unit(context, entry, term), entry.number("mean")
        if convert is not None and mean is not None and entry.text("kind") != "change":
            key = (entry.text("arm"), entry.text("kind"), *time_key(entry))
            together.setdefault(key, {})[term.id] = (convert(mean), entry)
    for strengths in together.values():
        for larger, smaller, most_ratio in (
            ("tripod_pinch", "key_pinch", 2.5),
            ("key_pinch", "tip_pinch", 1.0),
            ("tripod_pinch", "tip_pinch", 1.0),
            ("grip", "key_pinch", 0.4),
            ("grip", "tripod_pinch", 0.4),
        ):
            if larger not in strengths or smaller not in strengths:
                continue
            (big, _), (small, entry) = strengths[larger], strengths[smaller]
            if big > 0 and small > most_ratio * big:
                yield entry.problem(
                    "mean",
                    f"{smaller} {small:.3g} kg is more than {most_ratio:g} x {larger} {big:.3g} kg; is the unit right?",
                    found=entry.typed("mean"),
                    severity="question",
                )


@rule(
    "possible_mean",
    "a mean of whole points is possible",
    needs=(*NEEDS, "outcomes.n"),
    basis="Brown & Heathers 2017 (from memory)",
)
def possible_mean(context: Context) -> Iterator[Problem]:
    """Ask about means that no sum of whole points can give."""
    for entry, term in measured(context):
        mean, size = entry.number("mean"), entry.integer("n")
        if not term.facts.flag("whole_points") or mean is None or not size or entry.text("kind") == "change":
            continue
        step = half_step(entry.typed("mean"))
        nearest = round(mean * size) / size
        if 2 * step * size < 1 and abs(nearest - mean) > step + 1e-9:
            yield entry.problem(
                "mean",
                f"{mean:g} x {size} = {mean * size:.2f}; whole points would give {nearest:.{len(entry.typed('mean').partition('.')[2])}f}",
                found=entry.typed("mean"),
                severity="question",
            )


@rule("score_gets_better", "scores improve after surgery", needs=(*NEEDS, "outcomes.kind"), basis=PRACTICE)
def score_gets_better(context: Context) -> Iterator[Problem]:
    """Ask about patient-reported scores and pain that are worse after surgery than before."""
    before: dict[tuple[str, str], float] = {}
    for entry, term in measured(context):
        mean, convert = entry.number("mean"), to_stored_unit(context, entry, term)
        if entry.text("kind") == "baseline" and mean is not None and convert is not None:
            before[(entry.text("arm"), term.id)] = convert(mean)
    for entry, term in measured(context):
        mean, convert, first = (
            entry.number("mean"),
            to_stored_unit(context, entry, term),
            before.get((entry.text("arm"), term.id)),
        )
        better = term.facts.text("better")
        if term.facts.text("family") not in ("patient_reported", "pain") or better not in ("lower", "higher"):
            continue
        if mean is None or convert is None or first is None or entry.text("kind") != "final":
            continue
        after = convert(mean)
        if (after > first) if better == "lower" else (after < first):
            yield entry.problem(
                "mean",
                f"{term.id} was {first:g} before and {after:g} after, {better} is better: is the direction right?",
                found=entry.typed("mean"),
                severity="question",
            )
