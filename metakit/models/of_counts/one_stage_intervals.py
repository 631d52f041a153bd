"""Intervals for the mean of a one-stage model, alike for every variant."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from scipy import special

from metakit.core.limits import Limits
from metakit.core.results import MeanInterval
from metakit.errors import UnknownNameError, UsageError

INTERVALS = (
    "profile_likelihood_graded",
    "profile_likelihood",
    "profile_likelihood_small_sample",
    "wald",
    "t",
)
"""Names. Which one is the headline of a model was decided by coverage with 3 to 20 studies (in
tests/simulation): the graded profile where effects are normal between studies, the small-sample form for
the beta-binomial. The plain profile falls to 89 % when complications are common and differ between
centres."""

LEAST_SPREAD = 0.3
"""Between-study standard deviation (of logs or logits) below which the graded cutoff does not go: an estimate
of zero from a handful of studies is no evidence that they do not differ. Chosen by simulation, no published
source."""

Profile = Callable[[Sequence[float]], list[Limits]]
"""Gives the limits at which twice the log-likelihood has dropped by each cutoff; NaN where it failed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Likelihood:
    """What every interval is made of: estimate, its standard error, the profile and the test of no effect.

    `units` are the studies (the arms, for the beta-binomial) whose variation is estimated, `df` what they
    leave for it. `root` is the signed root of the likelihood ratio of the null value, None for a
    measure without one. `tau2` is the variance between studies and `sampling_variance` that of a typical
    study's own effect; both None where the model has no such split.
    """

    units: int
    df: int
    estimate: float
    standard_error: float
    profile: Profile
    root: float | None
    null_value: float | None
    tau2: float | None = None
    sampling_variance: float | None = None

    @property
    def share(self) -> float | None:
        """Share of a study's variance that lies between studies, tau being at least `LEAST_SPREAD`."""
        if self.tau2 is None or self.sampling_variance is None:
            return None
        between = max(self.tau2, LEAST_SPREAD**2)
        return between / (between + self.sampling_variance)


def mean_intervals(
    facts: Likelihood, level: float, asked: str | None, *, default: str, beside: bool = True
) -> tuple[MeanInterval, tuple[MeanInterval, ...], tuple[str, ...]]:
    """Return the headline interval, the others, and a note when the headline had to be replaced.

    The others cost as much as the headline each; without `beside` they are not made.

    `profile_likelihood_small_sample` replaces the chi-squared cutoff by n ln(1 + t^2 / df), with t the
    quantile on df degrees of freedom. For the mean of n equally precise normal effects (df = n - 1) the
    likelihood-ratio interval is then exactly the t interval (the classical identity of the two tests), so
    the correction carries the uncertainty of tau2 into the cutoff. That uncertainty matters as far as
    tau2 itself does: `profile_likelihood_graded` takes the cutoff between the chi-squared and the
    small-sample one, in proportion to the share of a study's variance that lies between studies.
    """
    headline = asked or default
    if headline not in INTERVALS:
        raise UnknownNameError("interval of the one-stage model", headline, INTERVALS)
    if headline == "profile_likelihood_graded" and facts.tau2 is None:
        others = ", ".join(name for name in INTERVALS if name != headline)
        raise UsageError(
            "the interval profile_likelihood_graded needs a variance between studies, which the "
            f"beta-binomial does not have; it takes {others}"
        )
    makers: dict[str, _Maker] = {"profile_likelihood": _profile, "wald": _wald}
    if facts.df > 0:
        makers["profile_likelihood_small_sample"] = _small_sample
        makers["t"] = _t
        if facts.share is not None:
            makers["profile_likelihood_graded"] = _graded
    notes: tuple[str, ...] = ()
    if headline not in makers:
        if asked:
            notes = (f"The interval {headline} cannot be formed here; profile_likelihood is shown.",)
        headline = "profile_likelihood"
    made = {name: make(facts, level) for name, make in makers.items() if beside or name in (headline, "wald")}
    # One call finds the limits of every profile interval: they are searched together.
    wanted = {name: cutoff for name, (_, cutoff) in made.items() if cutoff is not None}
    limits = dict(zip(wanted, facts.profile(list(wanted.values())), strict=True)) if wanted else {}
    shown = {
        name: replace(interval, interval=limits[name]) if name in limits else interval
        for name, (interval, _) in made.items()
    }
    failed = [
        name for name, interval in shown.items() if any(math.isnan(limit) for limit in interval.interval)
    ]
    if headline in failed:
        notes += (
            f"The limits of {headline} could not be found numerically; the Wald interval is shown instead.",
        )
        headline = "wald"
    rest = tuple(
        shown[name]
        for name in INTERVALS
        if beside and name in shown and name != headline and name not in failed
    )
    return shown[headline], rest, notes


