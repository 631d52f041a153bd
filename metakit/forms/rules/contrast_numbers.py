"""Rules that hold what a report says about two arms against the arms' own counts and means."""

from __future__ import annotations

import math
from collections.abc import Iterator
from statistics import NormalDist

from metakit.errors import Problem
from metakit.forms.arithmetic import fisher_p, half_step, pearson_p
from metakit.forms.rules.contrasts import NEEDS, RATIOS, analysed, far_apart, slack_of, stated_p
from metakit.forms.rules.counts import time_key
from metakit.forms.rules.registry import Context, rule
from metakit.forms.tree import Group

WRONG_WAY, ADJUSTED = "are arm and comparator the wrong way round?", "is it adjusted? say for what"


def sides(context: Context, entry: Group) -> tuple[Group, Group] | None:
    """Return the outcomes of the two arms that a contrast compares: same outcome and time, final values."""
    found = []
    for name in ("arm", "comparator"):
        fitting = [
            other
            for other in context.record.groups("outcomes")
            if other.text("arm") == entry.text(name)
            and other.text("outcome") == entry.text("outcome")
            and time_key(other) == time_key(entry)
            and other.text("kind") in ("", "final")
        ]
        if len(fitting) != 1:
            return None
        found.append(fitting[0])
    return found[0], found[1]


@rule("p_fits_counts", "p value and counts agree", needs=(*NEEDS, "outcomes.events"), basis="arithmetic")
def p_fits_counts(context: Context) -> Iterator[Problem]:
    """Ask about crude p values that neither Fisher's exact nor the chi-squared tests give for the counts."""
    for entry in context.record.groups("contrasts"):
        stated, table = stated_p(entry), _table(context, entry)
        if stated is None or table is None or entry.has("adjusted_for"):
            continue
        ps = [fisher_p(*table), pearson_p(*table), pearson_p(*table, corrected=True)]
        if far_apart(stated, (min(ps), max(ps))):
            a, n1, c, n2 = table
            tests = ("Fisher's exact test", "chi-squared", "with continuity correction")
            shown = ", ".join(f"{name} {p:.2g}" for name, p in zip(tests, ps, strict=True))
            yield entry.problem(
                "p_value",
                f"{a} of {n1} against {c} of {n2} give p by {shown}",
                found=entry.typed("p_value"),
                hint="does the p value belong to another test or time?",
                severity="question",
            )


def _table(context: Context, entry: Group) -> tuple[int, int, int, int] | None:
    pair = sides(context, entry)
    if pair is None:
        return None
    numbers = [side.integer(name) for side in pair for name in ("events", "total")]
    a, n1, c, n2 = numbers
    if a is None or n1 is None or c is None or n2 is None or a > n1 or c > n2:
        return None
    return a, n1, c, n2


@rule(
    "contrast_fits_counts",
    "a crude ratio or difference agrees with the counts",
    needs=(*NEEDS, "outcomes.events"),
    basis="arithmetic, within rounding",
)
def contrast_fits_counts(context: Context) -> Iterator[Problem]:
    """Ask about crude estimates that the counts do not give, and about intervals far from theirs."""
    for entry in context.record.groups("contrasts"):
        table, measure = _table(context, entry), entry.text("measure")
        value = analysed(entry, "estimate")
        if table is None or entry.has("adjusted_for"):
            continue
        found = _from_counts(measure, *table)
        if found is None:
            continue
        effect, error, how = found
        back = math.exp if measure in RATIOS else float
        if value is not None and abs(value - effect) > slack_of(entry, "estimate") + 1e-9:
            turned = abs(value + effect) <= slack_of(entry, "estimate") + 0.01 * abs(effect)
            yield entry.problem(
                "estimate",
                f"{how} = {back(effect):.3g}",
                found=entry.typed("estimate"),
                hint="are arm and comparator the wrong way round?"
                if turned
                else "is it adjusted? say for what",
                severity="question",
            )
            continue
        low, high, level = (
            analysed(entry, "interval.lower"),
            analysed(entry, "interval.upper"),
            entry.number("interval.level"),
        )
        if low is None or high is None or level is None or error <= 0:
            continue
        width = 2 * NormalDist().inv_cdf(0.5 + level / 200) * error
        rounding = slack_of(entry, "interval.lower") + slack_of(entry, "interval.upper")
        # Exact, score and corrected intervals differ by a quarter or so; a half does not happen.
        if not 2 / 3 * width - rounding <= high - low <= 1.5 * width + rounding:
            ends = [back(effect + sign * width / 2) for sign in (-1, 1)]
            yield entry.problem(
                "interval",
                f"the counts ({how}) give about {ends[0]:.3g} to {ends[1]:.3g}",
                found=f"{entry.typed('interval.lower')} to {entry.typed('interval.upper')}",
                severity="question",
            )


