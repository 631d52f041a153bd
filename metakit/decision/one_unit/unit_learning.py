"""The first year with a new technique, where the unit stated what its first operations are like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from metakit.decision.one_unit.expected import CountRange, count_range, counts_among
from metakit.decision.one_unit.unit import Unit, UnitTechnique
from metakit.decision.one_unit.unit_answer import Expectation
from metakit.decision.one_unit.unit_cells import MOST_RISK


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstYear:
    """What a stated learning adds to the first year's thumbs of one technique.

    `thumbs` are those of the first year that it concerns. `hours` is the theatre time added, None where no
    minutes were typed. `events` pairs an outcome's label with its count among the first year's thumbs with
    learning, and with the mean added by it; empty where no ratio was typed.
    """

    technique: UnitTechnique
    thumbs: float
    hours: float | None
    events: tuple[tuple[str, CountRange, float], ...]
    source: str


def first_years(
    unit: Unit, expected: Sequence[Expectation], *, random: np.random.Generator
) -> tuple[FirstYear, ...]:
    """Return the first year of every technique whose learning the unit typed.

    The hazard of the first thumbs is that of the later ones times the typed ratio. Thumbs beyond one year's
    volume belong to later years and are not counted here.
    """
    found = []
    for technique in unit.others:
        learning = technique.learning
        if learning is None:
            continue
        volume = unit.volume.value
        thumbs = min(float(learning.thumbs), volume)
        events = []
        for item in expected:
            ratio = learning.rate_ratio
            if item.cell.technique.id != technique.id or item.cell.outcome.scored or ratio is None:
                continue
            later = np.minimum(item.cell.per_thumb(item.cell.draws, unit.years.value), MOST_RISK)
            first = -np.expm1(ratio * np.log1p(-later))
            risks = (thumbs * first + (volume - thumbs) * later) / volume
            counts = count_range(counts_among(volume, risks, random=random), volume * risks, thumbs=volume)
            added = counts.mean - volume * float(np.mean(later))
            events.append((item.cell.outcome.term.label, counts, added))
        minutes = learning.extra_minutes
        found.append(
            FirstYear(
                technique=technique,
                thumbs=thumbs,
                hours=None if minutes is None else thumbs * minutes / 60,
                events=tuple(events),
                source=learning.source,
            )
        )
    return tuple(found)
