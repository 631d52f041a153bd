"""The mean and its intervals under the random-effects model.

Sources: DerSimonian & Laird 1986 (Wald); Hartung & Knapp 2001, Sidik & Jonkman 2002; Rover 2015 (floor);
Hardy & Thompson 1996 (profile likelihood); Higgins, Thompson & Spiegelhalter 2009 and Partlett & Riley 2017
(prediction).
"""

from __future__ import annotations

from dataclasses import dataclass

from mpmath import mp, mpf

from .precision import (
    Number,
    Vector,
    bracketed_root,
    chi2_quantile,
    normal_quantile,
    normal_two_sided_p,
    t_quantile,
    t_two_sided_p,
    total,
)
from .tau2 import log_likelihood, maximum_likelihood, q_statistic, stationary_points, weighted_mean, weights


@dataclass(frozen=True)
class Interval:
    """An interval for the mean with the standard error and the test that belong to it."""

    standard_error: Number
    lower: Number
    upper: Number
    p_value: Number | None = None

    def as_dict(self) -> dict[str, object]:
        """Return what goes into the certified file."""
        answer: dict[str, object] = {
            "standard_error": self.standard_error,
            "interval": [self.lower, self.upper],
        }
        if self.p_value is not None:
            answer["p_value"] = self.p_value
        return answer


def estimate(y: Vector, v: Vector, tau2: Number) -> tuple[Number, Number]:
    """Return the mean with weights 1/(v + tau2) and the root of one over their sum."""
    w = weights(v, tau2)
    return weighted_mean(y, w), 1 / mp.sqrt(total(w))


def wald(y: Vector, v: Vector, tau2: Number, level: Number) -> Interval:
    """Normal quantile."""
    mean, se = estimate(y, v, tau2)
    half = normal_quantile((1 + level) / 2) * se
    return Interval(se, mean - half, mean + half, normal_two_sided_p(mean / se))


def student(y: Vector, v: Vector, tau2: Number, level: Number) -> Interval:
    """Student's t with k - 1 degrees of freedom and the Wald standard error."""
    df = len(y) - 1
    mean, se = estimate(y, v, tau2)
    half = t_quantile((1 + level) / 2, df) * se
    return Interval(se, mean - half, mean + half, t_two_sided_p(mean / se, df))


def hartung_knapp_factor(y: Vector, v: Vector, tau2: Number) -> Number:
    """Return Q(tau2) / (k - 1)."""
    return q_statistic(y, v, tau2) / (len(y) - 1)


def hartung_knapp(y: Vector, v: Vector, tau2: Number, level: Number, *, floor: bool) -> Interval:
    """t with k - 1 df and the scaled variance; `floor` keeps the factor at one or above."""
    df = len(y) - 1
    mean, se = estimate(y, v, tau2)
    factor = hartung_knapp_factor(y, v, tau2)
    if floor:
        factor = max(factor, mpf(1))
    se *= mp.sqrt(factor)
    half = t_quantile((1 + level) / 2, df) * se
    # effects that are all equal have no spread at all: the test has nothing to divide by
    return Interval(se, mean - half, mean + half, t_two_sided_p(mean / se, df) if se > 0 else None)


def prediction(mean: Number, se: Number, tau2: Number, df: int, level: Number) -> tuple[Number, Number]:
    """Return mean -/+ t(df) sqrt(tau2 + se^2)."""
    half = t_quantile((1 + level) / 2, df) * mp.sqrt(tau2 + se**2)
    return mean - half, mean + half


# --- profile likelihood --------------------------------------------------------------------------


def profile_over_tau2(y: Vector, v: Vector, mu: Number) -> Number:
    """Return the log-likelihood at `mu`, at its largest over tau2 >= 0."""
    return max(
        log_likelihood(y, v, point, restricted=False, mu=mu)
        for point in stationary_points(y, v, restricted=False, mu=mu)
    )


def profile_interval(y: Vector, v: Vector, level: Number) -> tuple[Number, Number]:
    """Return the limits of {mu: 2 (max log-likelihood - profile(mu)) <= chi-square quantile}.

    Walks outward from the maximum in small steps, beyond the first crossing, and keeps the outermost one:
    where the profile has several peaks this is the smallest interval that holds the whole region.
    """
    tau2 = maximum_likelihood(y, v)
    centre, se = estimate(y, v, tau2)
    goal = log_likelihood(y, v, tau2, restricted=False) - chi2_quantile(level, 1) / 2

    def height(mu: Number) -> Number:
        return profile_over_tau2(y, v, mu) - goal

    limits = []
    for side in (-1, 1):
        # beyond the last effect the profile only falls, so crossings further out do not exist
        outermost = min(y) if side < 0 else max(y)
        step = side * se / 2
        low, crossing = centre, None
        for _ in range(400):
            high = low + step
            if crossing is None and height(high) < 0:
                crossing = (low, high)
            if crossing is not None:
                break
            low = high
        else:
            raise ArithmeticError("the profile never falls to the limit")
        scan = [crossing[1] + (outermost - crossing[1]) * i / 24 for i in range(25)]
        if side * (outermost - crossing[1]) > 0:
            above = [i for i, point in enumerate(scan) if height(point) > 0]
            if above:
                last = above[-1]
                low, high = scan[last], scan[last + 1] if last < 24 else scan[last] + step
                while height(high) > 0:
                    low, high = high, high + step
                crossing = (low, high)
        limits.append(bracketed_root(height, *sorted(crossing)))
    return limits[0], limits[1]
