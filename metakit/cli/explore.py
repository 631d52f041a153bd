"""`metakit explore`: why the studies disagree, and whether the answer would survive."""

from __future__ import annotations

from typing import Annotated

import typer

from metakit.cli.support.choices import name_option
from metakit.cli.support.option_groups import File, Json, Level, Measure, Save, TableOptions, grouped
from metakit.cli.support.running import answer_json, say

NAME = "explore"
HELP = """Explore differences between the studies of one table, and what the answer rests on.

Other columns of the table are moderators. Everything here is exploration: a relation between studies is not a
relation between patients, and tests of small-study effects cannot say why small studies differ.

Example: metakit explore complications.csv --measure risk_ratio --moderators age,year --leave-one-out --json
"""


@grouped
def command(
    file: File,
    measure: Measure,
    table: TableOptions,
    moderators: Annotated[str | None, typer.Option(help="Columns for a meta-regression: age,year.")] = None,
    permutations: Annotated[int, typer.Option(help="Permutations for the p values of the regression.")] = 0,
    subgroup: Annotated[str | None, typer.Option(help="Column of words to pool by.")] = None,
    common_tau2: Annotated[
        bool, typer.Option("--common-tau2", help="One between-study variance for all subgroups.")
    ] = False,
    tests: Annotated[
        str | None,
        typer.Option(
            help="Small-study tests: egger,begg,... or 'suitable' for the one that fits; adjustments: "
            "pet_peese,selection_model,limit_meta_analysis."
        ),
    ] = None,
    force: Annotated[
        bool, typer.Option("--force", help="Run a test that does not suit the data; the answer says so.")
    ] = False,
    leave_one_out: Annotated[
        bool, typer.Option("--leave-one-out", help="Pool without each study in turn.")
    ] = False,
    influence: Annotated[
        bool, typer.Option("--influence", help="What each study does to the answer.")
    ] = False,
    fragility: Annotated[
        bool, typer.Option("--fragility", help="Whether one event, the spread or empty arms decide.")
    ] = False,
    cumulative: Annotated[
        str | None, typer.Option(help="Column of numbers to add studies by, such as year.")
    ] = None,
    trim_and_fill: Annotated[
        str | None, typer.Option(help="Trim and fill with estimator l0, r0 or q0.")
    ] = None,
    cut_points: Annotated[
        str | None, typer.Option(help="One-sided p values of the selection model: 0.025,0.5.")
    ] = None,
    favoured: Annotated[
        str | None,
        typer.Option(help="Side that selection may favour (PET-PEESE: of the effect): higher or lower."),
    ] = None,
    all_subsets: Annotated[
        bool, typer.Option("--all-subsets", help="Pool every subset (a seeded million beyond 20 studies).")
    ] = False,
    chosen_studies: Annotated[
        str | None, typer.Option(help="Studies to mark among the subsets, separated by semicolons.")
    ] = None,
    subset_tau2: Annotated[
        str, typer.Option(help="Estimator for the subsets; reml takes longer.")
    ] = "dersimonian_laird",
    workers: Annotated[int, typer.Option(help="Processes that share the subsets.")] = 1,
    scheduler: Annotated[
        str | None,
        typer.Option(help="Address of a Dask scheduler for the subsets, or 'local' for a local cluster."),
    ] = None,
    inference: Annotated[
        str, name_option("inference", "The rule where neither estimator nor interval is named.")
    ] = "half_normal",
    tau2: Annotated[str | None, name_option("tau2", "Estimator of the between-study variance.")] = None,
    interval: Annotated[str | None, name_option("interval", "Interval of means and coefficients.")] = None,
    zero_cells: Annotated[str | None, name_option("zero_cells", "What to do with zero cells.")] = None,
    level: Level = 0.95,
    save: Save = None,
    json: Json = False,
) -> None:
    """Read, compute effects, explore, answer."""
    from metakit.cli.support.subset_work import subset_request
    from metakit.cli.support.tables import effects_read, say_readings
    from metakit.models.differing import exploring

    effects = effects_read(file, measure, table, zero_cells=zero_cells)
    say_readings(effects.notes)
    request = None
    if all_subsets:
        names = _names(chosen_studies, ";")
        request = subset_request(names, tau2=subset_tau2, workers=workers, scheduler=scheduler)
    answer = exploring.explore(
        effects,
        moderators=_names(moderators),
        permutations=permutations,
        subgroup=subgroup,
        common_tau2=common_tau2,
        tests=_names(tests),
        force=force,
        leave_one_out=leave_one_out,
        influence=influence,
        fragility=fragility,
        cumulative=cumulative,
        trim_and_fill=trim_and_fill,
        cut_points=_fractions(cut_points),
        favoured=favoured,
        all_subsets=request,
        tau2=tau2,
        interval=interval,
        inference=inference,
        level=level,
    )
    if save is not None:
        from metakit.report.answer_files import save_answer
        from metakit.report.exploring_tables import exploring_tables

        say(f"metakit: saved {save_answer(save, exploring_tables(answer, effects))}")
    if json:
        answer_json({**answer, "notes": [*effects.notes, *answer.get("notes", ())]})
    else:
        typer.echo(exploring.exploring_text(answer, effects))


def _names(text: str | None, mark: str = ",") -> tuple[str, ...]:
    return tuple(name.strip() for name in text.split(mark) if name.strip()) if text else ()


def _fractions(text: str | None) -> tuple[float, ...] | None:
    from metakit.errors import UsageError

    try:
        return tuple(map(float, _names(text))) if text is not None else None
    except ValueError:
        raise UsageError(f"cut points are numbers such as 0.025,0.5, not {text!r}") from None
