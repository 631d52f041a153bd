"""`metakit draw`: one figure of one table."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

NAME = "draw"
HELP = """Draw the studies of one table as .svg, .pdf, .png or .tif.

Figures: forest, funnel, bubble (needs --moderator), influence, contribution (to Q, against influence),
leave_one_out, cumulative (needs --order-by), all_subsets.

Example: metakit draw complications.csv --measure risk_ratio --figure forest --to complications.svg
"""


def command(
    file: Annotated[Path, typer.Argument(help="Table with a header: .csv or .xlsx.", show_default=False)],
    measure: Annotated[str, typer.Option(help="Effect measure: risk_ratio, odds_ratio, proportion, ...")],
    to: Annotated[
        Path,
        typer.Option(
            help="File to write; its ending says the kind: .svg, .pdf, .png, .tif. Without an ending: "
            "every kind that the preset names."
        ),
    ],
    figure: Annotated[str, typer.Option(help="Which figure: forest, funnel, bubble, ...")] = "forest",
    model: Annotated[str | None, typer.Option(help="Pooling model, as in 'metakit pool'.")] = None,
    tau2: Annotated[str | None, typer.Option(help="Estimator of the between-study variance.")] = None,
    interval: Annotated[str | None, typer.Option(help="Interval for the mean.")] = None,
    zero_cells: Annotated[str | None, typer.Option(help="What to do with zero cells.")] = None,
    scale: Annotated[str | None, typer.Option(help="Analysis scale, where the measure has several.")] = None,
    level: Annotated[float, typer.Option(help="Level of the intervals.")] = 0.95,
    title: Annotated[str, typer.Option(help="Title above the figure.")] = "",
    left_words: Annotated[
        str, typer.Option(help="Words under the left side (below, in a bubble picture): 'fewer after A'.")
    ] = "",
    right_words: Annotated[str, typer.Option(help="Words under the right side (above).")] = "",
    preset: Annotated[
        str,
        typer.Option(
            help="Size to draw at: single_column, one_and_a_half_columns, double_column, slide, "
            "office_document."
        ),
    ] = "",
    width_mm: Annotated[
        float | None, typer.Option(help="Width in millimetres, 80 to 400 [default: 180, or the preset's].")
    ] = None,
    dpi: Annotated[
        int | None, typer.Option(help="Dots per inch of a .png or .tif [default: 300, or the preset's].")
    ] = None,
    moderator: Annotated[str, typer.Option(help="bubble: column of numbers or words.")] = "",
    order_by: Annotated[str, typer.Option(help="cumulative: column of numbers, such as year.")] = "",
    chosen_studies: Annotated[
        str, typer.Option(help="all_subsets: up to three studies to mark, separated by semicolons.")
    ] = "",
    small_study_line: Annotated[
        str, typer.Option(help="funnel: line of egger, pet_peese or limit_meta_analysis.")
    ] = "",
    added_studies: Annotated[
        bool, typer.Option("--added-studies", help="funnel: show what trim and fill would add.")
    ] = False,
    vertical: Annotated[
        str, typer.Option(help="funnel: standard_error or study_size (for rare events).")
    ] = "",
    page_height_mm: Annotated[
        float | None, typer.Option(help="forest: cut into files -1, -2, ... no higher than this.")
    ] = None,
) -> None:
    """Read, pool, draw, write."""
    from metakit.cli.tables import pooled_table
    from metakit.plots.presets import chosen_size, targets
    from metakit.plots.registry import FIGURES, FigureOptions
    from metakit.plots.save import check_target, save_parts

    chosen = FIGURES[figure]
    size = chosen_size(preset, width_mm=width_mm, dpi=dpi)
    files = targets(to, preset)
    for path in files:
        check_target(path)  # a wrong ending is said before anything is read
    options = FigureOptions(
        moderator=moderator,
        order_by=order_by,
        small_study_line=small_study_line,
        added_studies=added_studies,
        chosen_studies=tuple(name.strip() for name in chosen_studies.split(";") if name.strip()),
        vertical=_vertical(vertical),
        page_height_mm=page_height_mm,
    )
    pooled = pooled_table(
        file, measure=measure, model=model, tau2=tau2, interval=interval, zero_cells=zero_cells, scale=scale,
        level=level,
    )  # fmt: skip
    built = chosen.build(
        pooled.result, pooled.effects, title=title, left_words=left_words, right_words=right_words,
        width_mm=size.width_mm, options=options,
    )  # fmt: skip
    for file_to_write in files:
        for path in save_parts(built.parts, file_to_write, dpi=size.dpi):
            typer.echo(str(path))


def _vertical(name: str) -> Literal["", "standard_error", "study_size"]:
    from metakit.errors import UnknownNameError

    match name:
        case "" | "standard_error" | "study_size":
            return name
        case _:
            raise UnknownNameError("vertical axis", name, ("standard_error", "study_size"))
