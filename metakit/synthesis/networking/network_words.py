"""A network's comparisons in plain words, per 100 thumbs at a stated baseline."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from metakit.core.plans import ComparisonPlan
from metakit.core.written import count, fixed, per_100, ratio
from metakit.measures.registry import Measure
from metakit.networks.components import ComponentEffect, ComponentModel
from metakit.synthesis.networking.network_absolute import NetworkAbsolute
from metakit.synthesis.terms import OutcomeTerm
from metakit.synthesis.words import directions, lower_first, one_of

Evidence = Literal["direct", "direct_and_indirect", "indirect", "extrapolated"]

EVIDENCE_WORDS: dict[Evidence, str] = {
    "direct": "direct evidence only",
    "direct_and_indirect": "direct and indirect evidence",
    "indirect": "indirect evidence only: no study compares them",
    "extrapolated": "extrapolated: no study connects them, and the answer rests on adding up components",
}

EVIDENCE_SHORT: dict[Evidence, str] = {
    "direct": "direct only",
    "direct_and_indirect": "direct and indirect",
    "indirect": "indirect only",
    "extrapolated": "extrapolated",
}

FEWEST_EVENTS, FEWEST_THUMBS = 10, 50
"""Events or thumbs of a technique in its network below which a comparison gets a caution; common practice, no
source."""


def natural(measure: Measure, value: float) -> float:
    """Bring one value of the analysis scale back to natural units."""
    return float(measure.scale(None).to_natural(np.asarray(value)))


def shown(value: float, measure: Measure) -> str:
    """Write a natural value of a measure."""
    if measure.scale(None).axis == "log":
        return ratio(value)
    factor = measure.natural_factor
    return fixed(factor * value, 1 if factor > 1 else 2)


def comparison_sentences(
    *,
    measure: Measure,
    term: OutcomeTerm,
    labels: tuple[str, str],
    values: tuple[float, float, float],
    level: float,
    evidence: Evidence,
    studies: int,
    absolute: NetworkAbsolute | None,
    when: str,
    no_absolute: str = "",
) -> tuple[str, ...]:
    """Tell one comparison: size and kind of evidence, per 100 thumbs, and whether the direction is settled.

    Parameters
    ----------
    values : tuple of float
        Estimate, lower and upper limit in natural units.
    studies : int
        How many studies compare the two directly.
    no_absolute : str
        Why there is no number per 100 although there is a baseline.
    """  # fmt: skip
    technique, comparator = labels
    unit = f" {term.unit}" if measure.name == "mean_difference" and term.unit else ""
    estimate, lower, upper = (shown(value, measure) for value in values)
    after, before = lower_first(technique), lower_first(comparator)
    kind = EVIDENCE_WORDS[evidence]
    if studies:
        kind += f", {count(studies, 'study compares', 'studies compare')} them"
    first = (
        f"{technique} against {before} ({kind}): {measure.label} {estimate}{unit} "
        f"({100 * level:g} % interval {lower} to {upper})."
    )
    told = [first]
    if absolute is not None:
        known = "followed for a year" if absolute.unit == "thumb-years" else f"by {when}"
        told.append(
            f"In 100 thumbs {known}, about {per_100(absolute.comparator)} have {one_of(term)} after {before} "
            f"({absolute.basis}); after {after} about {per_100(absolute.technique)} "
            f"({per_100(absolute.lower)} to {per_100(absolute.upper)})."
        )
        told += absolute.remarks
    elif no_absolute:
        told.append(no_absolute)
    null = 1.0 if measure.scale(None).axis == "log" else 0.0
    plan = ComparisonPlan(
        id="", label="", technique=(), technique_label=after, comparator=(), comparator_label=before
    )
    sides = directions(term, plan, measure)
    if values[1] < null < values[2]:
        told.append(f"The interval runs {sides.span}, so the network does not settle the direction.")
    else:
        told.append(f"The whole interval lies on the side of {sides.of(values[0], null)}.")
    return tuple(told)


@dataclass(frozen=True, slots=True, kw_only=True)
class Behind:
    """What a network knows of one technique: `events` is None where the outcome is a mean.

    `size` is in `unit`, thumbs or thumb-years.
    """

    label: str
    events: float | None
    size: float
    unit: str

    @property
    def words(self) -> str:
        """Say how little it is; "" where there are events and thumbs enough."""
        few = self.events is not None and self.events < FEWEST_EVENTS
        small = self.unit == "thumbs" and self.size < FEWEST_THUMBS
        if not (few or small):
            return ""
        of = f"{count(round(self.size), self.unit.removesuffix('s'), self.unit)}"
        if self.events is None:
            return f"{self.label} was studied in {of}"
        return f"{self.label} has {count(round(self.events), 'event')} in {of}"


def little_behind(through: Sequence[str], indirect: bool, sides: Sequence[Behind]) -> str:
    """Warn of a comparison that one study or few events and thumbs carry; "" where there is more.

    Parameters
    ----------
    through : sequence of str
        Studies that all evidence on the comparison runs through.
    indirect : bool
        Whether no study compares the two; otherwise the sentence on the comparison names the studies already.
    sides : sequence of Behind
        The two techniques.
    """
    told = []
    if indirect and through:
        one = "one study" if len(through) == 1 else "single studies in a row"
        told.append(f"all indirect evidence runs through {one} ({'; '.join(through)})")
    told += [text for text in (side.words for side in sides) if text]
    if not told:
        return ""
    return f"Caution, it rests on little: {'; '.join(told)}. One more study could change it much."


def component_sentence(
    effect: ComponentEffect,
    label: str,
    tied: Sequence[str],
    measure: Measure,
    values: tuple[float, ...],
    level: float,
) -> str:
    """Tell what one component adds, everything else equal, or why these studies cannot tell."""
    if effect.estimate is None:
        if tied:
            # Labels hold commas of their own.
            return f"{label} cannot be told apart from {'; '.join(map(lower_first, tied))} in these studies."
        return f"{label} is in all arms of its studies or in none, so its effect cannot be told."
    estimate, lower, upper = (shown(value, measure) for value in values)
    return (
        f"Adding {lower_first(label)}, everything else equal: {measure.label} {estimate} "
        f"({100 * level:g} % interval {lower} to {upper}), if the parts of an operation add up."
    )


def not_told(model: ComponentModel, within: Callable[[str], str]) -> list[str]:
    """Say which parts these studies cannot tell apart, each set of them once, and which cancel.

    `within` names a component as it stands within a sentence.
    """
    tied: dict[frozenset[str], None] = {}
    alone = []
    for effect in model.effects:
        if effect.estimate is None:
            if effect.tied_with:
                tied[frozenset((effect.component, *effect.tied_with))] = None
            else:
                alone.append(within(effect.component))
    told = [
        f"Always given together or in place of each other, so not to be told apart here: "
        f"{'; '.join(sorted(map(within, names)))}."
        for names in tied
    ]
    if alone:
        told.append(f"In all arms of their studies or in none, so that nothing is told: {'; '.join(alone)}.")
    return told
