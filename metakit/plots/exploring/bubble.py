"""The bubble picture of a meta-regression: effects against one moderator."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.errors import UsageError
from metakit.measures.natural import natural_of
from metakit.models.differing.design_matrix import moderators
from metakit.models.differing.meta_regression import meta_regression
from metakit.models.differing.meta_regression_result import MetaRegressionResult
from metakit.models.differing.residual_tau2 import RESIDUAL_TAU2_ESTIMATORS
from metakit.models.inference import DEFAULT_INFERENCE
from metakit.plots.exploring.bubble_layout import BubbleContent, BubblePoint, Expected, lay_out_bubbles
from metakit.plots.registry import FIGURES, Built, FigureOptions
from metakit.plots.registry import Figure as FigureEntry

if TYPE_CHECKING:
    from matplotlib.figure import Figure

STEPS = 60


def bubble_content(
    table: EffectTable,
    moderator: str,
    *,
    regression: MetaRegressionResult | None = None,
    tau2: str | None = None,
    inference: str = DEFAULT_INFERENCE,
    level: float = 0.95,
    title: str = "",
    lower_words: str = "",
    higher_words: str = "",
) -> BubbleContent:
    """Build the content of a bubble picture from a table and a regression on one moderator.

    Parameters
    ----------
    table : EffectTable
    moderator : str
        A column of numbers, or of words (drawn as strips).
    regression : MetaRegressionResult, optional
        Fitted on this moderator alone; made here when left out.
    tau2, inference : str
        As for `meta_regression`.

    Raises
    ------
    NotEstimableError
        Where the regression is refused: too few studies, a moderator that does not vary, ...
    """
    fit = regression or meta_regression(table, [moderator], tau2=tau2, inference=inference, level=level)
    made = moderators(table, [moderator])
    natural = natural_of(table)
    factor = moderator in made.reference_levels
    reference = made.reference_levels.get(moderator, "")
    levels = (reference, *(term.removeprefix(f"{moderator}: ") for term in made.terms[1:])) if factor else ()
    width = len(made.terms)
    if factor:
        places = made.design[:, 1:] @ np.arange(1, width)
        rows = [np.concatenate(([1.0], np.arange(1, width) == number)) for number in range(width)]
        ats = [float(number) for number in range(width)]
    else:
        places = made.design[:, 1]
        ats = np.linspace(places.min(), places.max(), STEPS + 1).tolist()
        rows = [np.array([1.0, at]) for at in ats]
    expected = []
    for at, row in zip(ats, rows, strict=True):
        estimate, mean, new = fit.predict(row.tolist())
        middle, low, high, least, most = natural.values(np.array([estimate, *mean, *new])).tolist()
        expected.append(Expected(at=at, mean=(middle, low, high), prediction=(least, most)))
    weight = 1 / (table.variance[made.keep] + fit.tau2)
    names = [name for name, stays in zip(table.study, made.keep, strict=True) if stays]
    effects = natural.values(table.effect[made.keep])
    points = tuple(
        BubblePoint(study=name, at=float(at), effect=float(effect), weight=float(share))
        for name, at, effect, share in zip(names, places, effects, weight / weight.sum(), strict=True)
    )
    gone = [*(item.study for item in table.set_aside), *(item.study for item in made.missing)]
    notes = (f"Without a place in this figure: {', '.join(dict.fromkeys(gone))}.",) if gone else ()
    return BubbleContent(
        title=title,
        moderator=moderator.replace("_", " "),
        natural=natural,
        points=points,
        expected=tuple(expected),
        levels=levels,
        lower_words=lower_words,
        higher_words=higher_words,
        level=level,
        sentence=_sentence(fit, moderator, factor),
        footnotes=(*notes, *(note for note in fit.notes if ": compared with" not in note)),
    )


def _sentence(fit: MetaRegressionResult, moderator: str, factor: bool) -> str:
    from metakit.core.written import fixed, p_value

    name = moderator.replace("_", " ")
    explained = "" if fit.r2 is None else (
        f" The moderator takes away {fixed(100 * fit.r2, 0)} % of the variance between studies."
    )  # fmt: skip
    what = f"Differences between the levels of {name}" if factor else f"Slope of {name}"
    return f"{what}: {p_value(fit.omnibus.p_value)}.{explained}"


def bubble_text(content: BubbleContent) -> str:
    """Return the words that stand for a bubble picture."""
    natural, first, last = content.natural, content.expected[0], content.expected[-1]
    lead = f"Effects of {len(content.points)} studies against {content.moderator}. {content.sentence}"

    def at(expected: Expected, where: str) -> str:
        middle, low, high = expected.mean
        words = [natural.words(value, high - low) for value in (middle, low, high)]
        return f"{where}: {words[0]} ({words[1]} to {words[2]})"

    if content.levels:
        parts = [at(one, name) for one, name in zip(content.expected, content.levels, strict=True)]
    else:
        parts = [at(one, f"expected at {one.at:.4g}") for one in (first, last)]
    return f"{lead} {natural.heading}, {'; '.join(parts)}."


def bubble_figure(content: BubbleContent, *, width_mm: float = 140) -> Figure:
    """Draw a bubble picture at its final size (80 to 400 mm wide), on a canvas unknown to pyplot."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    frame = lay_out_bubbles(content, width_mm=width_mm, measure=text_width)
    return scene_figure(frame.scene, content.title)


def build_bubbles(
    result: PoolResult,
    table: EffectTable,
    *,
    title: str = "",
    left_words: str = "",
    right_words: str = "",
    width_mm: float = 140,
    options: FigureOptions = FigureOptions(),  # noqa: B008
) -> Built:
    """Regress the table on the moderator of the options and draw it."""
    if not options.moderator:
        raise UsageError("a bubble picture needs a moderator: name a column of the table")
    named = result.tau2_estimator if not result.inference else ""
    content = bubble_content(
        table,
        options.moderator,
        tau2=named if named in RESIDUAL_TAU2_ESTIMATORS else None,
        inference=result.inference or DEFAULT_INFERENCE,
        level=result.level,
        title=title,
        lower_words=left_words,
        higher_words=right_words,
    )
    return Built(parts=(bubble_figure(content, width_mm=width_mm),), text=bubble_text(content))


FIGURES.add(FigureEntry(name="bubble", label="Effects against a moderator", build=build_bubbles))
