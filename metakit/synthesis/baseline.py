"""How often an event is met without the technique of interest: the baseline that makes a ratio absolute."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.measures.exact_intervals import clopper_pearson, exact_poisson
from metakit.numerics.distributions import t_quantile
from metakit.numerics.of_counts.one_stage_fit import fit_latent
from metakit.numerics.of_counts.one_stage_models import binomial_normal, poisson_normal
from metakit.synthesis.confidence import ConfidenceDistribution
from metakit.synthesis.gathering.rows import StudyNumbers

BaselineKind = Literal["comparator_arms", "registry", "unit_audit", "published_cohort"]

_LARGEST_LOG = 700.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """A risk (fraction of thumbs) or a rate (per thumb-year) with its uncertainty.

    `pooled` is the distribution of the comparator arms' pooled logit risk or log rate; without one, the
    uncertainty is that of the counts alone: beta and gamma distributions after Jeffreys' prior (`lower` and
    `upper` are exact at no event, or at nothing but events). `lowest`
    and `highest` are the extremes of single studies. `events` and `total` are as typed (thumbs, or
    thumb-years for a rate).
    """

    kind: BaselineKind
    label: str
    per_year: bool
    value: float
    lower: float
    upper: float
    level: float
    events: float
    total: float
    studies: int
    source: str = ""
    lowest: float | None = None
    highest: float | None = None
    pooled: ConfidenceDistribution | None = None

    @property
    def unit(self) -> str:
        """What the total counts."""
        return "thumb-years" if self.per_year else "thumbs"

    def quantile(self, share: FloatArray) -> FloatArray:
        """Return the baseline at these shares of its distribution, in natural units."""
        if self.pooled is not None:
            value = self.pooled.quantile(share)
            # Far tails of a t distribution leave the range of numbers; any rate there is as good as infinite.
            rate = np.exp(np.minimum(value, _LARGEST_LOG)) if self.per_year else special.expit(value)
            return np.asarray(rate, dtype=float)
        return counts_quantile(self.events, self.total, share, per_year=self.per_year)


def counts_quantile(events: float, total: float, share: FloatArray, *, per_year: bool) -> FloatArray:
    """Return quantiles of a risk or rate from one count, after Jeffreys' prior.

    Parameters
    ----------
    events, total : float
        Total in thumbs, or in thumb-years.
    share : ndarray
        Between 0 and 1.
    per_year : bool
        Whether it is a rate.

    References
    ----------
    Brown LD, Cai TT, DasGupta A (2001). Stat Sci 16:101-133.
    """
    if per_year:
        return np.asarray(special.gammaincinv(events + 0.5, share) / total, dtype=float)
    return np.asarray(special.betaincinv(events + 0.5, total - events + 0.5, share), dtype=float)


def baseline_from_counts(
    kind: BaselineKind,
    label: str,
    events: float,
    total: float,
    *,
    per_year: bool = False,
    level: float = 0.95,
    source: str = "",
) -> Baseline:
    """Return the baseline of one count: a registry, a unit's audit, a published cohort.

    The interval is that after Jeffreys' prior. At no event, or nothing but events, it reaches the edge, and
    its other limit is the exact one.

    References
    ----------
    Brown, Cai & DasGupta (2001), section 4.1.2 (from memory). Clopper & Pearson (1934). Garwood (1936).
    """
    tails = np.array([(1 - level) / 2, (1 + level) / 2])
    low, high = counts_quantile(events, total, tails, per_year=per_year)
    value = events / total
    if events == 0 or (not per_year and events == total):
        exact = exact_poisson if per_year else clopper_pearson
        low, high = exact(np.array(float(events)), np.array(float(total)), level)
    return Baseline(
        kind=kind,
        label=label,
        per_year=per_year,
        value=value,
        lower=float(low),
        upper=float(high),
        level=level,
        events=events,
        total=total,
        studies=1,
        source=source,
    )


def comparator_baseline(
    numbers: Sequence[StudyNumbers], *, per_year: bool, level: float = 0.95
) -> Baseline | None:
    """Return the pooled baseline of the comparator arms of an analysis.

    The one-arm model is binomial-normal (Poisson-normal for rates) on the numbers after the design effect;
    where it gives no answer, and for one study, the counts are taken together.

    Parameters
    ----------
    numbers : sequence of StudyNumbers
        Two-sided studies.
    per_year : bool
        Whether events stand against thumb-years.

    Returns
    -------
    Baseline or None
        None without thumbs.
    """
    size = "time" if per_year else "total"
    # A study that enters by a ready effect may not give the counts of its arms.
    numbers = [study for study in numbers if {"events", size} <= set(study.sides[1].numbers)]
    typed = [study.sides[1].numbers for study in numbers]
    events, total = sum(row["events"] for row in typed), sum(row[size] for row in typed)
    if total <= 0:
        return None
    each = [row["events"] / row[size] for row in typed if row[size] > 0]
    mixed = events > 0 and (per_year or events < total)
    fitted = _pooled(numbers, size=size, level=level) if mixed else None
    if fitted is None:
        found = baseline_from_counts(
            "comparator_arms", "in the same studies", events, total, per_year=per_year, level=level
        )
        value, lower, upper, pooled = found.value, found.lower, found.upper, None
    else:
        pooled, *limits = fitted
        value, lower, upper = (_back(end, per_year=per_year) for end in (pooled.centre, *limits))
    return Baseline(
        kind="comparator_arms",
        label="in the same studies",
        per_year=per_year,
        value=value,
        lower=lower,
        upper=upper,
        level=level,
        events=events,
        total=total,
        studies=len(typed),
        lowest=min(each),
        highest=max(each),
        pooled=pooled,
    )


def _back(value: float, *, per_year: bool) -> float:
    return float(np.exp(value) if per_year else special.expit(value))


def _pooled(
    numbers: Sequence[StudyNumbers], *, size: str, level: float
) -> tuple[ConfidenceDistribution, float, float] | None:
    """Fit the one-arm model; return the distribution of its mean with both limits on the analysis scale.

    Only the mean is asked for, so its t interval (k - 1 degrees of freedom) is taken, which costs nothing
    beyond the fit; profiling a baseline would take longer than all else in a review.
    """
    events = np.array([[float(study.sides[1].effective["events"]) for study in numbers]])
    total = np.array([[float(study.sides[1].effective[size]) for study in numbers]])
    keep = total[0] > 0
    k = int(np.sum(keep))
    if k < 2:
        return None
    prepared = (poisson_normal if size == "time" else binomial_normal)(events[:, keep], total[:, keep])
    fit = fit_latent(prepared.model, prepared.beta, prepared.intercepts, heterogeneous=k > 2).maximum
    if not bool(fit.converged[0]):
        return None
    spread = float(fit.parameters[0, 1])
    which = [0, 1] if spread > 0 else [0]
    error = float(np.sqrt(np.linalg.inv(-fit.hessian[0][np.ix_(which, which)])[0, 0]))
    estimate, df = float(fit.parameters[0, 0]), float(k - 1) if k > 2 else np.inf
    reach = float(t_quantile(level, np.asarray(df))) * error
    if not np.isfinite([estimate, reach]).all():
        return None
    pooled = ConfidenceDistribution.from_interval(
        estimate, estimate - reach, estimate + reach, level=level, df=df
    )
    return pooled, estimate - reach, estimate + reach
