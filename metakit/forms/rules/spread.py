"""Rules on spread and intervals of measured outcomes: what a scale allows, standard errors in disguise."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from metakit.errors import Problem
from metakit.forms.arithmetic import half_step, most_spread
from metakit.forms.rules.arms import PRACTICE, order_problems
from metakit.forms.rules.measured import NEEDS, limits_of, measured, to_stored_unit
from metakit.forms.rules.registry import Context, rule


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
        for (below, low), (above, high) in pairwise(known):
            if low > high:
                yield entry.problem(
                    above,
                    f"{above} {high:g} is below {below} {low:g}",
                    found=entry.typed(above),
                    severity="error",
                )
        if not any(low > high for (_, low), (_, high) in pairwise(known)):
            yield from (problem for problem in order_problems(entry) if problem.field.endswith(".mean"))


@rule(
    "interval_around_mean",
    "the interval lies around the estimate",
    needs=("outcomes.interval",),
    basis="contradictions met in published abstracts",
)
def interval_around_mean(context: Context) -> Iterator[Problem]:
    """Find reversed intervals, and ask about estimates off their centre, as when a minus sign was lost."""
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
                f"{mean:g} x {size} = {mean * size:.2f}; the nearest sum of whole points gives {nearest:.4g}",
                found=entry.typed("mean"),
                severity="question",
            )
