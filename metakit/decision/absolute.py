"""What a relative effect means for 100 thumbs at a stated baseline, with both kinds of interval.

One interval holds the baseline fixed; the other carries its uncertainty too, as the distribution of the
difference over the baseline's. Both take baseline and relative effect as independent, which the same studies'
comparator arms are not quite; the note says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.core.limits import Limits
from metakit.core.results import PoolResult
from metakit.core.written import ratio
from metakit.errors import NotEstimableError, UsageError
from metakit.measures.absolute import number_needed
from metakit.measures.converting.carrying import Carrier, carrier_for
from metakit.measures.registry import MEASURES, Measure
from metakit.synthesis.baseline import Baseline
from metakit.synthesis.confidence import EffectDistribution, distribution_of

_REACH, _PANEL, _POINTS = 8.0, 0.125, 32
"""Normal scores of the baseline that are integrated over, in panels of as many points."""
NOT_QUITE_INDEPENDENT = (
    "Where the baseline is that of the comparator arms of the same studies, its uncertainty is combined with "
    "that of the relative effect as if the two were independent."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberNeeded:
    """How many must be treated for one event more or fewer; `benefit` says which of the two is meant.

    `best` and `worst` are the numbers at the limits of the difference, the one on the estimate's side and
    farther from zero first; `through_infinity` says that the interval of the difference holds zero, so that
    the numbers run from benefit through infinity to harm (Altman 1998).
    """

    value: float
    benefit: bool
    best: float
    worst: float
    through_infinity: bool

    def __str__(self) -> str:
        """Write it out, every number rounded up as the Handbook asks."""
        word, other = ("benefit", "harm") if self.benefit else ("harm", "benefit")
        one = f"{_up(self.value)} for one to {word}"
        if self.through_infinity:
            return f"{one} ({_up(self.best)} to {word}, through ∞, to {_up(self.worst)} to {other})"
        return f"{one} ({_up(self.best)} to {_up(self.worst)})"


@dataclass(frozen=True, slots=True, kw_only=True)
class AbsoluteDifference:
    """A relative effect at one baseline. Fractions (or per thumb-year), not per 100.

    `fixed` holds the baseline fixed, `both` carries its uncertainty too; `with_technique` and its interval
    are at the fixed baseline.
    """

    baseline: Baseline
    level: float
    with_technique: float
    with_technique_interval: Limits
    difference: float
    fixed: Limits
    both: Limits
    needed: NumberNeeded
    basis: str
    notes: tuple[str, ...]
    carrier: Carrier
    only_limit: str
    below: Callable[[float], float]

    def exceeding(self, smallest: float) -> tuple[float, float]:
        """Return the probabilities of at least `smallest` fewer, and at least `smallest` more.

        `smallest` is a fraction (or a rate). With the baseline's uncertainty; read together with `basis`,
        which says whether this is a posterior probability or that of a confidence distribution.
        """
        return self.below(-smallest), 1 - self.below(smallest)


def absolute_difference(
    measure: str,
    effect: EffectDistribution,
    baseline: Baseline,
    *,
    level: float = 0.95,
    log_scale: bool = True,
    lower_is_better: bool = True,
    home: float | None = None,
) -> AbsoluteDifference:
    """Return what a relative effect means at a baseline.

    Parameters
    ----------
    measure : str
        Name of a measure with `at_baseline`.
    effect : EffectDistribution
        Of the pooled mean, on the analysis scale (logs of ratios).
    baseline : Baseline
        Risk, or rate for a rate ratio.
    level : float
        Of the intervals.
    log_scale : bool
        Whether the analysis scale is logarithmic.
    lower_is_better : bool
        Whether an event is bad.
    home : float, optional
        The baseline of the effect's own studies, by which a risk difference that does not fit is carried.

    Returns
    -------
    AbsoluteDifference

    Raises
    ------
    UsageError
        When a rate ratio meets a baseline risk, or a measure of risks a baseline rate.
    NotEstimableError
        When a risk difference fits neither this baseline nor that of its own studies.

    References
    ----------
    Cochrane Handbook 15.4.4; Altman (1998) for the number needed to treat.
    """
    at_baseline = MEASURES[measure].at_baseline
    if at_baseline is not None and baseline.per_year != at_baseline.per_year:
        kind = "a rate per thumb-year" if baseline.per_year else "a risk"
        raise UsageError(
            f"the baseline “{baseline.label}” is {kind}; a {measure.replace('_', ' ')} cannot use it"
        )
    back: Callable[[FloatArray], FloatArray] = np.exp if log_scale else np.asarray
    tails = np.array([0.5, (1 - level) / 2, (1 + level) / 2])
    with np.errstate(over="ignore"):
        values = back(np.array([effect.centre, *effect.quantile(tails[1:])]))
    carrier = carrier_for(measure, values, baseline.value, per_year=baseline.per_year, home=home)
    risks = carrier.risk(values, baseline.value)
    notes = [NOT_QUITE_INDEPENDENT] if baseline.kind == "comparator_arms" else []
    notes += [carrier.reason] if carrier.reason else []
    below = _difference_below(carrier, effect, baseline, log_scale=log_scale)
    rough = _difference_below(carrier, effect, baseline, log_scale=log_scale, rough=True)
    low, high = (_quantile(below, share, baseline, rough) for share in tails[1:])
    only = getattr(effect, "only", "")
    limits = np.sort(risks[1:])
    difference, fixed = float(risks[0] - baseline.value), limits - baseline.value
    return AbsoluteDifference(
        baseline=baseline,
        level=level,
        with_technique=float(risks[0]),
        with_technique_interval=Limits(float(limits[0]), float(limits[1])),
        difference=difference,
        fixed=Limits(float(fixed[0]), float(fixed[1])),
        both=Limits(
            float(fixed[0]) if only == "upper" else low, float(fixed[1]) if only == "lower" else high
        ),
        needed=needed_to_treat(difference, float(fixed[0]), float(fixed[1]), lower_is_better=lower_is_better),
        basis=effect.basis,
        notes=tuple(notes),
        carrier=carrier,
        only_limit=only,
        below=below,
    )


def difference_of(
    result: PoolResult,
    measure: Measure,
    baseline: Baseline,
    *,
    lower_is_better: bool = True,
    home: float | None = None,
) -> AbsoluteDifference:
    """Return what a pooled result means at a baseline; see `absolute_difference`."""
    if result.posterior is None and not math.isfinite(result.estimate):
        raise NotEstimableError("one study with all its events in one arm has no finite ratio to carry over")
    return absolute_difference(
        measure.name,
        distribution_of(result),
        baseline,
        level=result.level,
        log_scale=measure.scale().axis == "log",
        lower_is_better=lower_is_better,
        home=home,
    )


def needed_to_treat(
    difference: float, lower: float, upper: float, *, lower_is_better: bool = True
) -> NumberNeeded:
    """Return the number needed to treat with its interval.

    Parameters
    ----------
    difference, lower, upper : float
        Absolute difference, technique less comparator, as fractions.
    lower_is_better : bool
        Whether an event is bad.

    References
    ----------
    Altman DG (1998). Confidence intervals for the number needed to treat. BMJ 317:1309-1312.

    Examples
    --------
    >>> str(needed_to_treat(-0.10, -0.25, 0.05))
    '10 for one to benefit (4 to benefit, through ∞, to 20 to harm)'
    """
    fewer = difference < 0 or (difference == 0 and -lower >= upper)
    near, far = (lower, upper) if fewer else (upper, lower)
    return NumberNeeded(
        value=number_needed(difference),
        benefit=fewer == lower_is_better,
        best=number_needed(near),
        worst=number_needed(far),
        through_infinity=lower < 0 < upper,
    )


def _up(value: float) -> str:
    """Round up, a hair's breadth of rounding error aside."""
    return "∞" if math.isinf(value) else f"{math.ceil(round(value, 9)):d}" if value < 1e6 else ratio(value)


