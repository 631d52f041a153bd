"""`metakit pool`: one table of studies in, one pooled answer out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.running import answer_json

NAME = "pool"
HELP = """Pool the studies of one table (.csv or .xlsx) into one answer.

Columns beside 'study': events_1 total_1 events_2 total_2 for two arms with counts; events total for one arm;
mean_1 sd_1 total_1 mean_2 sd_2 total_2; events time (or events_1 time_1 events_2 time_2) for rates;
effect with variance or standard_error for ready effects (--measure generic). Arm 1 is the technique of
interest. When no model is named, one is chosen by measure and data, and the answer says which and why.

Example: metakit pool complications.csv --measure risk_ratio --json
"""


def command(
    file: Annotated[Path, typer.Argument(help="Table with a header: .csv or .xlsx.", show_default=False)],
    measure: Annotated[
        str, typer.Option(help="Effect measure: risk_ratio, odds_ratio, proportion, rate, generic, ...")
    ],
    model: Annotated[
        str | None,
        typer.Option(help="random_effects, common_effect, mantel_haenszel, peto, one_stage or bayesian."),
    ] = None,
    tau2: Annotated[
        str | None, typer.Option(help="Estimator of the between-study variance: reml, ...")
    ] = None,
    interval: Annotated[
        str | None, typer.Option(help="Interval for the mean: hartung_knapp_floor, wald, ...")
    ] = None,
    zero_cells: Annotated[
        str | None, typer.Option(help="What to do with zero cells: none, constant or treatment_arm.")
    ] = None,
    scale: Annotated[
        str | None,
        typer.Option(help="Analysis scale, where the measure has several (proportion: logit, ...)."),
    ] = None,
    level: Annotated[float, typer.Option(help="Level of the intervals.")] = 0.95,
    json: Annotated[bool, typer.Option("--json", help="Answer as JSON on the analysis scale.")] = False,
) -> None:
    """Read, compute effects, pool, answer."""
    from metakit.cli.answers import pooled_text
    from metakit.cli.tables import pooled_table

    result = pooled_table(
        file, measure=measure, model=model, tau2=tau2, interval=interval, zero_cells=zero_cells, scale=scale,
        level=level,
    ).result  # fmt: skip
    if json:
        answer_json(result.to_json())
    else:
        typer.echo(pooled_text(result))