_Maker = Callable[[Likelihood, float], tuple[MeanInterval, float | None]]
"""Makes an interval of the facts at a level. One with a cutoff still waits for its limits of the profile."""
_WAITING = Limits(math.nan, math.nan)


def _profile(facts: Likelihood, level: float) -> tuple[MeanInterval, float]:
    z = float(special.ndtri(0.5 + level / 2))
    root = facts.root
    interval = MeanInterval(
        method="profile_likelihood",
        standard_error=facts.standard_error,
        interval=_WAITING,
        statistic=root,
        p_value=None if root is None else float(2 * special.ndtr(-abs(root))),
    )
    return interval, z * z


def _small_sample(facts: Likelihood, level: float) -> tuple[MeanInterval, float]:
    df = facts.df
    t = float(special.stdtrit(df, 0.5 + level / 2))
    statistic = p_value = None
    if facts.root is not None:
        statistic = math.copysign(math.sqrt(df * math.expm1(facts.root**2 / facts.units)), facts.root)
        p_value = float(2 * special.stdtr(df, -abs(statistic)))
    interval = MeanInterval(
        method="profile_likelihood_small_sample",
        standard_error=facts.standard_error,
        interval=_WAITING,
        statistic=statistic,
        p_value=p_value,
        df=df,
    )
    return interval, facts.units * math.log1p(t * t / df)


def _graded(facts: Likelihood, level: float) -> tuple[MeanInterval, float]:
    share = facts.share or 0.0

    def cutoff(tail: float) -> float:
        z, t = float(special.ndtri(tail / 2)), abs(float(special.stdtrit(facts.df, tail / 2)))
        # The square of a t quantile far out in the tail (one degree of freedom) is beyond floating point.
        grown = math.log1p(t * t / facts.df) if t < 1e150 else 2 * math.log(t) - math.log(facts.df)
        return (1 - share) * z * z + share * facts.units * grown

    interval = MeanInterval(
        method="profile_likelihood_graded",
        standard_error=facts.standard_error,
        interval=_WAITING,
        statistic=facts.root,
        p_value=None if facts.root is None else _tail_of(cutoff, facts.root**2),
        df=facts.df,
    )
    return interval, cutoff(1 - level)


def _tail_of(cutoff: Callable[[float], float], drop: float) -> float:
    """Return the tail probability whose cutoff is `drop`, so that test and interval agree at every level."""
    from scipy import optimize

    least = 1e-300
    if drop == 0 or cutoff(least) <= drop:
        return 1.0 if drop == 0 else least
    log_tail = optimize.brentq(lambda x: cutoff(math.exp(x)) - drop, math.log(least), 0.0, xtol=1e-12)
    return math.exp(float(log_tail))


def _wald(facts: Likelihood, level: float) -> tuple[MeanInterval, None]:
    z = float(special.ndtri(0.5 + level / 2))
    statistic = _statistic(facts)
    p_value = None if statistic is None else float(2 * special.ndtr(-abs(statistic)))
    return _symmetric(facts, "wald", z, statistic, p_value, math.inf), None


def _t(facts: Likelihood, level: float) -> tuple[MeanInterval, None]:
    df = facts.df
    statistic = _statistic(facts)
    p_value = None if statistic is None else float(2 * special.stdtr(df, -abs(statistic)))
    reach = float(special.stdtrit(df, 0.5 + level / 2))
    return _symmetric(facts, "t", reach, statistic, p_value, df), None


def _statistic(facts: Likelihood) -> float | None:
    if facts.null_value is None:
        return None
    return (facts.estimate - facts.null_value) / facts.standard_error


def _symmetric(
    facts: Likelihood, method: str, reach: float, statistic: float | None, p_value: float | None, df: float
) -> MeanInterval:
    half = reach * facts.standard_error
    return MeanInterval(
        method=method,
        standard_error=facts.standard_error,
        interval=Limits(facts.estimate - half, facts.estimate + half),
        statistic=statistic,
        p_value=p_value,
        df=df,
    )
