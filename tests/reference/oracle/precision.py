"""Arithmetic, distributions, roots and integrals with 50 digits and ten guard digits."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence
from functools import cache

from mpmath import mp, mpf

DIGITS = 50
mp.dps = DIGITS + 10
PRINTED = 22

Number = mpf
Vector = list[mpf]


def exact(values: Iterable[object]) -> Vector:
    """Turn typed values into exact numbers: integers and decimal strings as they stand, floats bit for bit."""
    return [mpf(value) for value in values]


def doubles(texts: Iterable[str]) -> Vector:
    """Read decimal strings as the doubles that they denote, then take the exact value of each double.

    A program that reads the string gets this very number, so no input rounding enters a comparison.
    """
    return [mpf(float(text)) for text in texts]


def printed(value: object) -> object:
    """Write numbers with 22 significant digits, recursively; None, bool, int and text stay."""
    if isinstance(value, mpf):
        if mp.isinf(value):
            return "inf" if value > 0 else "-inf"
        if mp.isnan(value):
            raise ValueError("a certified value came out as not-a-number")
        return mp.nstr(value, PRINTED, min_fixed=-5, max_fixed=12)
    if isinstance(value, dict):
        return {str(key): printed(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [printed(item) for item in value]
    return value


def total(values: Iterable[Number]) -> Number:
    """Sum exactly rounded terms."""
    return mp.fsum(values)


# --- distributions -------------------------------------------------------------------------------


def normal_cdf(x: Number) -> Number:
    """Return P(Z <= x); the small tail keeps full relative precision."""
    return mp.erfc(-x / mp.sqrt(2)) / 2


@cache
def normal_quantile(p: Number) -> Number:
    """Return z with P(Z <= z) = p."""
    return mp.sqrt(2) * mp.erfinv(2 * p - 1)


def normal_two_sided_p(z: Number) -> Number:
    """Return P(|Z| >= |z|)."""
    return mp.erfc(abs(z) / mp.sqrt(2))


def t_two_sided_p(t: Number, df: Number) -> Number:
    """Return P(|T| >= |t|) for Student's t."""
    df = mpf(df)
    return mp.betainc(df / 2, mpf(1) / 2, 0, df / (df + t * t), regularized=True)


@cache
def t_quantile(p: Number, df: int) -> Number:
    """Return the p quantile of Student's t, p above one half."""
    tail = 2 * (1 - p)
    return increasing_root(lambda t: tail - t_two_sided_p(t, df), mpf(0), mpf(2))


def chi2_sf(x: Number, df: Number) -> Number:
    """Return P(X >= x) for chi-square."""
    if x <= 0:
        return mpf(1)
    return mp.gammainc(mpf(df) / 2, x / 2, mp.inf, regularized=True)


def chi2_cdf(x: Number, df: Number) -> Number:
    """Return P(X <= x) for chi-square."""
    if x <= 0:
        return mpf(0)
    return mp.gammainc(mpf(df) / 2, 0, x / 2, regularized=True)


@cache
def chi2_quantile(p: Number, df: int) -> Number:
    """Return the p quantile of chi-square."""
    if p > mpf(1) / 2:
        return increasing_root(lambda x: (1 - p) - chi2_sf(x, df), mpf(0), mpf(df))
    return increasing_root(lambda x: chi2_cdf(x, df) - p, mpf(0), mpf(df))


# --- roots ---------------------------------------------------------------------------------------


def bracketed_root(
    f: Callable[[Number], Number], low: Number, high: Number, digits: int | None = None
) -> Number:
    """Return the root of f between two points where its signs differ (Ridders' rule, then bisection's guard)."""
    f_low, f_high = f(low), f(high)
    if f_low == 0:
        return low
    if f_high == 0:
        return high
    if (f_low > 0) == (f_high > 0):
        raise ValueError("no change of sign in the bracket")
    tolerance = mpf(10) ** (-(digits or mp.dps - 6))
    previous = low
    for _ in range(2000):
        middle = (low + high) / 2
        f_middle = f(middle)
        if f_middle == 0:
            return middle
        step = mp.sqrt(f_middle**2 - f_low * f_high)
        candidate = middle + (middle - low) * (1 if f_low > f_high else -1) * f_middle / step
        f_candidate = f(candidate)
        if f_candidate == 0:
            return candidate
        points = sorted([(low, f_low), (middle, f_middle), (candidate, f_candidate), (high, f_high)])
        for (a, f_a), (b, f_b) in itertools.pairwise(points):
            if (f_a > 0) != (f_b > 0):
                low, f_low, high, f_high = a, f_a, b, f_b
                break
        scale = max(abs(low), abs(high))
        if abs(candidate - previous) <= tolerance * abs(candidate):
            return candidate
        if high - low <= tolerance * scale or scale < mpf(10) ** (-200):
            return (low + high) / 2
        previous = candidate
    raise ArithmeticError("the root did not settle")


def increasing_root(f: Callable[[Number], Number], low: Number, high: Number) -> Number:
    """Return the root of an increasing f above `low`, doubling `high` until it is passed."""
    while f(high) < 0:
        low, high = high, high * 2
    return bracketed_root(f, low, high)


def sign_changes(f: Callable[[Number], Number], grid: Sequence[Number]) -> list[Number]:
    """Return every root of f that a change of sign on the grid betrays."""
    roots = []
    values = [f(point) for point in grid]
    for (a, f_a), (b, f_b) in zip(
        zip(grid, values, strict=True), list(zip(grid, values, strict=True))[1:], strict=False
    ):
        if f_a == 0:
            roots.append(a)
        elif f_b != 0 and (f_a > 0) != (f_b > 0):
            roots.append(bracketed_root(f, a, b))
    if values and values[-1] == 0:
        roots.append(grid[-1])
    return roots


# --- integrals over the real line ----------------------------------------------------------------


def line_integral(f: Callable[[Number], Sequence[Number]], centre: Number, scale: Number) -> Vector:
    """Integrate a vector-valued analytic function that falls off like a normal density.

    The trapezoid rule on the whole line converges geometrically for such functions; the step is halved
    until 30 digits no longer move. `centre` and `scale` are the place and width of the first component,
    which must be positive.
    """
    goal = mpf(10) ** (-32)
    negligible = mpf(10) ** (-45)

    def side(start: Number, step: Number) -> list[Sequence[Number]]:
        rows, place, peak, quiet = [], start, mpf(0), 0
        while quiet < 3:
            row = f(place)
            rows.append(row)
            size = max(abs(item) for item in row)
            peak = max(peak, size)
            quiet = quiet + 1 if size <= negligible * max(peak, overall[0]) else 0
            overall[0] = max(overall[0], size)
            place += step
        return rows

    overall = [max(abs(item) for item in f(centre))]
    step = scale / 2
    rows = side(centre, step) + side(centre - step, -step)
    sums = [total(column) for column in zip(*rows, strict=True)]
    answer = [step * item for item in sums]
    for _ in range(8):
        middle = side(centre + step / 2, step) + side(centre - step / 2, -step)
        sums = [s + total(column) for s, column in zip(sums, zip(*middle, strict=True), strict=True)]
        step /= 2
        finer = [step * item for item in sums]
        size = max(abs(item) for item in finer)
        if all(
            abs(a - b) <= goal * max(abs(b), size * mpf(10) ** (-10))
            for a, b in zip(answer, finer, strict=True)
        ):
            return finer
        answer = finer
    raise ArithmeticError("the integral did not settle")