def _difference_below(
    carrier: Carrier, effect: EffectDistribution, baseline: Baseline, *, log_scale: bool, rough: bool = False
) -> Callable[[float], float]:
    """Return the distribution function of the difference, the baseline's uncertainty in it.

    With `rough`, by an eighth of the panels: enough to say about where a quantile lies.
    """
    fewer = carrier.without or MEASURES[carrier.measure].larger_means == "fewer"
    shares, weights = _nodes(8 * _PANEL if rough else _PANEL)
    with np.errstate(over="ignore"):
        bases = np.clip(baseline.quantile(shares), 1e-300, 1e300 if baseline.per_year else 1 - 2**-53)

    def below(difference: float) -> float:
        with np.errstate(divide="ignore", over="ignore"):
            needed = carrier.effect(difference, bases)
            share = effect.below(np.log(needed) if log_scale else needed)
        if fewer:
            share = 1 - share
        if not baseline.per_year:
            share = np.where(difference >= 1 - bases, 1.0, np.where(difference < -bases, 0.0, share))
        return float(np.sum(weights * share))

    def cut_below(difference: float) -> float:
        # A difference cannot take away more than there is, nor add beyond everybody: the two cuts are jumps
        # over the baselines, so their shares are found exactly.
        share = float(effect.below(difference))
        if difference < 0:
            return share * (1 - _share_below(baseline, -difference))
        return 1 - (1 - share) * _share_below(baseline, 1 - difference)

    return cut_below if carrier.measure == "risk_difference" and not baseline.per_year else below


