"""Forest and funnel plots on an Axes of one's own, in the coordinates of the effects.

The figures of the report are laid out to their last millimetre; these fit themselves into what a script has:
sizes, fonts and colours of text are those of its rcParams, the horizontal coordinate is the analysis scale
(logs for ratios), and only the labels of ticks are in natural units.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from metakit.core.results import PoolResult, StudyRow
from metakit.errors import NotEstimableError, UnknownNameError, UsageError
from metakit.measures.natural import Natural, natural_of_result
from metakit.plots import style
from metakit.plots.look import Tone, toned
from metakit.plots.scale import plan_axis, tick_labels

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LABEL_POINTS = 5.5
"""Width of a digit in points, to choose ticks; a script's own font may differ."""


def forest_on_axes(
    result: PoolResult,
    ax: Axes,
    *,
    order_by: str = "",
    backwards: bool = False,
    limits: tuple[float, float] | None = None,
    ticks: tuple[float, ...] = (),
    grey: bool = False,
) -> Axes:
    """Draw the studies of a result, their mean and where a new centre is expected.

    Parameters
    ----------
    result : PoolResult
    ax : matplotlib Axes
        Studies stand at 0, 1, ... from the top, the mean at k, where a new centre is expected at k + 1;
        the horizontal coordinate is the analysis scale.
    order_by, backwards
        weight, effect or name; the other way round.
    limits, ticks
        Ends and ticks of the axis in natural units.
    grey : bool
        Whether to draw in greys.

    Returns
    -------
    matplotlib Axes
        The same.

    Raises
    ------
    UnknownNameError
        For another order: a result knows no columns, `EffectTable.forest` does.
    UsageError
        For ends of the axis that are none.
    """
    natural = natural_of_result(result)
    tone: Tone = "grey" if grey else "colour"
    rows = _in_order(result.studies, order_by, backwards=backwards)
    weights = [row.weight for row in rows if row.weight is not None]
    largest = max(weights, default=1.0)
    line, bubble, mean_colour = (toned(c, tone) for c in (style.STUDY_LINE, style.STUDY, style.MEAN))
    for at, row in enumerate(rows):
        if row.effect is None or row.interval is None:
            ax.annotate(
                "no effect of its own", (0.5, at), xycoords=("axes fraction", "data"), ha="center",
                va="center", fontsize="small", color=style.QUIET,
            )  # fmt: skip
            continue
        size = 30.0 if row.weight is None else 20.0 + 160.0 * row.weight / largest
        ax.scatter([row.effect], [at], s=size, color=bubble, alpha=0.6, linewidths=0, zorder=2)
        low, high = _within(row.interval.lower, row.interval.upper)
        ax.plot([low, high], [at, at], color=line, zorder=3, solid_capstyle="butt")
        ax.plot([row.effect], [at], marker="|", color=line, zorder=3)
    mean_at = len(rows)
    low, high = _within(*result.interval)
    if not math.isfinite(result.estimate):
        raise NotEstimableError("all events are in one arm: there is no estimate to draw, only a limit")
    ax.fill(
        [low, result.estimate, high, result.estimate], [mean_at, mean_at - 0.3, mean_at, mean_at + 0.3],
        color=mean_colour, zorder=3,
    )  # fmt: skip
    labels = [row.study for row in rows] + ["Mean"]
    prediction = result.prediction
    if prediction is not None:
        low, high = _within(*prediction.interval)
        ax.plot(
            [low, high], [mean_at + 1] * 2, color=mean_colour, linestyle=(0, (3, 2)), marker="|", zorder=3
        )
        labels.append("New centre")
    ax.set_yticks(range(len(labels)), labels)
    ax.set_ylim(len(labels) - 0.4, -0.6)
    _natural_axis(ax, natural, _reach(result), limits=limits, hand_ticks=ticks)
    ends = [(at, row.interval) for at, row in enumerate(rows) if row.interval is not None]
    for at, (lower, upper) in ends:
        _arrows(ax, at, lower, upper, line)
    _arrows(ax, mean_at, *result.interval, mean_colour)
    if prediction is not None:
        _arrows(ax, mean_at + 1, *prediction.interval, mean_colour)
    ax.axhline(mean_at - 0.5, color=style.HAIRLINE, linewidth=style.THIN, zorder=1)
    return ax


def _in_order(rows: Sequence[StudyRow], by: str, *, backwards: bool) -> list[StudyRow]:
    """Return studies by weight (the heaviest first), effect or name, those without a value last."""
    if by not in ("", *ORDERS):
        raise UnknownNameError("order of a result's studies", by, ORDERS)
    known = [row for row in rows if by in ("", "name") or getattr(row, by) is not None]
    if by == "name":
        known.sort(key=lambda row: row.study.casefold())
    elif by:
        known.sort(key=lambda row: float(getattr(row, by)), reverse=by == "weight")
    if backwards:
        known.reverse()
    return [*known, *(row for row in rows if not any(row is one for one in known))]


ORDERS = ("weight", "effect", "name")


