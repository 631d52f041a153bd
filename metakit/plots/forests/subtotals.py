"""Sub-totals in a forest plot: the studies by group, each group's mean, and the test between them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.limits import Limits
from metakit.core.written import count, fixed, p_value
from metakit.measures.registry import MEASURES
from metakit.models.differing.subgroups import SubgroupLevel, SubgroupResult
from metakit.plots.forests.cells import CellTable
from metakit.plots.forests.content import ForestContent, ForestGroup, ForestSummary

NOT_STATED = "Not stated"


def group_labels(table: EffectTable, moderator: str) -> tuple[str, ...]:
    """Return the group of each study, as it is written; `NOT_STATED` for an empty one."""
    return tuple(
        NOT_STATED if value is None or value != value or not str(value).strip() else str(value)
        for value in table.moderators[moderator]
    )


def with_subtotals(
    content: ForestContent,
    found: SubgroupResult,
    table: EffectTable,
    beside: CellTable,
    *,
    moderator: str = "",
    level_words: Callable[[str], str] = str,
) -> ForestContent:
    """Return a forest plot, already in these groups, with the mean of each and the test between them.

    Parameters
    ----------
    content : ForestContent
        In groups labelled by the levels of the moderator.
    found : SubgroupResult
        The means of the levels.
    table : EffectTable
        What both were made from.
    beside : CellTable
        The cells of the studies, which add up beside each mean.
    moderator, level_words : str, callable
        What the moderator and its levels are called, where not by their names.
    """
    called = moderator or found.moderator.replace("_", " ")
    levels = {level.level: level for level in found.levels}
    labels = group_labels(table, found.moderator)
    groups = []
    for group in content.groups:
        level = levels.get(group.label)
        summary = None
        if level is not None and level.k > 1:
            used = [
                i
                for i, label in enumerate(labels)
                if label == level.level and table.study[i] in level.studies
            ]
            summary = _summary(level, table, beside, used)
        label = f"{_heading(called)}: {level_words(group.label)}"
        groups.append(ForestGroup(label=label, rows=group.rows, summary=summary))
    return replace(content, groups=tuple(groups), between=between_words(found, called, level_words))


def between_words(found: SubgroupResult, called: str, level_words: Callable[[str], str] = str) -> str:
    """Say the test between groups, and how much studies differ within each."""
    test = found.between
    spread = ", ".join(
        f"{level_words(level.level)} {fixed(math.sqrt(level.tau2), 2)}"
        for level in found.levels
        if level.k > 1
    )
    said = f"Difference between groups of {called}: {p_value(test.p_value)}"
    if found.inference != "half_normal" or test.df > 1:
        said += f" (Q {test.value:.3g} on {count(round(test.df), 'degree')} of freedom)"
    if found.common_tau2:
        return f"{said}. Spread (τ) common to all groups: {fixed(math.sqrt(found.levels[0].tau2), 2)}."
    return f"{said}. Spread (τ) within groups: {spread}." if spread else f"{said}."


def _summary(
    level: SubgroupLevel, table: EffectTable, beside: CellTable, used: Sequence[int]
) -> ForestSummary:
    measure = MEASURES[table.measure]
    scale = measure.scale(table.scale)
    factor = 1.0 if scale.axis == "percent" else measure.natural_factor

    def shown(value: float) -> float:
        return float(scale.to_natural(np.asarray(value))) * factor

    def both(limits: Limits) -> tuple[float, float]:
        low, high = sorted((shown(limits.lower), shown(limits.upper)))
        return low, high

    lower, upper = both(level.interval)
    return ForestSummary(
        label=f"Mean of {count(level.k, 'study', 'studies')}",
        estimate=shown(level.estimate), lower=lower, upper=upper,
        prediction=both(level.prediction) if level.prediction is not None else None,
        cells=beside.total(used), narrow=beside.narrow_total(used) if beside.narrow_total else (),
    )  # fmt: skip


def _heading(name: str) -> str:
    text = name.replace("_", " ")
    return text[:1].upper() + text[1:]
