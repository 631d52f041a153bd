"""How often an event is met without the technique of interest: the baseline that makes a ratio absolute."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special

from metakit.core.effects import FloatArray
from metakit.core.results import PoolResult
from metakit.errors import MetakitError
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool
from metakit.synthesis.confidence import ConfidenceDistribution
from metakit.synthesis.rows import StudyNumbers

BaselineKind = Literal["comparator_arms", "registry", "unit_audit", "published_cohort"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """A risk (fraction of thumbs) or a rate (per thumb-year) with its uncertainty.

    `pooled` is the distribution of the comparator arms' pooled logit risk or log rate; without one, the
    uncertainty is that of the counts alone: beta and gamma distributions after Jeffreys' prior. `lowest`
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
            return np.asarray(np.exp(value) if self.per_year else special.expit(value), dtype=float)
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
    """Return the baseline of one count: a registry, a unit's audit, a published cohort."""
    tails = np.array([(1 - level) / 2, (1 + level) / 2])
    low, high = counts_quantile(events, total, tails, per_year=per_year)
    value = events / total
    # At 0 (or all) events the interval reaches the edge (Brown, Cai & DasGupta 2001, section 4.1.2).
    return Baseline(
        kind=kind,
        label=label,
        per_year=per_year,
        value=value,
        lower=0.0 if events == 0 else float(low),
        upper=1.0 if not per_year and events == total else float(high),
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
    typed = [study.sides[1].numbers for study in numbers]
    events, total = sum(row["events"] for row in typed), sum(row[size] for row in typed)
    if total <= 0:
        return None
    each = [row["events"] / row[size] for row in typed if row[size] > 0]
    result = _pooled(numbers, size=size, level=level) if len(typed) > 1 and 0 < events < total else None
    if result is None:
        found = baseline_from_counts(
            "comparator_arms", "in the same studies", events, total, per_year=per_year, level=level
        )
        lower, upper, value, pooled = found.lower, found.upper, found.value, None
    else:
        back = result.back_transform
        value = float(back(result.estimate))
        lower, upper = (float(back(limit)) for limit in result.interval)
        pooled = ConfidenceDistribution.of(result)
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


def _pooled(numbers: Sequence[StudyNumbers], *, size: str, level: float) -> PoolResult | None:
    rows = [
        {"study": study.name, **{name: float(study.sides[1].effective[name]) for name in ("events", size)}}
        for study in numbers
    ]
    try:
        effects = effect_sizes(
            pd.DataFrame(rows), measure="rate" if size == "time" else "proportion", effective_numbers=True
        )
        result = pool(effects, model="one_stage", level=level)
    except MetakitError:
        return None
    usable = np.isfinite([result.estimate, *result.interval]).all() and result.converged
    return result if usable else None
