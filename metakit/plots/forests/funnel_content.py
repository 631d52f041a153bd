"""From a pooled result to what its funnel plot shows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.results import PoolResult, SingleStudyResult
from metakit.measures.kind import RATES
from metakit.measures.registry import MEASURES, Measure, Scale
from metakit.plots.forests.content import FunnelContent, FunnelLine, FunnelPoint

FEWEST_TO_JUDGE = 10
"""Studies under which asymmetry cannot be told from chance (Sterne 2011; Cochrane Handbook 13.3.5)."""

NOT_PROOF = (
    "An uneven funnel is not proof of publication bias: small studies may differ in patients, technique or "
    "quality, effect and standard error may be linked by arithmetic, and chance alone makes funnels uneven."
)
ONLY_TO_LOOK = (
    f"Fewer than {FEWEST_TO_JUDGE} studies: for display only, nothing can be concluded from the shape."
)


def _same(values: FloatArray) -> FloatArray:
    return np.asarray(values, dtype=np.float64)


def funnel_content(
    result: PoolResult,
    table: EffectTable,
    *,
    title: str = "",
    vertical: Literal["standard_error", "study_size"] | None = None,
    contours: bool | None = None,
    left_words: str = "",
    right_words: str = "",
    counted: str = "thumbs",
    estimate_heading: str = "",
    unit: str | None = None,
    footnotes: Sequence[str] = (),
    added: Sequence[FunnelPoint] = (),
    line: FunnelLine | None = None,
) -> FunnelContent:
    """Build the content of a funnel plot.

    Proportions and rates are drawn raw against the size of the study: their standard error follows from the
    proportion itself and makes funnels uneven without any bias (Hunter 2014). Everything else is drawn
    against its standard error (Sterne & Egger 2001).

    Parameters
    ----------
    result : PoolResult
        Where the centre of the funnel is taken from.
    table : EffectTable
        What was pooled, with k studies.
    vertical : {"standard_error", "study_size"}, optional
        Overrides the choice above; study size also suits comparisons of rare events.
    contours : bool, optional
        Shade the regions of p values (Peters 2008); default: wherever they exist.
    counted : str
        What sizes count.
    added, line : optional
        From `small_study_marks`; only on the axis of standard errors.

    References
    ----------
    Sterne JAC, Egger M (2001); Peters JL et al. (2008); Hunter JP et al. (2014); Sterne JAC et al. (2011).
    """
    measure = MEASURES[table.measure]
    scale = measure.scale(table.scale)
    factor = 1.0 if scale.axis == "percent" else measure.natural_factor
    raw = _raw(table)
    chosen = vertical or vertical_of(table)
    sizes = study_sizes(table)
    centre: float | None = None if isinstance(result, SingleStudyResult) else result.estimate
    points: list[FunnelPoint] = []
    missing: list[str] = []
    if chosen == "study_size" and raw:
        scale = Scale(name="raw", to_natural=_same, from_natural=_same, axis=scale.axis)
        centre = None if centre is None else float(result.back_transform(centre))
    for i, study in enumerate(table.study):
        size = sizes[i]
        if chosen == "study_size" and size is None:
            missing.append(study)
        elif chosen == "study_size" and raw:
            points.append(
                FunnelPoint(study=study, effect=float(table.data["events"][i]) / (size or 1), size=size)
            )
        elif table.estimable[i]:
            error = float(np.sqrt(table.variance[i]))
            points.append(
                FunnelPoint(study=study, effect=float(table.effect[i]), standard_error=error, size=size)
            )
        else:
            missing.append(study)
    null = measure.null_value
    possible = null is not None and chosen == "standard_error"
    notes = [NOT_PROOF] + ([ONLY_TO_LOOK] if len(points) < FEWEST_TO_JUDGE else [])
    if missing:
        notes.insert(0, f"Without a place in this figure: {', '.join(missing)}.")
    return FunnelContent(
        title=title,
        points=tuple(points),
        centre=centre,
        null=null,
        scale=scale,
        factor=factor,
        effect_heading=estimate_heading or measure.label[:1].upper() + measure.label[1:],
        unit=measure.unit if unit is None else unit,
        level=result.level,
        vertical=chosen,
        size_heading=_size_heading(measure, counted),
        contours=possible if contours is None else contours,
        left_words=left_words,
        right_words=right_words,
        footnotes=(*notes, *footnotes),
        added=tuple(added),
        line=line,
    )


def _raw(table: EffectTable) -> bool:
    return not MEASURES[table.measure].comparative and "events" in table.data


def vertical_of(table: EffectTable) -> Literal["standard_error", "study_size"]:
    """Return the vertical axis that suits a table: sizes for proportions and rates of one arm."""
    return "study_size" if _raw(table) else "standard_error"


def study_sizes(table: EffectTable) -> list[float | None]:
    """Return the size of each study: thumbs, or thumb-years for rates; None where the table has none."""
    for names in (("total_1", "total_2"), ("total",), ("time_1", "time_2"), ("time",)):
        if all(name in table.data for name in names):
            sums = np.sum([table.data[name] for name in names], axis=0)
            return [float(size) if np.isfinite(size) and size > 0 else None for size in sums]
    return [None] * len(table)


def _size_heading(measure: Measure, counted: str) -> str:
    return measure.kind.size_word if measure.kind is RATES else counted