def funnel_on_axes(result: PoolResult, ax: Axes) -> Axes:
    """Draw the effects of a result against their standard errors, most precise on top.

    Parameters
    ----------
    result : PoolResult
    ax : matplotlib Axes
        The horizontal coordinate is the analysis scale, the vertical the standard error.

    Raises
    ------
    NotEstimableError
        When no study has an effect with a standard error.
    """
    points = [
        (row.effect, math.sqrt(row.variance))
        for row in result.studies
        if row.effect is not None and row.variance is not None
    ]
    if not points:
        raise NotEstimableError("no study has an effect with a standard error: there is no funnel to draw")
    natural = natural_of_result(result)
    effects, errors = zip(*points, strict=True)
    deepest = 1.08 * max(errors)
    z = 1.959964 if result.level == 0.95 else _normal_quantile(result.level)
    left, right = result.estimate - z * deepest, result.estimate + z * deepest
    ax.plot(
        [left, result.estimate, right], [deepest, 0, deepest],
        color=style.QUIET, linestyle=(0, (3, 2)), linewidth=style.LINE, zorder=1,
    )  # fmt: skip
    ax.axvline(result.estimate, color=style.MEAN, linewidth=style.LINE, zorder=1)
    ax.scatter(effects, errors, color=style.STUDY, edgecolors=style.STUDY_LINE, zorder=2)
    ax.set_ylim(deepest, 0)
    ax.set_ylabel("Standard error")
    reach = [*effects, left, right]
    _natural_axis(ax, natural, (min(reach), max(reach)))
    return ax


def _normal_quantile(level: float) -> float:
    from scipy import special

    return float(special.ndtri((1 + level) / 2))


def _within(low: float, high: float) -> tuple[float, float]:
    """Return limits that can be drawn; an endless one runs far beyond any axis."""
    return max(low, -1e3), min(high, 1e3)


def _arrows(ax: Axes, at: int, lower: float, upper: float, colour: str) -> None:
    """Show by an arrow head where an interval leaves the axis."""
    low, high = ax.get_xlim()
    for leaves, place, marker in ((lower < low, low, "<"), (upper > high, high, ">")):
        if leaves:
            ax.plot([place], [at], marker=marker, color=colour, clip_on=False, zorder=4)


def _reach(result: PoolResult) -> tuple[float, float]:
    ends = [limit for limit in result.interval if math.isfinite(limit)]
    ends += [result.estimate]
    prediction = result.prediction
    ends += [limit for limit in (prediction.interval if prediction else ()) if math.isfinite(limit)]
    ends += [row.effect for row in result.studies if row.effect is not None]
    middle = sorted(row.interval.upper - row.interval.lower for row in result.studies if row.interval)
    if middle:
        widest = 2 * middle[len(middle) // 2]
        for row in result.studies:
            if row.interval and row.interval.upper - row.interval.lower <= widest:
                ends += row.interval
    return min(ends), max(ends)


def _natural_axis(
    ax: Axes,
    natural: Natural,
    reach: tuple[float, float],
    *,
    limits: tuple[float, float] | None = None,
    hand_ticks: tuple[float, ...] = (),
) -> None:
    """Cover these analysis values, mark no difference, and label ticks in natural units."""
    null = natural.measure.null_value
    back = 1.0 if natural.axis == "percent" else natural.measure.natural_factor
    if limits is None:
        low, high = (min(*reach, null), max(*reach, null)) if null is not None else reach
        pad = 0.05 * (high - low) or 0.5
        low, high = low - pad, high + pad
    else:
        low, high = (float(natural.scale.from_natural(np.asarray(end / back))) for end in limits)
        if not (low < high and math.isfinite(low) and math.isfinite(high)):
            raise UsageError(
                f"ends of the axis {limits[0]:g} and {limits[1]:g}: smaller first, both possible"
            )
    ends: Sequence[float] = sorted(natural.value(end) for end in (low, high))
    plan = plan_axis(
        natural.axis, studies=[(ends[0], ends[0], ends[0]), (ends[1], ends[1], ends[1])], null=natural.null,
        label_width=lambda text: LABEL_POINTS * len(text), width=72 * ax.bbox.width / ax.figure.dpi,
    )  # fmt: skip
    factor = 1.0 if natural.axis == "percent" else natural.measure.natural_factor
    ticks = []
    for value in hand_ticks or [tick for tick, _ in plan.ticks]:
        place = float(natural.scale.from_natural(np.asarray(value / factor)))
        if math.isfinite(place) and low <= place <= high:
            ticks.append((place, value))
    ax.set_xticks([place for place, _ in ticks], tick_labels([value for _, value in ticks], natural.axis))
    ax.set_xlim(low, high)
    unit = "%" if natural.axis == "percent" else natural.unit
    ax.set_xlabel(f"{natural.heading} ({unit})" if unit else natural.heading)
    if null is not None:
        ax.axvline(null, color=style.QUIET, linewidth=style.THIN, zorder=1)
