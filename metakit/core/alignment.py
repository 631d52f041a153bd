"""The rows of a result beside the studies of the table that it was pooled from."""

from __future__ import annotations

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult, StudyRow


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
