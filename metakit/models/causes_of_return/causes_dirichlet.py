"""Causes by the Dirichlet-multinomial, or each by a beta-binomial where a thumb may have several."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from metakit.core.causes import Estimate, StudyReturns
from metakit.models.causes_of_return.causes_rates import PER, Size, WholeRate
from metakit.models.causes_of_return.causes_shares import SharePool


@dataclass(frozen=True, slots=True)
class CauseModels:
    """One cause among the stated ones; and if none, or all, of the thumbs without a cause were its own."""

    stated: SharePool
    none: SharePool | None
    most: SharePool | None

    def numbers(self, rates: Mapping[Size, WholeRate]) -> dict[str, Any]:
        """Return shares and rates by the names of their fields."""
        found: dict[str, Any] = {
            "share": self.stated.estimate(),
            "share_if_none": self.none.estimate(predicted=False) if self.none else None,
            "share_if_all": self.most.estimate(predicted=False) if self.most else None,
        }
        for size, rate in rates.items():
            found[PER[size]] = rate.part(self.none or self.stated)
            if self.most is not None:
                found[f"{PER[size]}_if_all"] = rate.part(self.most, predicted=False)
        return found


def cause_models(
    told: Sequence[StudyReturns], names: Sequence[str], place: int, level: float, *, exclusive: bool
) -> CauseModels:
    """Return the models of one cause: a cell among all causes where every thumb has one."""
    return (_exclusive_cells if exclusive else _overlapping_cells)(told, names, place, level)


def share_with_all(told: Sequence[StudyReturns], names: Sequence[str], place: int, level: float) -> Estimate:
    """Return the share of one cause over all studies, by a model of its own."""
    return _overlapping_cells(told, names, place, level).stated.estimate(predicted=False)


def lost_share(told: Sequence[StudyReturns], names: Sequence[str], level: float) -> SharePool:
    """Return the share of thumbs without a stated cause, which completes the parts to the whole."""
    missing = np.array([study.not_stated for study in told])
    if any(study.overlap for study in told):
        return SharePool.of(np.vstack([missing, np.array([s.returned for s in told]) - missing]), 0, level)
    every = np.array([[study.counts.get(name, 0) for study in told] for name in names])
    return SharePool.of(np.vstack([every, missing[None]]), len(names), level)


def _exclusive_cells(
    told: Sequence[StudyReturns],
    names: Sequence[str],
    place: int,
    level: float,
) -> CauseModels:
    """Return the models of one cause where every thumb has one: all causes are cells of one model."""
    every = np.array([[study.counts.get(name, 0) for study in told] for name in names])
    missing = np.array([study.not_stated for study in told])
    stated = SharePool.of(every, place, level)
    if not missing.any():
        return CauseModels(stated, None, None)
    raised = every.copy()
    raised[place] += missing
    none = SharePool.of(np.vstack([every, missing[None]]), place, level)
    return CauseModels(stated, none, SharePool.of(raised, place, level))


def _overlapping_cells(
    told: Sequence[StudyReturns],
    names: Sequence[str],
    place: int,
    level: float,
) -> CauseModels:
    """Return the models of one cause where thumbs may have several: this cause against all else."""
    own = np.array([study.counts.get(names[place], 0) for study in told])
    returned = np.array([study.returned for study in told])
    missing = np.array([study.not_stated for study in told])
    pools = [
        SharePool.of(np.vstack([events, total - events]), 0, level)
        for events, total in ((own, returned - missing), (own, returned), (own + missing, returned))
    ]
    return CauseModels(pools[0], *(pools[1:] if missing.any() else (None, None)))
