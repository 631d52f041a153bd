"""From a pooled result to what its forest plot shows."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from metakit.core.alignment import ShownRow, align, shown_rows
from metakit.core.effects import BoolArray, EffectTable
from metakit.core.limits import Limits
from metakit.core.notes import Assumption
from metakit.core.results import PoolResult, SingleStudyResult, StudyRow
from metakit.core.written import ratio
from metakit.measures.effect_log import correction_lines
from metakit.measures.registry import MEASURES, Measure, Scale
from metakit.plots.forests.cells import CellTable, usual_cells
from metakit.plots.forests.content import ForestContent, ForestGroup, ForestRow, ForestSummary, LimitSide
from metakit.plots.forests.wording import limit_words
from metakit.telling.option_words import option_words
from metakit.telling.result_words import how_pooled, mean_label, method_words, spread_words

NO_EFFECT_OF_ITS_OWN = "without an effect of its own; the model uses its counts"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Source:
    """The table with the facts of its measure, and the way to the numbers shown."""

    table: EffectTable
    measure: Measure
    scale: Scale
    level: float

    @property
    def factor(self) -> float:
        """What natural units are multiplied by; a percent axis does that itself."""
        return 1.0 if self.scale.axis == "percent" else self.measure.natural_factor

    @property
    def corrections(self) -> dict[int, Assumption]:
        """Return the log line of each corrected study, by its place in the table."""
        table, measure = self.table, self.measure
        if not all(name in table.data for name in measure.columns):
            return {}
        kernel = measure.kernel(table.data, scale=self.scale.name, zero_cells=table.zero_cells)
        lines = correction_lines(table.study, table.data, measure, table.zero_cells, kernel)
        return dict(zip(np.flatnonzero(kernel.corrected).tolist(), lines, strict=True))

    @property
    def exact(self) -> bool:
        """Whether single studies get their exact interval, from the counts as reported."""
        return bool(self.measure.exact_intervals) and "events" in self.table.data

    def shown(self, value: float) -> float:
        """Return a value of the analysis scale as it is shown."""
        return float(self.scale.to_natural(np.asarray(value))) * self.factor


def forest_content(
    result: PoolResult | None,
    table: EffectTable,
    *,
    title: str = "",
    groups: Sequence[str] | None = None,
    group_results: Mapping[str, PoolResult] | None = None,
    left_words: str = "",
    right_words: str = "",
    arm_labels: tuple[str, str] = ("arm 1", "arm 2"),
    counted: str = "thumbs",
    estimate_heading: str = "",
    unit: str | None = None,
    footnotes: Sequence[str] = (),
    overall_allowed: bool = True,
    cells: CellTable | None = None,
    order: Sequence[int] = (),
) -> ForestContent:
    """Build the content of a forest plot from a result and the table it was pooled from.

    Every study of the table is a row, in the order of the table or, with `groups`, group by group. A study
    that the result does not use keeps its row with the reason.

    Parameters
    ----------
    result : PoolResult or None
        The one mean over all; None where there is none to give (several designs, say).
    table : EffectTable
        What was pooled, with k studies.
    title, estimate_heading : str
        Above the figure, and what is estimated (default: the measure's label).
    groups : sequence of str, length k, optional
        The group of each study; groups appear in the order of their first study.
    group_results : mapping of str to PoolResult, optional
        The mean of each group, where it has one; without `result` its level is used.
    left_words, right_words : str
        What lies to either side in plain words. Without them a comparison of two arms is described neutrally.
    arm_labels : (str, str)
        Names of arm 1 and arm 2 for headings; a one-arm measure uses none.
    counted : str
        What the totals count.
    unit : str, optional
        Unit of the natural values; default: the measure's.
    footnotes : sequence of str
        Sentences to add under the figure.
    overall_allowed : bool
        False where one mean over all would mix what must stay apart.
    cells : CellTable, optional
        The columns beside the rows; default: the raw numbers of each arm.
    order : sequence of int
        The studies of the table in the order to show them; () for the table's own.

    Raises
    ------
    ValueError
        When the result was not made from this table.
    """
    group_results = group_results or {}
    known = [*([result] if result is not None else []), *group_results.values()]
    measure = MEASURES[table.measure]
    source = _Source(
        table=table,
        measure=measure,
        scale=measure.scale(table.scale),
        level=known[0].level if known else 0.95,
    )
    labels = tuple(groups) if groups is not None else ("",) * len(table)
    if len(labels) != len(table):
        raise ValueError(f"{len(labels)} group labels for {len(table)} studies")
    stranger = next((name for name in group_results if name not in labels), None)
    if stranger is not None:
        raise ValueError(f"no study is in the group {stranger!r}")
    rows_of = shown_rows(table, result, labels, group_results)
    beside = cells or usual_cells(measure, table, arm_labels, counted)
    rows = [_row(source, i, rows_of[i], known, beside) for i in range(len(table))]
    built = []
    for name in dict.fromkeys(labels):
        members = [i for i in order or range(len(table)) if labels[i] == name]
        mean = group_results.get(name)
        built.append(
            ForestGroup(
                label=name,
                rows=tuple(rows[i] for i in members),
                summary=_summary(source, mean, members, beside) if mean is not None else None,
            )
        )
    everyone = list(range(len(table)))
    natural_null = None if measure.null_value is None else source.shown(measure.null_value)
    sides = (left_words, right_words) if left_words or right_words else neutral_words(measure, arm_labels[0])
    return ForestContent(
        title=title,
        headings=beside.headings,
        places=beside.places,
        narrow_headings=beside.narrow_headings,
        narrow_arms=beside.narrow_arms,
        gauges=dict(beside.gauges),
        estimate_heading=estimate_heading or measure.label[:1].upper() + measure.label[1:],
        groups=tuple(built),
        summary=_summary(source, result, everyone, beside) if result is not None else None,
        axis=source.scale.axis,
        null=natural_null,
        left_words=sides[0],
        right_words=sides[1],
        unit=measure.unit if unit is None else unit,
        footnotes=tuple(_footnotes(source, result, group_results, footnotes)),
        level=source.level,
        overall_allowed=overall_allowed,
    )


def neutral_words(measure: Measure, arm: str) -> tuple[str, str]:
    """Return what lies to either side of no difference, without saying which is better; "" where unknown."""
    if measure.null_value is None or not measure.comparative or not any(measure.kind.sides):
        return "", ""
    below, above = (f"{words} in {arm}" for words in measure.kind.sides)
    return (below, above) if measure.larger_means == "more" else (above, below)


def _row(
    source: _Source, i: int, found: ShownRow, known: Sequence[PoolResult], beside: CellTable
) -> ForestRow:
    table, row = source.table, found.row
    name = table.study[i]
    cells, narrow = beside.rows[i], beside.narrow[i] if beside.narrow else ()
    alone = all(isinstance(result, SingleStudyResult) for result in known)
    weight = row.weight if row is not None and not alone else None
    if found.alone is not None and found.alone.limit_only and not source.exact:
        return ForestRow(
            study=name, cells=cells, narrow=narrow, weight=weight, limit=_limit(source, found.alone),
            note="; ".join(filter(None, ("all events are in one arm: no estimate", _entered(found)))),
        )  # fmt: skip
    shown = _own_numbers(source, i, row)
    if shown is None:
        reasons = [item.reason for item in table.set_aside if item.study == name]
        told = option_words(next(iter(reasons), "no information on this measure"))
        note = NO_EFFECT_OF_ITS_OWN if row is not None else told
        return ForestRow(study=name, cells=cells, narrow=narrow, weight=weight, note=note)
    notes = _steps(source, i, known or [table])
    if row is None and known:
        notes.append("not in the pooled mean")
    elif row is not None and row.effect is None and not source.exact:
        notes += [*_steps(source, i, [table]), "for display only, the mean uses the counts as reported"]
    if found.alone is not None and not source.exact:
        notes = [note for note in (*notes, _entered(found)) if note]
    estimate, lower, upper = shown
    return ForestRow(
        study=name, cells=cells, narrow=narrow, estimate=estimate, lower=lower, upper=upper, weight=weight,
        note="; ".join(dict.fromkeys(notes)),
    )  # fmt: skip


def _limit(source: _Source, result: PoolResult) -> tuple[LimitSide, float]:
    """Return the one limit that is the answer where all events are in one arm."""
    upper = result.limit_only == "upper"
    limit = result.interval.upper if upper else result.interval.lower
    return "upper" if upper else "lower", float(result.back_transform(limit)) * source.factor


def _entered(found: ShownRow) -> str:
    """Say why the interval of a study that is an answer by itself is not the one that the mean rests on."""
    if found.alone is None or found.entered is None:
        return ""
    return (
        f"alone in its group: its own interval ({method_words(found.alone.mean.method)}); it enters the mean "
        "over all as that mean's model has it"
    )


def _steps(source: _Source, i: int, logs: Sequence[PoolResult | EffectTable]) -> list[str]:
    """Return what was done to the numbers of a study on their way into these results.

    Logs know studies by name; where names repeat, a zero-cell correction is told only of the study it was
    made to.
    """
    corrections = source.corrections
    return [
        step.rule
        for log in logs
        for step in log.assumptions
        if step.study == source.table.study[i]
        and (step not in corrections.values() or corrections.get(i) == step)
    ]


def _own_numbers(source: _Source, i: int, row: StudyRow | None) -> tuple[float, float, float] | None:
    """Return a study's own estimate with limits as shown.

    Proportions and rates get their exact interval, which needs no correction even without events; all others
    the interval of the result, or the Wald interval where the result has none.
    """
    table, measure = source.table, source.measure
    if source.exact:
        interval = next(iter(measure.exact_intervals.values()))
        data = {name: column[i : i + 1] for name, column in table.data.items()}
        lower, upper = interval(data, source.level)
        size = data["total"] if "total" in data else data["time"]
        estimate = float(data["events"][0] / size[0])
        factor = source.factor
        return factor * estimate, factor * float(lower[0]), factor * float(upper[0])
    effect = row.effect if row is not None else None
    limits = row.interval if row is not None else None
    if effect is None and bool(table.estimable[i]):
        effect = float(table.effect[i])
    if effect is None:
        return None
    if limits is None:
        variance = row.variance if row is not None and row.variance is not None else float(table.variance[i])
        half = NormalDist().inv_cdf((1 + source.level) / 2) * math.sqrt(variance)
        limits = Limits(effect - half, effect + half)
    return source.shown(effect), source.shown(limits.lower), source.shown(limits.upper)


def _summary(
    source: _Source, result: PoolResult, members: Sequence[int], beside: CellTable
) -> ForestSummary | None:
    """Return the mean of a result; None for a single study, and where only one limit is the answer."""
    if isinstance(result, SingleStudyResult) or result.limit_only:
        return None

    def shown(value: float) -> float:
        return float(result.back_transform(value)) * source.factor

    prediction = result.prediction
    table = source.table
    used = [
        i for i, row in zip(members, align(table.select(_mask(table, members)), result), strict=True) if row
    ]
    return ForestSummary(
        label=mean_label(result),
        estimate=shown(result.estimate),
        lower=shown(result.interval.lower),
        upper=shown(result.interval.upper),
        prediction=(shown(prediction.interval.lower), shown(prediction.interval.upper))
        if prediction
        else None,
        cells=beside.total(used),
        narrow=beside.narrow_total(used) if beside.narrow_total else (),
        text=spread_words(result, source.scale.name),
    )


def _mask(table: EffectTable, members: Iterable[int]) -> BoolArray:
    mask = np.zeros(len(table), dtype=bool)
    mask[list(members)] = True
    return mask


def _footnotes(
    source: _Source, result: PoolResult | None, group_results: Mapping[str, PoolResult], asked: Sequence[str]
) -> list[str]:
    """Return how each mean was computed, then what concerns all studies, then what was asked for."""
    ways = {} if result is None else {"All studies" if group_results else "": how_pooled(result)}
    ways |= {name: how_pooled(mean) for name, mean in group_results.items()}
    alike: dict[str, list[str]] = {}
    for name, way in ways.items():
        alike.setdefault(way, []).append(name)
    notes = [f"{', '.join(names)}: {way}" if any(names) else way for way, names in alike.items()]
    for name, mean in (("", result), *group_results.items()):
        only = mean.limit_only if mean is not None else ""
        if mean is not None and only and not isinstance(mean, SingleStudyResult):
            begun = f"{name + ': ' if name else ''}All events are in one arm"
            notes.append(f"{begun}: no estimate, {limit_words(*_limit(source, mean), ratio)}.")
    if source.exact:
        name = method_words(next(iter(source.measure.exact_intervals)))
        notes.append(f"Intervals of single studies by {name}.")
    if source.scale.caution:
        notes.append(source.scale.caution)
    return [*notes, *asked]
