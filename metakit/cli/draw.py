"""`metakit draw`: one figure of one table."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from metakit.cli.support.choices import name_option
from metakit.cli.support.option_groups import File, Measure, ModelOptions, TableOptions, grouped
from metakit.errors import NotEstimableError

NAME = "draw"
CAUSES = "causes"
HELP = """Draw the studies of one table as .svg, .pdf, .png or .tif.

Figures: forest, funnel, bubble (needs --moderator), influence, contribution (to Q, against influence),
leave_one_out, cumulative (needs --order-by), all_subsets; causes (of a table as 'metakit causes' takes it,
without --measure).

Example: metakit draw complications.csv --measure risk_ratio --figure forest --to complications.svg
"""


@grouped
def command(
    file: File,
    table: TableOptions,
    pooling: ModelOptions,
    to: Annotated[
        Path,
        typer.Option(
            help="File to write; its ending says the kind: .svg, .pdf, .png, .tif. Without an ending: "
            "every kind that the preset names."
        ),
    ],
    measure: Measure = "",
    figure: Annotated[
        str,
        name_option("figure", "Which figure; causes needs no measure."),
    ] = "forest",
    title: Annotated[str, typer.Option(help="Title above the figure.")] = "",
    left_words: Annotated[
        str, typer.Option(help="Words under the left side (below, in a bubble picture): 'fewer after A'.")
    ] = "",
    right_words: Annotated[str, typer.Option(help="Words under the right side (above).")] = "",
    preset: Annotated[str, name_option("preset", "Size to draw at, as journals ask for it.")] = "",
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
    from metakit.cli.support.tables import causes_figures, pooled_table
    from metakit.errors import UsageError
    from metakit.plots.presets import chosen_size, targets
    from metakit.plots.registry import FIGURES, FigureOptions
    from metakit.plots.save import check_target, save_parts

    chosen = None if figure == CAUSES else FIGURES[figure]
    if chosen is not None and not measure:
        raise UsageError(f"the figure {figure} needs --measure: risk_ratio, odds_ratio, proportion, ...")
    size = chosen_size(preset, width_mm=width_mm, dpi=dpi)
    files = targets(to, preset)
    for path in files:
        check_target(path)  # a wrong ending is said before anything is read
    if chosen is None:
        drawn = causes_figures(file, table, level=pooling.level, title=title, width_mm=size.width_mm)
        for file_to_write in files:
            for path in save_parts(drawn, file_to_write, dpi=size.dpi):
                typer.echo(str(path))
        return
    options = FigureOptions(
        moderator=moderator,
        order_by=order_by,
        small_study_line=small_study_line,
        added_studies=added_studies,
        chosen_studies=tuple(name.strip() for name in chosen_studies.split(";") if name.strip()),
        vertical=_vertical(vertical),
        page_height_mm=page_height_mm,
    )
    pooled = pooled_table(file, measure, table, pooling)
    if chosen.name != "forest" and pooled.result.limit_only:
        raise NotEstimableError("all events are in one arm: there is no estimate, so only a forest is drawn")
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