def _from_counts(measure: str, a: int, n1: int, c: int, n2: int) -> tuple[float, float, str] | None:
    b, d = n1 - a, n2 - c
    if measure == "risk_difference":
        error = math.sqrt(a * b / n1**3 + c * d / n2**3)
        return a / n1 - c / n2, error, f"{a} / {n1} - {c} / {n2}"
    if measure == "risk_ratio" and a and c:
        error = math.sqrt(max(1 / a - 1 / n1 + 1 / c - 1 / n2, 0.0))
        return math.log(a * n2 / (c * n1)), error, f"({a} / {n1}) / ({c} / {n2})"
    if measure == "odds_ratio" and a and b and c and d:
        error = math.sqrt(1 / a + 1 / b + 1 / c + 1 / d)
        return math.log(a * d / (b * c)), error, f"({a} x {d}) / ({b} x {c})"
    return None


@rule(
    "contrast_fits_means",
    "a crude mean difference, its p value and the means agree",
    needs=(*NEEDS, "outcomes.mean"),
    basis="arithmetic, within rounding",
)
def contrast_fits_means(context: Context) -> Iterator[Problem]:
    """Ask about crude differences that the means do not give, and p values that the t test does not."""
    for entry in context.record.groups("contrasts"):
        pair = sides(context, entry)
        if pair is None or entry.has("adjusted_for") or entry.text("measure") not in ("", "mean_difference"):
            continue
        one, two = (side.number("mean") for side in pair)
        if one is None or two is None:
            continue
        value, difference = entry.number("estimate"), one - two
        slack = half_step(entry.typed("estimate")) + sum(half_step(side.typed("mean")) for side in pair)
        if value is not None and abs(value - difference) > slack + 1e-9:
            turned = abs(value + difference) <= slack
            yield entry.problem(
                "estimate",
                f"{one:g} - {two:g} = {difference:.4g}",
                found=entry.typed("estimate"),
                hint="are arm and comparator the wrong way round?"
                if turned
                else "is it adjusted? say for what",
                severity="question",
            )
            continue
        yield from _t_test(entry, pair, difference)


def _t_test(entry: Group, pair: tuple[Group, Group], difference: float) -> Iterator[Problem]:
    stated = stated_p(entry)
    spreads = [side.number("standard_deviation") for side in pair]
    sizes = [side.integer("n") for side in pair]
    if stated is None or not all(spreads) or not all(size and size > 2 for size in sizes):
        return
    from scipy.special import stdtr

    parts = [(s or 0.0) ** 2 / (n or 1) for s, n in zip(spreads, sizes, strict=True)]
    error = math.sqrt(sum(parts))
    freedom = sum(parts) ** 2 / sum(v**2 / ((n or 2) - 1) for v, n in zip(parts, sizes, strict=True))
    slack = sum(half_step(side.typed("mean")) for side in pair)

    def p_of(distance: float) -> float:
        return float(2 * stdtr(freedom, -distance / error))

    size = abs(difference)
    implied = (p_of(size + slack), p_of(max(size - slack, 0.0)))
    if far_apart(stated, implied):
        yield entry.problem(
            "p_value",
            f"{difference:.4g} / {error:.3g} = t {size / error:.2f} with {freedom:.0f} degrees of freedom, "
            f"p = {p_of(size):.2g}",
            found=entry.typed("p_value"),
            hint="a standard error typed as standard deviation, or another test?",
            severity="question",
        )
