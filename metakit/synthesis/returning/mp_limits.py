"""How many thumbs lie over each published limit of MP hyperextension."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise

from metakit.core.records import Arm, StudyRecord
from metakit.core.returns import AngleBand
from metakit.core.values import Band
from metakit.forms.library import vocabulary
from metakit.synthesis.gathering.source_options import pooled_proportion, usable_arms
from metakit.synthesis.returning.trouble_findings import (
    OverLimit,
)
from metakit.synthesis.terms import label_of


def _left(option: str) -> bool:
    terms = vocabulary("mp_options")
    return option in terms and terms[option].facts.text("done") == "left"


def over_limits(studies: Sequence[StudyRecord], names: Mapping[str, str]) -> tuple[OverLimit, ...]:
    """Return the thumbs over each published limit at the last visit, by what was done at the MP joint."""
    groups: dict[str, dict[str, list[tuple[AngleBand, ...]]]] = {}
    for study in studies:
        for arm in usable_arms(study):
            for option, bands in _last_bands(study, arm).items():
                group = "MP joint left alone" if _left(option) else label_of("mp_options", option)
                groups.setdefault(group, {}).setdefault(names[study.id], []).append(bands)
    found = []
    for term in vocabulary("mp_limits"):
        over = Band(lower=term.facts.number("degrees"), lower_inside=bool(term.facts.flag("reached")))
        for group, by_study in groups.items():
            counts = {
                name: _add(over_limit(bands, over) for bands in parts) for name, parts in by_study.items()
            }
            lower, reason = pooled_proportion(
                [(name, few, total) for name, (few, _, total) in counts.items()]
            )
            upper, _ = pooled_proportion([(name, most, total) for name, (_, most, total) in counts.items()])
            fewest, most, total = _add(counts.values())
            found.append(
                OverLimit(
                    limit=term.id, label=term.label, source=term.facts.text("source"), group=group,
                    studies=tuple(counts), fewest=fewest, most=most, total=total, lower=lower, upper=upper,
                    reason=reason,
                )
            )  # fmt: skip
    return tuple(found)


def _last_bands(study: StudyRecord, arm: Arm) -> dict[str, tuple[AngleBand, ...]]:
    """Return the bands of an arm at the last time after surgery, by option where the report tells them."""
    own = [entry for entry in study.mp_bands if entry.arm == arm.id and entry.months and not entry.unusable]
    own = [entry for entry in own if entry.thumbs <= (entry.total or entry.thumbs)]
    if not own:
        return {}
    last = max(entry.months or 0.0 for entry in own)
    own = [entry for entry in own if entry.months == last]
    told = [entry for entry in own if entry.mp_option] or own
    options = dict.fromkeys(entry.mp_option for entry in told)
    return {
        option or arm.mp_option: tuple(entry for entry in told if entry.mp_option == option)
        for option in options
    }


def _add(counts: Iterable[tuple[int, int, int]]) -> tuple[int, int, int]:
    rows = list(counts)
    return sum(row[0] for row in rows), sum(row[1] for row in rows), sum(row[2] for row in rows)


def over_limit(bands: Sequence[AngleBand], over: Band) -> tuple[int, int, int]:
    """Return the fewest and the most thumbs over a limit that bands allow, and how many were measured.

    Parameters
    ----------
    bands : sequence of AngleBand
        Of one group of thumbs at one time; they may leave thumbs out, run across the limit, or overlap.
    over : Band
        The angles over the limit.

    Returns
    -------
    fewest, most, total : int
        A thumb that stands in no band, or in one that runs across the limit, may lie on either side.
    """
    overlap = any(entry.bands_overlap for entry in bands)
    add = (lambda thumbs: max(thumbs, default=0)) if overlap else sum
    total = max([entry.total or 0 for entry in bands] + [add([entry.thumbs for entry in bands])])
    if overlap and (sharp := _over_in_overlapping(bands, over, total)):
        return (*sharp, total)
    fewest = add([entry.thumbs for entry in bands if entry.band.lies_in(over)])
    under = add([entry.thumbs for entry in bands if not entry.band.meets(over)])
    return fewest, max(total - under, fewest), total


def _over_in_overlapping(bands: Sequence[AngleBand], over: Band, total: int) -> tuple[int, int] | None:
    """Return the fewest and the most over a limit where a thumb counts in every band that it lies in.

    A linear programme over the pieces that the ends of bands cut the line into; each band is a run of
    neighbouring pieces, so that its solution is whole (an interval matrix is totally unimodular). None where
    no thumbs fit all counts at once.
    """
    from scipy.optimize import linprog

    limits = [*(entry.band for entry in bands), over]
    ends = sorted({end for band in limits for end in (band.lower, band.upper) if end is not None})
    between = [(low + high) / 2 for low, high in pairwise(ends)]
    places = [ends[0] - 1, *ends, *between, ends[-1] + 1]
    rows = [[float(entry.band.holds(place)) for place in places] for entry in bands]
    counts = [*(entry.thumbs for entry in bands), total]
    goal = [float(over.holds(place)) for place in places]
    found = [
        linprog([sign * each for each in goal], A_eq=[*rows, [1.0] * len(places)], b_eq=counts)
        for sign in (1.0, -1.0)
    ]
    fewest, most = (answer.fun if answer.success else None for answer in found)
    if fewest is None or most is None:
        return None
    return round(fewest), round(-most)
