"""From a table on disk to effects and a pooled result: shared by `pool`, `explore`, `draw`, `causes`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from metakit.cli.support.option_groups import ModelOptions, TableOptions
from metakit.cli.support.running import say

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from metakit.core.causes import Causes
    from metakit.core.effects import EffectTable
    from metakit.core.results import PoolResult
    from metakit.forms.sheets.tables import Table

MOST_SHOWN = 5


@dataclass(frozen=True, slots=True)
class PooledTable:
    """The effects of a table's studies and the result of pooling them."""

    effects: EffectTable
    result: PoolResult


def effects_read(
    file: Path, measure: str, table: TableOptions, *, scale: str | None = None, zero_cells: str | None = None
) -> EffectTable:
    """Read a table and compute the effects of its studies; with `--show`, tell how it is read and stop."""
    from metakit.measures.converting.printed import effects_of_file, table_of_file

    if table.show:
        show_table(table_of_file(file, measure, columns=table.named(), sheet=table.sheet))
    effects = effects_of_file(
        file, measure=measure, columns=table.named(), sheet=table.sheet, scale=scale, zero_cells=zero_cells,
        rows_differ=table.rows_differ,
    )  # fmt: skip
    refuse_beyond(effects)
    return effects


def refuse_beyond(effects: EffectTable, digits: float = math.inf) -> None:
    """Stop when the ratio of a study is no number a computer can hold, or one of more digits than these.

    Raises
    ------
    NotEstimableError
        Naming the studies.
    """
    import numpy as np

    from metakit.errors import NotEstimableError
    from metakit.measures.natural import natural_of

    known = np.flatnonzero(effects.estimable)
    units = natural_of(effects)
    with np.errstate(over="ignore", under="ignore", divide="ignore", invalid="ignore"):
        values = units.values(effects.effect[known])
        beyond = ~np.isfinite(values)
        if units.axis == "log":
            beyond |= (values == 0) | (np.abs(np.log10(values)) > digits)
    if beyond.any():
        named = ", ".join(f"{effects.study[row]} ({effects.effect[row]:.3g})" for row in known[beyond][:5])
        more = int(beyond.sum()) - 5
        raise NotEstimableError(
            f"the effect cannot be {'written as a number' if math.isinf(digits) else 'drawn'}, "
            "it lies too far out on the analysis scale: "
            f"{named}{f' and {more} more' if more > 0 else ''}; look for a slip in the numbers"
        )


def say_readings(told: Sequence[str], set_aside: Sequence[tuple[str, str]] = ()) -> None:
    """Say on stderr what was not read literally and which studies are left out, where an answer does not."""
    for note in told:
        say(f"metakit: {note}")
    for study, reason in set_aside:
        say(f"metakit: set aside: {study}: {reason}")


def pooled_table(file: Path, measure: str, table: TableOptions, model: ModelOptions) -> PooledTable:
    """Read a table, compute the effects of its studies and pool them."""
    effects = effects_read(file, measure, table, scale=model.scale, zero_cells=model.zero_cells)
    from metakit.errors import NotEstimableError, UsageError
    from metakit.models.of_counts.uncorrected import with_default_correction
    from metakit.models.pool import pool

    asked = model.model or ("multilevel" if model.cluster else None)
    named = asked or model.tau2 or model.interval
    effects = effects if named else with_default_correction(effects)
    stated: dict[str, Any] = {}
    if model.tau_prior_scale is not None:
        stated["tau_prior_scale"] = model.tau_prior_scale
    if asked == "multilevel":
        stated |= {
            "cluster": model.cluster,
            "sampling_correlation": model.sampling_correlation,
            "shared_comparator": model.shared_comparator,
        }
    elif model.sampling_correlation is not None or model.shared_comparator:
        raise UsageError(
            "--sampling-correlation and --shared-comparator belong to --cluster, the column whose rows "
            "belong together"
        )
    result = pool(
        effects,
        model=asked,
        tau2=model.tau2,
        interval=model.interval,
        inference=model.inference,
        level=model.level,
        **stated,
    )
    import numpy as np

    with np.errstate(over="ignore"):
        natural = 0.0 if result.limit_only else float(result.back_transform(result.estimate))
    if not math.isfinite(natural):
        raise NotEstimableError(
            f"the answer cannot be written as a number: {result.estimate:.3g} on the analysis scale; "
            "look for a slip in the numbers"
        )
    return PooledTable(effects, result)


def show_table(table: Table) -> None:
    """Print how a table is read, then end the command.

    Raises
    ------
    typer.Exit
        Always, with status 0.
    """
    for line in table.told or ("Every heading and cell is read literally.",):
        typer.echo(line)
    names = list(table.columns)
    typer.echo(f"\n{len(table)} {'study' if len(table) == 1 else 'studies'}; as understood:")
    typer.echo("  " + " | ".join(names))
    for row in range(min(MOST_SHOWN, len(table))):
        typer.echo("  " + " | ".join(str(table.columns[name][row]) for name in names))
    if len(table) > MOST_SHOWN:
        typer.echo(f"  ... and {len(table) - MOST_SHOWN} more")
    for study, reason in table.left_out:
        typer.echo(f"  set aside: {study}: {reason}")
    raise typer.Exit


def causes_table(file: Path, table: TableOptions, *, level: float) -> tuple[Causes, tuple[str, ...]]:
    """Read a table of reasons for coming back and pool them; with `--show`, tell how it is read and stop.

    Returns
    -------
    Causes, tuple of str
        With every reading that was not literal, which is said as well.
    """
    from metakit.core.nouns import nouns
    from metakit.forms.printed_tables.understand import read_printed_or_plain
    from metakit.measures.cells import raw_table
    from metakit.models.causes_of_return.causes import causes_of_table

    wanted = (("cause", "thumbs", "total"),)
    rows = read_printed_or_plain(file, wanted, columns=table.named(), sheet=table.sheet)
    if table.show:
        show_table(rows)
    say_readings(rows.told, rows.left_out)
    columns = {nouns().read(name): cells for name, cells in rows.columns.items()}
    cells = raw_table(columns, file=rows.file, lines=rows.lines, letters=rows.letters)
    return causes_of_table(cells, level=level), rows.told


def causes_figures(
    file: Path, table: TableOptions, *, level: float, title: str, width_mm: float
) -> tuple[Figure, ...]:
    """Read a table of reasons for coming back and draw the shares: all studies, then each technique."""
    from metakit.plots.evidence.causes import causes_content, causes_figure

    found, _ = causes_table(file, table, level=level)
    return tuple(
        causes_figure(
            causes_content(result, title=": ".join(part for part in (title, result.technique) if part)),
            width_mm=width_mm,
        )
        for result in (found.overall, *found.by_technique)
    )
