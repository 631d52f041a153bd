"""`metakit network`: every technique against every other, and what each part of an operation adds."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.support.choices import name_option
from metakit.cli.support.option_groups import File, Json, Level, Save, TableOptions, grouped
from metakit.cli.support.running import answer_json, echo_placed, say

NAME = "network"
HELP = """Compare all techniques of a network of studies, and their components.

Long rows, one a study's arm: study technique events total (or mean sd total, or events time); or ready
contrasts: study technique_1 technique_2 effect standard_error. Parts of an operation are joined with
'+', as in trapeziectomy+suspension. Ranks are never shown without intervals and never mean certainty.
For rare events, mantel_haenszel corrects no cell and one_stage checks it by the counts' own likelihood.
Further columns describe studies: --moderator asks whether one changes effects, --characteristics shows
whether comparisons are alike. --figure and --to draw the network instead of telling it.

Example: metakit network arms.csv --measure odds_ratio --reference trapeziectomy --json
Example: metakit network arms.csv --measure risk_ratio --figure geometry --to network.svg
"""


@grouped
def command(
    file: File,
    measure: Annotated[str, name_option("network_measure", "Effect measure; the names are listed below.")],
    table: TableOptions,
    inference: Annotated[
        str, name_option("inference", "How the spread is treated; the other stands beside.")
    ] = "half_normal",
    model: Annotated[
        str | None,
        typer.Option(
            help="Ask for one model: random_effects, common_effect; for rare events mantel_haenszel, "
            "one_stage, one_stage_common_effect.",
            show_default=False,
        ),
    ] = None,
    tau2: Annotated[
        str | None, name_option("tau2", "Ask for random effects by one estimator of tau².")
    ] = None,
    reference: Annotated[str | None, typer.Option(help="Technique that others are compared with.")] = None,
    components: Annotated[
        bool, typer.Option("--components", help="Also estimate what each component adds.")
    ] = False,
    interactions: Annotated[
        str | None, typer.Option(help="Interactions declared beforehand: one*two,one*three.")
    ] = None,
    better: Annotated[str | None, typer.Option(help="For ranks: lower or higher.")] = None,
    moderator: Annotated[
        str | None, typer.Option(help="Column of a study characteristic that may change the effects.")
    ] = None,
    moderator_form: Annotated[
        str, typer.Option(help="per_technique (a coefficient each) or common (one for all).")
    ] = "per_technique",
    characteristics: Annotated[
        str | None, typer.Option(help="Columns to describe by comparison: year,age.")
    ] = None,
    order: Annotated[
        str | None, typer.Option(help="Techniques from oldest to newest, for the comparison-adjusted funnel.")
    ] = None,
    level: Level = 0.95,
    figure: Annotated[str, name_option("network_figure", "Draw one instead of telling the answer.")] = "",
    to: Annotated[
        Path | None,
        typer.Option(help="File of the figure; its ending says the kind: .svg, .pdf, .png, .tif."),
    ] = None,
    title: Annotated[str, typer.Option(help="Title above the figure.")] = "",
    line_width: Annotated[
        str, typer.Option(help="geometry: what the width of lines tells, studies or precision.")
    ] = "studies",
    preset: Annotated[str, name_option("preset", "Size to draw at, as journals ask for it.")] = "",
    width_mm: Annotated[
        float | None, typer.Option(help="Width in millimetres, 80 to 400 [default: 180, or the preset's].")
    ] = None,
    save: Save = None,
    json: Json = False,
) -> None:
    """Read, analyse every connected part, answer; with --figure, draw instead."""
    from metakit.cli.support.network_drawing import NetworkDrawing
    from metakit.cli.support.tables import show_table
    from metakit.networks.analysis import Moderator, analyse_network
    from metakit.networks.reading import (
        arms_of_table,
        better_words,
        moderator_values,
        network_table,
        study_values,
    )
    from metakit.networks.text import network_text

    drawing = NetworkDrawing.of(figure, to, title, line_width, preset, width_mm)
    rows = network_table(file, measure, columns=table.named(), sheet=table.sheet)
    if table.show:
        show_table(rows)
    for line in rows.told:
        say(f"metakit: {line}")
    arms = arms_of_table(rows, measure, rows_differ=table.rows_differ)
    chosen = None
    if moderator is not None:
        values = moderator_values(rows, moderator, arms)
        chosen = Moderator(name=moderator, values=values, form=moderator_form)
    found = analyse_network(
        arms,
        model=model,
        tau2=tau2,
        inference=inference,
        reference=reference,
        components=components or figure == "components",
        interactions=words(interactions),
        lower_is_better=better_words(better),
        level=level,
        moderator=chosen,
        characteristics={name: study_values(rows, name, arms) for name in words(characteristics)},
        order=words(order),
    )
    if save is not None:
        from metakit.report.answer_files import network_tables, save_answer

        say(f"metakit: saved {save_answer(save, network_tables(found))}")
    if drawing is not None:
        echo_placed(drawing.write(found), err=json)
    if json:
        answer = found.to_json()
        answer_json({**answer, "notes": [*rows.told, *answer["notes"]]})
    elif drawing is None:
        typer.echo(network_text(found))
    if sum(len(item.part.arms.studies) for item in found.parts) == 1:
        say("metakit: one study is no network: its own contrasts are all there is, and nothing was pooled.")
        raise typer.Exit(3)


def words(text: str | None) -> tuple[str, ...]:
    """Split a list written with commas."""
    return tuple(part.strip() for part in text.split(",") if part.strip()) if text else ()
