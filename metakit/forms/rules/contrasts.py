"""Rules on what a report says about two arms: estimate, interval and p value in themselves."""

from __future__ import annotations

import math
from collections.abc import Iterator
from statistics import NormalDist

from metakit.errors import Problem
from metakit.forms.arithmetic import half_step, p_of_z
from metakit.forms.rules.registry import Context, rule
from metakit.forms.tree import Group

NEEDS = ("contrasts.arm", "contrasts.comparator", "contrasts.estimate", "contrasts.p_value")
RATIOS = ("risk_ratio", "odds_ratio", "rate_ratio", "hazard_ratio", "ratio_of_means")
MEASURES_OF = {
    "events": ("risk_ratio", "odds_ratio", "risk_difference", "rate_ratio", "hazard_ratio"),
    "survival": ("hazard_ratio", "risk_ratio", "odds_ratio", "risk_difference"),
    "continuous": ("mean_difference", "standardized_mean_difference", "ratio_of_means"),
}
LOGRANK = ("observed_minus_expected", "logrank_variance")
BRIEF = "contradictions met in published abstracts"
BIG_P, TWOFOLD_ABOVE = 0.05, 0.01


def analysed(entry: Group, path: str) -> float | None:
    """Return a number on the scale of the analysis: the logarithm of a ratio; None where there is none."""
    value = entry.number(path)
    if value is None or entry.text("measure") not in RATIOS:
        return value
    return math.log(value) if value > 0 else None


def slack_of(entry: Group, path: str) -> float:
    """Return how far the rounding of a typed number reaches on the scale of the analysis."""
    step, value = half_step(entry.typed(path)), entry.number(path)
    if entry.text("measure") not in RATIOS or not value or value <= 0:
        return step
    return math.log((value + step) / value)


def stated_p(entry: Group) -> tuple[float, float] | None:
    """Return the lowest and highest p that the typed p value stands for."""
    text = entry.text("p_value")
    if not text:
        return None
    value = float(text.lstrip("<>"))
    if text.startswith("<"):
        return 0.0, value
    return (value, 1.0) if text.startswith(">") else _around(value, half_step(text))


def _around(value: float, step: float) -> tuple[float, float]:
    return max(value - step, 0.0), min(value + step, 1.0)


def far_apart(one: tuple[float, float], other: tuple[float, float]) -> bool:
    """Say whether two p values, each with its rounding, differ by more than 0.05 or more than twofold.

    Below 0.01 twofold is no sign of anything: the choice of a test does as much (common practice, no source).
    """
    low, high = (one, other) if one[1] < other[0] else (other, one)
    if low[1] >= high[0]:
        return False
    below, above = low[1], high[0]
    return above - below > BIG_P or (above > TWOFOLD_ABOVE and above > 2 * below)


@rule("contrast_fits", "a contrast compares two arms in one measure", needs=NEEDS, basis="definition")
def contrast_fits(context: Context) -> Iterator[Problem]:
    """Find contrasts of an arm with itself, measures of another kind, ratios that are none, empty ones."""
    for entry in context.record.groups("contrasts"):
        measure, term = entry.text("measure"), context.term(entry, "outcome", "contrasts.outcome")
        if entry.text("arm") and entry.text("arm") == entry.text("comparator"):
            what = "an arm cannot be compared with itself"
            yield entry.problem("comparator", what, found=entry.text("comparator"), severity="error")
        allowed = MEASURES_OF.get(term.facts.text("kind") if term else "", ())
        if measure and allowed and measure not in allowed:
            what = f"{entry.text('outcome')} is not compared by this measure"
            yield entry.problem("measure", what, found=measure, allowed=", ".join(allowed), severity="error")
        numbers = ("estimate", "interval.lower", "interval.upper", "standard_error")
        typed = [path for path in numbers if entry.number(path) is not None]
        logrank = [path for path in LOGRANK if entry.number(path) is not None]
        if logrank and (measure != "hazard_ratio" or len(logrank) < len(LOGRANK)):
            what = "O - E and its variance belong together, and to a hazard ratio"
            yield entry.problem(logrank[0], what, found=entry.typed(logrank[0]), severity="error")
        if typed and not measure:
            yield entry.problem("measure", "an estimate of what? the measure is missing", severity="error")
        if not typed and not logrank and not entry.has("p_value"):
            what = "neither an estimate nor an interval nor a p value"
            yield entry.problem("", what, hint="delete the entry", severity="error")
        for path in typed if measure in RATIOS else ():
            if (entry.number(path) or 0.0) <= 0 and path != "standard_error":
                yield entry.problem(
                    path,
                    f"a {measure} is above 0",
                    found=entry.typed(path),
                    hint="the logarithm? type the ratio itself",
                    severity="error",
                )


@rule("interval_around_contrast", "the interval lies around the estimate", needs=NEEDS, basis=BRIEF)
def interval_around_contrast(context: Context) -> Iterator[Problem]:
    """Ask about estimates off the centre of their interval by more than 5 % of its width."""
    for entry in context.record.groups("contrasts"):
        low, high = entry.number("interval.lower"), entry.number("interval.upper")
        if low is not None and high is not None and low > high:
            what = f"lower end {low:g} above upper end {high:g}"
            yield entry.problem("interval", what, severity="error")
            continue
        value, start, end = (analysed(entry, p) for p in ("estimate", "interval.lower", "interval.upper"))
        if value is None or start is None or end is None:
            continue
        centre, width = (start + end) / 2, end - start
        slack = 0.05 * width + slack_of(entry, "estimate")
        slack += (slack_of(entry, "interval.lower") + slack_of(entry, "interval.upper")) / 2
        if abs(value - centre) <= slack + 1e-12:
            continue
        ratio = entry.text("measure") in RATIOS
        middle = math.exp(centre) if ratio else centre
        lost_sign = not ratio and abs(-value - centre) <= slack
        how = f"root of {low:g} x {high:g}" if ratio else f"({low:g} + {high:g}) / 2"
        yield entry.problem(
            "estimate",
            f"the interval has its centre at {how} = {middle:.3g}",
            found=entry.typed("estimate"),
            hint="was a minus sign lost?" if lost_sign else "",
            severity="question",
        )


@rule("p_fits_interval", "p value and interval agree", needs=NEEDS, basis=BRIEF)
def p_fits_interval(context: Context) -> Iterator[Problem]:
    """Ask about p values that differ from what the interval implies by more than 0.05 or twofold."""
    for entry in context.record.groups("contrasts"):
        stated, level = stated_p(entry), entry.number("interval.level")
        low, high = analysed(entry, "interval.lower"), analysed(entry, "interval.upper")
        if stated is None or level is None or low is None or high is None or low >= high:
            continue
        value = analysed(entry, "estimate")
        if value is None or not low <= value <= high:
            value = (low + high) / 2
        width = NormalDist().inv_cdf(0.5 + level / 200)
        error = (high - low) / (2 * width)
        rounding = (slack_of(entry, "interval.lower") + slack_of(entry, "interval.upper")) / 2
        reach = slack_of(entry, "estimate") if entry.has("estimate") else rounding
        widest = error + rounding / width
        narrowest = max(error - rounding / width, 1e-12)
        implied = (
            p_of_z((abs(value) + reach) / narrowest),
            p_of_z(max(abs(value) - reach, 0.0) / widest),
        )
        if far_apart(stated, implied):
            z = abs(value) / error
            yield entry.problem(
                "p_value",
                f"the interval implies a standard error of {error:.3g}, z = {z:.2f}, p = {p_of_z(z):.2g}",
                found=entry.typed("p_value"),
                hint="does the p value belong to another test?",
                severity="question",
            )
