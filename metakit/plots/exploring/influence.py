"""What each study does to the answer: seven diagnostics side by side, a row a study."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.errors import NotEstimableError
from metakit.models.differing.again import spread_estimator_of
from metakit.models.differing.influence import (
    COOK_LIMIT,
    DFFITS_FACTOR,
    HAT_FACTOR,
    STUDENTISED_LIMIT,
    Influence,
    influence,
    spread_of,
)
from metakit.plots.exploring.influence_layout import Diagnostic, InfluenceContent, lay_out_influence
from metakit.plots.registry import FIGURES, Built, FigureOptions
from metakit.plots.registry import Figure as FigureEntry

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def influence_content(
    rows: Sequence[Influence], *, title: str = "", tau2: float, q: float
) -> InfluenceContent:
    """Build the content of the influence figure.

    Parameters
    ----------
    rows : sequence of Influence
        From `metakit.models.differing.influence.influence`.
    tau2, q : float
        Of all studies; the columns of the deleted values start there.

    References
    ----------
    Viechtbauer W, Cheung MWL (2010), section 3: the thresholds.
    """
    k = len(rows)
    dffits = DFFITS_FACTOR * math.sqrt(1 / (k - 1))
    columns = (
        Diagnostic(
            name="Residual",
            values=tuple(row.studentised for row in rows),
            start=0.0,
            thresholds=(-STUDENTISED_LIMIT, STUDENTISED_LIMIT),
        ),
        Diagnostic(
            name="DFFITS", values=tuple(row.dffits for row in rows), start=0.0, thresholds=(-dffits, dffits)
        ),
        Diagnostic(
            name="Cook’s distance",
            values=tuple(row.cook for row in rows),
            start=0.0,
            thresholds=(COOK_LIMIT,),
        ),
        Diagnostic(name="Covariance ratio", values=tuple(row.covariance_ratio for row in rows), start=1.0),
        Diagnostic(
            name="Hat value", values=tuple(row.hat for row in rows), start=0.0, thresholds=(HAT_FACTOR / k,)
        ),
        Diagnostic(name="τ² without it", values=tuple(row.tau2_without for row in rows), start=tau2),
        Diagnostic(name="Q without it", values=tuple(row.q_without for row in rows), start=q),
    )
    return InfluenceContent(
        title=title,
        studies=tuple(row.study for row in rows),
        flagged=tuple(row.flagged for row in rows),
        columns=columns,
    )


def influence_text(content: InfluenceContent) -> str:
    """Return the words that stand for the influence figure."""
    named = [
        f"{study} ({', '.join(reasons)})"
        for study, reasons in zip(content.studies, content.flagged, strict=True)
        if reasons
    ]
    lead = f"Seven diagnostics of what each of {len(content.studies)} studies does to the answer."
    if not named:
        return f"{lead} No study passes a threshold that asks for a look."
    return f"{lead} Worth a look: {'; '.join(named)}."


def influence_figure(content: InfluenceContent, *, width_mm: float = 180) -> Figure:
    """Draw the influence figure at its final size (80 to 400 mm wide), on a canvas unknown to pyplot."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    return scene_figure(lay_out_influence(content, width_mm=width_mm, measure=text_width), content.title)


def build_influence(
    result: PoolResult,
    table: EffectTable,
    *,
    title: str = "",
    left_words: str = "",
    right_words: str = "",
    width_mm: float = 180,
    options: FigureOptions = FigureOptions(),  # noqa: B008
) -> Built:
    """Compute the influence set of a table and draw it."""
    tau2 = spread_estimator_of(result)
    rows = influence(table, tau2=tau2)
    blind = [
        f"{name.replace('_', ' ')} of {row.study}"
        for row in rows
        for name in ("studentised", "dffits", "cook", "covariance_ratio", "hat", "tau2_without", "q_without")
        if not math.isfinite(getattr(row, name))
    ]
    if blind:
        raise NotEstimableError(
            f"the influence of these studies cannot be computed ({', '.join(blind[:3])}): their standard "
            "errors lie too far apart"
        )
    whole = spread_of(table.select(table.estimable), tau2)
    # Leaving a study out takes away its own part of Q and the shift of the mean of the others.
    q = rows[0].q_without + rows[0].q_contribution + rows[0].mean_shift
    content = influence_content(rows, title=title, tau2=whole, q=q)
    return Built(parts=(influence_figure(content, width_mm=width_mm),), text=influence_text(content))


FIGURES.add(FigureEntry(name="influence", label="Influence of each study", build=build_influence))
