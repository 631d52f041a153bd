"""`metakit draw`: one figure of one table."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from metakit.cli.support.choices import name_option
from metakit.cli.support.drawing import (
    ForestOptions,
    LookOptions,
    narrow_enough,
    say_taller_than_a_page,
    split,
    write_figure,
)
from metakit.cli.support.option_groups import File, Measure, ModelOptions, TableOptions, grouped
from metakit.errors import NotEstimableError

MOST_DIGITS = 250
"""Of a ratio on an axis: more leave no room around it in a double (common practice, no source)."""
NAME = "draw"
CAUSES = "causes"
HELP = """Draw the studies of one table as .svg, .pdf, .png or .tif.

Figures: forest, funnel, bubble (needs --moderator), influence, contribution (to Q, against influence),
leave_one_out, cumulative (needs --order-by), all_subsets; causes (of a table as 'metakit causes' takes it,
without --measure).

Example: metakit draw complications.csv --measure risk_ratio --figure forest --to complications.svg
Example: metakit draw complications.csv --measure risk_ratio --subgroup design --order-by weight
--arms 'LRTI; trapeziectomy' --left-columns year --right-columns events,total --to figure_1.pdf
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
    look: LookOptions,
    forest: ForestOptions,
    measure: Measure = "",
    figure: Annotated[
        str,
        name_option("figure", "Which figure; causes needs no measure."),
    ] = "forest",
    moderator: Annotated[str, typer.Option(help="bubble: column of numbers or words.")] = "",
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
) -> None:
    """Read, pool, draw, write."""
    from metakit.cli.support.tables import causes_figures, pooled_table, refuse_beyond, say_readings
    from metakit.errors import UsageError
    from metakit.plots.presets import targets
    from metakit.plots.registry import FIGURES, FigureOptions
    from metakit.plots.save import check_target

    chosen = None if figure == CAUSES else FIGURES[figure]
    if chosen is not None and not measure:
        raise UsageError(f"the figure {figure} needs --measure: risk_ratio, odds_ratio, proportion, ...")
    size = look.size()
    files = targets(to, look.preset)
    for path in files:
        check_target(path)  # a wrong ending is said before anything is read
    options = FigureOptions(
        moderator=moderator,
        order_by=forest.order_by,
        small_study_line=small_study_line,
        added_studies=added_studies,
        chosen_studies=split(chosen_studies, ";"),
        vertical=_vertical(vertical),
        page_height_mm=size.height_mm if look.page_height_mm is None else look.page_height_mm,
        forest=forest.choices(),
    )
    if chosen is None:
        with look.drawn():
            drawn = causes_figures(file, table, level=pooling.level, title=look.title, width_mm=size.width_mm)
            write_figure(drawn, files, dpi=size.dpi)
        return
    pooled = pooled_table(file, measure, table, pooling)
    say_readings(pooled.effects.notes, [(item.study, item.reason) for item in pooled.effects.set_aside])
    if chosen.name != "forest" and pooled.result.limit_only:
        raise NotEstimableError("all events are in one arm: there is no estimate, so only a forest is drawn")
    refuse_beyond(pooled.effects, digits=MOST_DIGITS)
    build = chosen.build
    with look.drawn():
        parts = narrow_enough(
            lambda width: build(
                pooled.result, pooled.effects, title=look.title, left_words=look.left_words,
                right_words=look.right_words, width_mm=width, options=options,
            ).parts,
            size,
        )  # fmt: skip
        say_taller_than_a_page(parts)
        write_figure(parts, files, dpi=size.dpi)


def _vertical(name: str) -> Literal["", "standard_error", "study_size"]:
    from metakit.errors import UnknownNameError

    match name:
        case "" | "standard_error" | "study_size":
            return name
        case _:
            raise UnknownNameError("vertical axis", name, ("standard_error", "study_size"))
