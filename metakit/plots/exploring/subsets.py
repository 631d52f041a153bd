"""The means of all subsets of the studies: one cloud, or several, and which study parts them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from metakit.core.effects import BoolArray, EffectTable, FloatArray
from metakit.core.results import PoolResult
from metakit.errors import NotEstimableError, UsageError
from metakit.measures.natural import natural_of
from metakit.models.differing.all_subsets import AllSubsets, all_subsets
from metakit.plots.exploring.subsets_layout import (
    CORE,
    ChosenCloud,
    SubsetsContent,
    lay_out_subsets,
    subset_words,
)
from metakit.plots.registry import FIGURES, Built, FigureOptions
from metakit.plots.registry import Figure as FigureEntry

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_BINS = 60
"""Bins across; upwards there are three for five of them."""
MOST_CHOSEN = 3
EDGE = 0.0005
"""Share of the subsets at either end that may lie beyond the axis."""


def subsets_content(
    answers: AllSubsets,
    table: EffectTable,
    *,
    mean: float,
    chosen: Sequence[str] = (),
    title: str = "",
    left_words: str = "",
    right_words: str = "",
) -> SubsetsContent:
    """Count subsets by estimate and spread.

    Parameters
    ----------
    answers : AllSubsets
        On the analysis scale.
    table : EffectTable
        What was pooled.
    mean : float
        Of all studies, on the analysis scale.
    chosen : sequence of str
        At most three studies whose subsets are marked.

    Raises
    ------
    UsageError
        For more than three chosen studies.
    UnknownNameError
        For a study that is not among those pooled.
    """
    if len(chosen) > MOST_CHOSEN:
        raise UsageError(
            f"{len(chosen)} studies to mark; more than {MOST_CHOSEN} outlines cannot be told apart"
        )
    natural = natural_of(table)
    effect = natural.values(answers.estimate)
    log = natural.axis == "log"
    placed = np.log10(np.maximum(effect, 1e-300)) if log else effect
    spread = np.sqrt(answers.tau2)
    # Few subsets need coarse bins, or each would stand alone.
    bins = min(max(int(4 * len(effect) ** 0.25), 15), MOST_BINS)
    edges_x, edges_y = _edges(placed, bins, False), _edges(spread, 3 * bins // 5, True)

    def counted(which: BoolArray | slice) -> FloatArray:
        return np.histogram2d(placed[which], spread[which], bins=(edges_x, edges_y))[0]

    counts = counted(slice(None))
    clouds = []
    for study in chosen:
        inside = answers.with_study(study)
        mine = counted(inside)
        clouds.append(
            ChosenCloud(
                study=study, counts=mine, core=_densest(mine), median=float(np.median(effect[inside])),
                median_without=float(np.median(effect[~inside])),
            )
        )  # fmt: skip
    return SubsetsContent(
        title=title, natural=natural, counts=counts, across=10**edges_x if log else edges_x, upwards=edges_y,
        chosen=tuple(clouds), mean=natural.value(mean), subsets=len(effect), exhaustive=answers.exhaustive,
        studies=len(answers.studies), outside=len(effect) - int(counts.sum()), left_words=left_words,
        right_words=right_words,
    )  # fmt: skip


def _edges(values: FloatArray, bins: int, from_zero: bool) -> FloatArray:
    low, high = np.quantile(values, [EDGE, 1 - EDGE]).tolist()
    if from_zero:
        low = 0.0
    if high - low <= 1e-9 * max(abs(low), abs(high), 1e-9):
        half = 0.5 * max(abs(high), 0.1)
        low, high = (0.0, half) if from_zero else (low - half, high + half)
    pad = 0.02 * (high - low)
    edges: FloatArray = np.linspace(low if from_zero else low - pad, high + pad, bins + 1)
    return edges


def _densest(counts: FloatArray) -> BoolArray:
    """Return the fewest bins that hold a share CORE of what was counted."""
    flat = np.sort(counts.ravel())[::-1]
    total = flat.sum()
    if total == 0:
        return np.zeros(counts.shape, dtype=bool)
    least = flat[int(np.searchsorted(np.cumsum(flat), CORE * total))]
    core: BoolArray = (counts >= max(least, 1)) & (counts > 0)
    return core


def subsets_text(content: SubsetsContent) -> str:
    """Return the words that stand for the picture."""
    natural = content.natural
    share = np.cumsum(content.counts.sum(axis=1)) / content.counts.sum()
    ends = [float(content.across[int(np.searchsorted(share, at))]) for at in (0.025, 0.975)]
    width = max(ends[1] - ends[0], 1e-9)
    lead = (
        f"{subset_words(content)}. {natural.heading}: the middle 95 % lie between about "
        f"{natural.words(ends[0], width)} and {natural.words(ends[1], width)}."
    )
    parts = [
        f"Subsets with {cloud.study} have the median {natural.words(cloud.median, width)}, those without it "
        f"{natural.words(cloud.median_without, width)}."
        for cloud in content.chosen
    ]
    return " ".join([lead, *parts])


def subsets_figure(content: SubsetsContent, *, width_mm: float = 140) -> Figure:
    """Draw the picture at its final size (80 to 400 mm wide), on a canvas unknown to pyplot."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    frame = lay_out_subsets(content, width_mm=width_mm, measure=text_width)
    return scene_figure(frame.scene, content.title)


def build_subsets(
    result: PoolResult,
    table: EffectTable,
    *,
    title: str = "",
    left_words: str = "",
    right_words: str = "",
    width_mm: float = 140,
    options: FigureOptions = FigureOptions(),  # noqa: B008
) -> Built:
    """Pool every subset by moments and draw the cloud."""
    from metakit.models.batch import random_effects_batch

    if int(table.estimable.sum()) < 3:
        raise NotEstimableError(f"subsets of {int(table.estimable.sum())} studies show nothing (at least 3)")
    answers = all_subsets(table)
    usable = table.select(table.estimable)
    whole = random_effects_batch(
        usable.effect, usable.variance, tau2=answers.estimator, interval="wald", prediction=None
    )
    content = subsets_content(
        answers, table, mean=float(whole.mean.estimate), chosen=options.chosen_studies, title=title,
        left_words=left_words, right_words=right_words,
    )  # fmt: skip
    return Built(parts=(subsets_figure(content, width_mm=width_mm),), text=subsets_text(content))


FIGURES.add(FigureEntry(name="all_subsets", label="The mean of every subset", build=build_subsets))
