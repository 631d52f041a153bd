"""`metakit draw`: one figure of one table."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

NAME = "draw"
HELP = """Draw the studies of one table: a forest plot or a funnel plot, as .svg, .pdf or .png.

Example: metakit draw complications.csv --measure risk_ratio --figure forest --to complications.svg
"""


def command(
    file: Annotated[Path, typer.Argument(help="Table with a header: .csv or .xlsx.", show_default=False)],
    measure: Annotated[str, typer.Option(help="Effect measure: risk_ratio, odds_ratio, proportion, ...")],
    to: Annotated[Path, typer.Option(help="File to write; its ending says the kind: .svg, .pdf or .png.")],
    figure: Annotated[str, typer.Option(help="Which figure: forest or funnel.")] = "forest",
    model: Annotated[str | None, typer.Option(help="Pooling model, as in 'metakit pool'.")] = None,
    tau2: Annotated[str | None, typer.Option(help="Estimator of the between-study variance.")] = None,
    interval: Annotated[str | None, typer.Option(help="Interval for the mean.")] = None,
    zero_cells: Annotated[str | None, typer.Option(help="What to do with zero cells.")] = None,
    scale: Annotated[str | None, typer.Option(help="Analysis scale, where the measure has several.")] = None,
    level: Annotated[float, typer.Option(help="Level of the intervals.")] = 0.95,
    title: Annotated[str, typer.Option(help="Title above the figure.")] = "",
    left_words: Annotated[
        str, typer.Option(help="Words under the left side: 'fewer complications after A'.")
    ] = "",
    right_words: Annotated[str, typer.Option(help="Words under the right side.")] = "",
    width_mm: Annotated[float, typer.Option(help="Width of the figure in millimetres.")] = 180.0,
    dpi: Annotated[int, typer.Option(help="Dots per inch of a .png.")] = 300,
) -> None:
    """Read, pool, draw, write."""
    from metakit.cli.tables import pooled_table
    from metakit.plots.registry import FIGURES
    from metakit.plots.save import check_target, save_figure

    chosen = FIGURES[figure]
    check_target(to)  # a wrong ending is said before anything is read
    pooled = pooled_table(
        file, measure=measure, model=model, tau2=tau2, interval=interval, zero_cells=zero_cells, scale=scale,
        level=level,
    )  # fmt: skip
    drawing = chosen.build(
        pooled.result,
        pooled.effects,
        title=title,
        left_words=left_words,
        right_words=right_words,
        width_mm=width_mm,
    )
    typer.echo(str(save_figure(drawing, to, dpi=dpi)))
