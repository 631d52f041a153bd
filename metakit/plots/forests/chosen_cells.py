"""The columns that somebody chose to stand beside the rows of a forest plot, out of any of the table's."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from metakit.core.effects import EffectTable
from metakit.core.written import amount, fixed
from metakit.errors import UnknownNameError, UsageError
from metakit.measures.registry import Measure
from metakit.plots.forests.cells import UNKNOWN, CellTable, arms_of, column_of, usual_cells
from metakit.plots.forests.content import Place
from metakit.plots.gauges import fill_of

ARMS = "arms"
"""Stands for the usual cells: one column an arm."""
OF_ARMS = {"events": "events", "mean": "mean", "sd": "SD", "total": "", "time": "thumb-years"}
"""Columns that every arm has, and their headings; totals are headed by what they count."""
LEVELS = ("low", "some concerns", "high")
SAME_LEVEL = {
    "moderate": "some concerns", "unclear": "some concerns", "some": "some concerns", "serious": "high",
}  # fmt: skip
"""Words of judgement in their order, and others that stand for one of them where nobody says otherwise."""
NOT_KNOWN = ("no information", "not known", "nr")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Column:
    heading: str
    cells: tuple[str, ...]
    place: Place
    adds_up: str = ""
    """The raw column whose sum stands beside a mean."""


def chosen_cells(
    measure: Measure,
    table: EffectTable,
    *,
    left: Sequence[str] = (),
    right: Sequence[str] = (ARMS,),
    judgements: Sequence[str] = (),
    levels: Sequence[str] = (),
    arm_labels: tuple[str, str] = ("arm 1", "arm 2"),
    counted: str = "thumbs",
) -> CellTable:
    """Return the cells of chosen columns.

    Parameters
    ----------
    left, right : sequence of str
        Columns beside the names and after the picture: any of the table's, `arms` for the usual cells, and
        events, mean, sd, total or time for one column of each arm.
    judgements : sequence of str
        Columns of judged words, shown as bars after the picture.
    levels : sequence of str
        Their words from best to worst, where they are not low, some concerns, high and their like.

    Raises
    ------
    UnknownNameError
        For a column that the table lacks.
    UsageError
        For judged words without a place in the order of levels.
    """
    usual = usual_cells(measure, table, arm_labels, counted)
    columns = [
        *_columns(measure, table, left, "left", arm_labels, counted),
        *_columns(measure, table, right, "right", arm_labels, counted),
    ]
    gauges = _gauges(table, judgements, levels)
    columns += [
        _Column(heading=_heading(name), cells=_words(table, name), place=Place(gauge=True, align="left"))
        for name in judgements
    ]
    others = [column for column in columns if not column.place.over and column.adds_up != ARMS]
    arms_chosen = any(column.adds_up for column in columns) or ARMS in (*left, *right)

    def total(used: Sequence[int]) -> tuple[str, ...]:
        whole = iter(usual.total(used))
        return tuple(
            (next(whole, "") if column.adds_up == ARMS else _sum(table, column.adds_up, used))
            if column.adds_up
            else ""
            for column in columns
        )

    beside = tuple(f"{column.heading}" for column in others)
    return CellTable(
        headings=tuple(column.heading for column in columns),
        rows=tuple(tuple(column.cells[i] for column in columns) for i in range(len(table))),
        total=total,
        places=tuple(column.place for column in columns),
        narrow_headings=(*(usual.headings if arms_chosen else ()), *beside),
        narrow_arms=len(usual.headings) if arms_chosen else 0,
        narrow=tuple(
            (
                *(usual.rows[i] if arms_chosen else ()),
                *(f"{column.heading}: {column.cells[i] or UNKNOWN}" for column in others),
            )
            for i in range(len(table))
        ),
        narrow_total=lambda used: (*(usual.total(used) if arms_chosen else ()), *("" for _ in others)),
        gauges=gauges,
    )


def _columns(
    measure: Measure,
    table: EffectTable,
    names: Sequence[str],
    side: str,
    arm_labels: tuple[str, str],
    counted: str,
) -> list[_Column]:
    """Return the columns of one side; neighbours that each arm has are put together arm by arm."""
    place = Place(side="left" if side == "left" else "right")
    found: list[_Column] = []
    for of_arms, run in groupby(names, key=lambda name: name in OF_ARMS and _has(measure, table, name)):
        if of_arms:
            some = list(run)
            for arm, label in zip(arms_of(measure), _labels(measure, arm_labels), strict=False):
                found += [_of_arm(table, name, arm, label, place, counted) for name in some]
            continue
        for name in run:
            if name == ARMS:
                usual = usual_cells(measure, table, arm_labels, counted)
                found += [
                    _Column(
                        heading=heading, cells=tuple(row[at] for row in usual.rows), place=place, adds_up=ARMS
                    )
                    for at, heading in enumerate(usual.headings)
                ]
            else:
                found.append(_of_table(table, name, place))
    return found


def _has(measure: Measure, table: EffectTable, name: str) -> bool:
    return any(column_of(name, arm) in table.data for arm in arms_of(measure))


def _labels(measure: Measure, arm_labels: tuple[str, str]) -> tuple[str, ...]:
    if "mean_before" in measure.columns:
        return "Before", "After"
    return arm_labels if measure.comparative else ("",)


def _of_arm(table: EffectTable, name: str, arm: str, label: str, place: Place, counted: str) -> _Column:
    raw = column_of(name, arm)
    values = table.data.get(raw)
    heading = OF_ARMS[name] or counted
    texts = ("",) * len(table) if values is None else _numbers([float(value) for value in values])
    over = Place(side=place.side, over=label)
    adds = raw if name in ("events", "total", "time") else ""
    return _Column(heading=_upper_first(heading), cells=texts, place=over, adds_up=adds)


def _of_table(table: EffectTable, name: str, place: Place) -> _Column:
    if name in table.data:
        texts = _numbers([float(value) for value in table.data[name]])
        return _Column(heading=_heading(name), cells=texts, place=place)
    words = _words(table, name)
    numbers = [_number(word) for word in words]
    if all(number is not None or not word for number, word in zip(numbers, words, strict=True)):
        texts = _numbers([math.nan if number is None else number for number in numbers])
        return _Column(heading=_heading(name), cells=texts, place=place)
    return _Column(heading=_heading(name), cells=words, place=Place(side=place.side, align="left"))


def _words(table: EffectTable, name: str) -> tuple[str, ...]:
    if name not in table.moderators:
        valid = (ARMS, *OF_ARMS, *table.moderators, *table.data)
        raise UnknownNameError("column of the table", name, tuple(dict.fromkeys(valid)))
    return tuple("" if value is None or value != value else str(value) for value in table.moderators[name])


def _number(word: str) -> float | None:
    try:
        return float(word) if word else None
    except ValueError:
        return None


def _numbers(values: Sequence[float]) -> tuple[str, ...]:
    """Write a column with as many decimals as show each of its numbers, at most two; counts as counts."""
    known = [value for value in values if math.isfinite(value)]
    decimals = next((n for n in (0, 1) if all(abs(v - round(v, n)) < 1e-9 for v in known)), 2)
    return tuple(fixed(value, decimals) if math.isfinite(value) else UNKNOWN for value in values)


def _sum(table: EffectTable, name: str, used: Sequence[int]) -> str:
    values = table.data.get(name)
    found = math.nan if values is None else float(values[list(used)].sum())
    return amount(found) if math.isfinite(found) else UNKNOWN


def _gauges(
    table: EffectTable, names: Sequence[str], levels: Sequence[str]
) -> tuple[tuple[str, float | None], ...]:
    """Return the length of the bar of every judged word.

    Raises
    ------
    UsageError
        For words without a place.
    """
    ladder = [level.casefold() for level in levels or LEVELS]
    found: dict[str, float | None] = {}
    strange: list[str] = []
    for word in dict.fromkeys(word for name in names for word in _words(table, name)):
        plain = word.strip().casefold()
        plain = plain if levels or plain in ladder else SAME_LEVEL.get(plain, plain)
        if not plain or plain in NOT_KNOWN:
            found[word] = None
        elif plain in ladder:
            found[word] = fill_of(ladder.index(plain), ladder)
        else:
            strange.append(word)
    if strange:
        raise UsageError(
            f"judgements {', '.join(map(repr, strange))}: no place between best and worst is known for them; "
            f"name all levels from best to worst, separated by semicolons: --judgement-levels "
            f"'{'; '.join(LEVELS)}'"
        )
    return tuple(found.items())


def _heading(name: str) -> str:
    return _upper_first(name.replace("_", " "))


def _upper_first(text: str) -> str:
    return text[:1].upper() + text[1:]
