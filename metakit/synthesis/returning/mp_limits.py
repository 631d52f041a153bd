"""How many thumbs lie over each published limit of MP hyperextension."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

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
    fewest = add([entry.thumbs for entry in bands if inside(entry.band, over)])
    under = add([entry.thumbs for entry in bands if not entry.band.meets(over)])
    return fewest, max(total - under, fewest), total


def inside(band: Band, over: Band) -> bool:
    """Say whether every angle of a band lies over a limit; both are intervals of degrees."""
    if band.lower is None or over.lower is None:
        return False
    return band.lower > over.lower or (
        band.lower == over.lower and (over.lower_inside or not band.lower_inside)
    )