@cache
def _nodes(panel: float) -> tuple[FloatArray, FloatArray]:
    """Return shares of a distribution and their weights, which add up to 1.

    Gauss-Legendre's rule in panels of the normal score, where quantiles are smooth. Zero is the end of a
    panel, since distributions of two halves have a kink there; the kink of such an effect lies anywhere,
    which is why there are so many panels.
    """
    places, weights = np.polynomial.legendre.leggauss(_POINTS)
    edges = np.arange(-_REACH, _REACH, panel)
    score = np.add.outer(edges + panel / 2, places * panel / 2).ravel()
    mass = np.exp(-(score**2) / 2) * np.tile(weights, len(edges))
    return np.asarray(special.ndtr(score)), np.asarray(mass / mass.sum())


def _share_below(baseline: Baseline, value: float) -> float:
    """Return the share of the baseline's distribution below a value."""
    from scipy import optimize

    def over(score: float) -> float:
        return float(baseline.quantile(np.array([special.ndtr(score)]))[0]) - value

    if over(-_REACH) >= 0:
        return 0.0
    if over(_REACH) <= 0:
        return 1.0
    return float(special.ndtr(optimize.brentq(over, -_REACH, _REACH, xtol=1e-13)))


def _quantile(
    below: Callable[[float], float], share: float, baseline: Baseline, rough: Callable[[float], float]
) -> float:
    """Return the difference with this share below it, looked for around the place that `rough` gives it."""
    from scipy import optimize

    below = cache(below)  # the ends of the last bracket are asked for twice
    low, high = -1.0, 1.0
    while baseline.per_year and below(high) < share:
        if high > 1e12:
            return math.inf
        high *= 4
    while baseline.per_year and below(low) > share:
        if low < -1e12:
            return -math.inf
        low *= 4
    with suppress(ValueError):  # no change of sign
        near = float(optimize.brentq(lambda x: rough(x) - share, low, high, xtol=1e-12, rtol=1e-10))
        for reach in (1e-8 + 1e-7 * abs(near), 1e-4 + 1e-3 * abs(near)):
            start, end = max(low, near - reach), min(high, near + reach)
            if below(start) < share < below(end):
                low, high = start, end
                break
    return float(optimize.brentq(lambda x: below(x) - share, low, high, xtol=1e-16, rtol=1e-14))
