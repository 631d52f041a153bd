"""`metakit pool`: one table of studies in, one pooled answer out."""

from __future__ import annotations

from typing import Annotated

import typer

from metakit.cli.support.option_groups import File, Json, Measure, ModelOptions, Save, TableOptions, grouped
from metakit.cli.support.running import answer_json, say

NAME = "pool"
HELP = """Pool the studies of one table (.csv or .xlsx) into one answer.

Columns beside 'study': events_1 total_1 events_2 total_2 for two arms with counts; events total for one arm;
mean_1 sd_1 total_1 mean_2 sd_2 total_2; events time (or events_1 time_1 events_2 time_2) for rates;
effect with variance or standard_error for ready effects (--measure generic). Arm 1 is the technique of
interest. When no model, estimator or interval is named, the inference answers: random effects with the spread
between centres averaged over a half-normal prior (half_normal), or REML with Hartung-Knapp (hartung_knapp).

Example: metakit pool complications.csv --measure risk_ratio --json
"""


@grouped
def command(
    file: File,
    measure: Measure,
    table: TableOptions,
    model: ModelOptions,
    threshold: Annotated[
        float | None,
        typer.Option(help="Say how likely an effect below this is (in natural units, such as 0.8)."),
    ] = None,
    save: Save = None,
    json: Json = False,
) -> None:
    """Read, compute effects, pool, answer."""
    from metakit.cli.support.answers import pooled_text, threshold_text
    from metakit.cli.support.tables import pooled_table
    from metakit.models.new_centre import beyond_natural

    if save is not None:
        from metakit.report.answer_files import check_answer_file

        check_answer_file(save)
    pooled = pooled_table(file, measure, table, model)
    result = pooled.result
    beyond = beyond_natural(result, threshold) if threshold is not None else None
    if json:
        answer_json({**result.to_json(), **({"beyond_threshold": beyond.to_json()} if beyond else {})})
    else:
        typer.echo(pooled_text(result))
        if beyond is not None and threshold is not None:
            typer.echo("\n" + threshold_text(beyond, threshold))
    if save is not None:
        from metakit.report.answer_files import pooled_table as table_of
        from metakit.report.answer_files import save_answer

        say(f"metakit: saved {save_answer(save, (table_of(result, pooled.effects),))}")
