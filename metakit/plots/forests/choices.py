"""What somebody chooses of a forest plot: groups, order, names, columns, axis; and the plot with it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.errors import UnknownNameError, UsageError
from metakit.measures.registry import MEASURES
from metakit.models.differing.subgroups import SubgroupResult, subgroups
from metakit.plots.forests.chosen_cells import ARMS, chosen_cells
from metakit.plots.forests.content import ForestContent
from metakit.plots.forests.forest_content import forest_content
from metakit.plots.forests.ordering import order_of
from metakit.plots.forests.subtotals import group_labels, with_subtotals


@dataclass(frozen=True, slots=True, kw_only=True)
class ForestChoices:
    """Choices of a forest plot; each default leaves it as it is.

    Parameters
    ----------
    subgroup : str
        Column of words by which studies are put together, with a mean of each group and their test.
    order_by : str
        weight, effect, name or a column; "" for the order of the table.
    backwards : bool
        The order turned round.
    arms : (str, str)
        Names of the technique of interest and of what it is compared with.
    counted : str
        What the totals count.
    unit : str or None
        Unit of the values; None for the measure's own.
    left, right, judgements, levels
        Columns beside the names, after the picture, of judged words, and those words from best to worst; see
        `chosen_cells`.
    limits : (float, float) or None
        Ends of the axis, natural units (a share as a fraction).
    ticks : tuple of float
        Ticks of the axis, natural units.
    """

    subgroup: str = ""
    order_by: str = ""
    backwards: bool = False
    arms: tuple[str, str] = ("arm 1", "arm 2")
    counted: str = "thumbs"
    unit: str | None = None
    left: tuple[str, ...] = ()
    right: tuple[str, ...] = (ARMS,)
    judgements: tuple[str, ...] = ()
    levels: tuple[str, ...] = ()
    limits: tuple[float, float] | None = None
    ticks: tuple[float, ...] = ()


AS_IT_IS = ForestChoices()


def chosen_forest(
    result: PoolResult,
    table: EffectTable,
    choices: ForestChoices = AS_IT_IS,
    *,
    title: str = "",
    left_words: str = "",
    right_words: str = "",
) -> ForestContent:
    """Build the content of a forest plot as it was chosen.

    Raises
    ------
    UnknownNameError
        For columns that the table lacks.
    UsageError
        For ends of the axis that leave out no difference or are in the wrong order.
    NotEstimableError
        For sub-totals of fewer than two groups.
    """
    _check_axis(table, choices)
    if choices.subgroup and choices.subgroup not in table.moderators:
        raise UnknownNameError("column of the table", choices.subgroup, tuple(table.moderators))
    found = _subtotals(result, table, choices.subgroup) if choices.subgroup else None
    beside = chosen_cells(
        MEASURES[table.measure], table, left=choices.left, right=choices.right,
        judgements=choices.judgements, levels=choices.levels, arm_labels=choices.arms,
        counted=choices.counted,
    )  # fmt: skip
    content = forest_content(
        result, table, title=title, left_words=left_words, right_words=right_words,
        groups=group_labels(table, choices.subgroup) if found else None, arm_labels=choices.arms,
        counted=choices.counted, unit=choices.unit, cells=beside,
        order=order_of(table, result, choices.order_by, backwards=choices.backwards),
    )  # fmt: skip
    content = replace(content, limits=choices.limits, ticks=choices.ticks)
    return with_subtotals(content, found, table, beside) if found else content


def _subtotals(result: PoolResult, table: EffectTable, column: str) -> SubgroupResult:
    """Pool each group by the way of the whole.

    Raises
    ------
    UsageError
        Where the whole was pooled by a model that groups are not pooled by.
    """
    if result.inference:
        return subgroups(table, column, inference=result.inference, level=result.level)
    if result.model != "random_effects":
        raise UsageError(
            f"sub-totals are made by the default inference or by random effects, not by {result.model}: "
            "leave out --model, or draw each group by itself"
        )
    return subgroups(
        table, column, tau2=getattr(result, "tau2_estimator", None), interval=result.mean.method,
        level=result.level,
    )  # fmt: skip


def _check_axis(table: EffectTable, choices: ForestChoices) -> None:
    measure = MEASURES[table.measure]
    log = measure.scale(table.scale).axis == "log"
    if log and any(tick <= 0 for tick in choices.ticks):
        raise UsageError("ticks of an axis of ratios are above 0")
    if choices.limits is None:
        return
    low, high = choices.limits
    if not low < high or (log and low <= 0):
        allowed = "the smaller first, both above 0" if log else "the smaller first"
        raise UsageError(f"ends of the axis {low:g} and {high:g}: {allowed}")
    if measure.null_value is not None:
        null = float(measure.scale(table.scale).to_natural(np.asarray(measure.null_value))) * (
            1.0 if measure.scale(table.scale).axis == "percent" else measure.natural_factor
        )
        if not low <= null <= high:
            raise UsageError(f"an axis from {low:g} to {high:g} leaves out no difference ({null:g})")
