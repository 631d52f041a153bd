"""From a table on disk to a pooled result: shared by `pool`, `draw` and `causes`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from metakit.core.causes import Causes
    from metakit.core.effects import EffectTable
    from metakit.core.results import PoolResult


@dataclass(frozen=True, slots=True)
class PooledTable:
    """The effects of a table's studies and the result of pooling them."""

    effects: EffectTable
    result: PoolResult


def pooled_table(
    file: Path,
    *,
    measure: str,
    model: str | None,
    tau2: str | None,
    interval: str | None,
    zero_cells: str | None,
    scale: str | None,
    level: float,
) -> PooledTable:
    """Read a table, compute the effects of its studies and pool them."""
    from metakit.measures.printed import effects_of_file
    from metakit.models.pool import pool

    effects = effects_of_file(file, measure=measure, scale=scale, zero_cells=zero_cells)
    return PooledTable(effects, pool(effects, model=model, tau2=tau2, interval=interval, level=level))


def causes_table(file: Path, *, level: float) -> Causes:
    """Read a table of reasons for coming back and pool them."""
    from metakit.forms.tables import read_table
    from metakit.measures.cells import raw_table
    from metakit.models.causes import causes_of_table

    table = read_table(file)
    cells = raw_table(table.columns, file=table.file, lines=table.lines, letters=table.letters)
    return causes_of_table(cells, level=level)
