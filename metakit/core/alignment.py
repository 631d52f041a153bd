"""The rows of a result beside the studies of the table that it was pooled from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult, SingleStudyResult, StudyRow


def align(table: EffectTable, result: PoolResult) -> list[StudyRow | None]:
    """Return, for each study of the table, its row in the result, or None.

    Names may repeat, so rows are matched by order: all studies, or the estimable ones, or those whose names
    follow one another in the result.
    """
    rows = result.studies
    for members in (range(len(table)), np.flatnonzero(table.estimable).tolist()):
        if len(members) == len(rows) and all(
            table.study[i] == row.study for i, row in zip(members, rows, strict=True)
        ):
            found = dict(zip(members, rows, strict=True))
            return [found.get(i) for i in range(len(table))]
    matched: list[StudyRow | None] = []
    waiting = list(rows)
    for name in table.study:
        matched.append(waiting.pop(0) if waiting and waiting[0].study == name else None)
    if waiting:
        raise ValueError(f"the result has a study {waiting[0].study!r} that the table lacks at that place")
    return matched


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownRow:
    """The row of a study as every figure, table and trace shows it.

    `alone` is the answer that rests on this study only, where there is one: the row has its estimate and its
    interval. `entered` is its row in a mean of several that it also enters, by other numbers.
    """

    row: StudyRow | None
    alone: SingleStudyResult | None = None
    entered: StudyRow | None = None


def shown_rows(
    table: EffectTable,
    result: PoolResult | None,
    groups: Sequence[str] = (),
    group_results: Mapping[str, PoolResult] | None = None,
) -> list[ShownRow]:
    """Return the row of each study of the table: one study, one interval.

    Parameters
    ----------
    table : EffectTable
        Of k studies.
    result : PoolResult or None
        The mean over all of them.
    groups : sequence of str, length k
        The group of each study, where groups are answered too.
    group_results : mapping of str to PoolResult
        Their answers. A study that answers alone, for all or for its group, is shown with that answer's
        numbers; without a mean over all, the others are shown as their group has them.
    """
    rows = [None] * len(table) if result is None else align(table, result)
    whole = result if isinstance(result, SingleStudyResult) else None
    shown = [ShownRow(row=row, alone=None if row is None else whole) for row in rows]
    for name, answer in (group_results or {}).items():
        inside = np.array([label == name for label in groups], dtype=bool)
        places = np.flatnonzero(inside).tolist()
        for i, row in zip(places, align(table.select(inside), answer), strict=True):
            former = rows[i]
            alone = answer if isinstance(answer, SingleStudyResult) else None
            if row is None or (result is not None and (former is None or alone is None)):
                continue
            kept = row if former is None else replace(row, weight=former.weight)
            other = former is not None and not _alike(former, kept)
            shown[i] = ShownRow(row=kept, alone=alone, entered=former if other else None)
    return shown


def _alike(one: StudyRow, other: StudyRow) -> bool:
    if one.interval is None or other.interval is None:
        return one.interval is other.interval
    return bool(np.allclose(one.interval, other.interval, rtol=1e-9, atol=1e-12))
