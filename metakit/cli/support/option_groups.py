"""Options that several commands share, each group written once and handed to the command as one object."""

from __future__ import annotations

import dataclasses
import functools
import inspect
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, get_type_hints

import typer

from metakit.cli.support.choices import name_option
from metakit.errors import UsageError

File = Annotated[Path, typer.Argument(help="Table with a header: .csv or .xlsx.", show_default=False)]
Measure = Annotated[str, name_option("measure", "Effect measure; the names are listed below.")]
Level = Annotated[float, typer.Option(help="Level of the intervals.")]
Save = Annotated[
    Path | None,
    typer.Option(help="Save the answer, table and sentence ready to paste: .csv, .xlsx or .docx."),
]
Json = Annotated[bool, typer.Option("--json", help="Answer as JSON on the analysis scale.")]


@dataclass(frozen=True, slots=True, kw_only=True)
class TableOptions:
    """How a table is read."""

    columns: Annotated[
        str,
        typer.Option(
            help="Which heading holds which column, where the table cannot tell: "
            "'events_1=Events (n),total_1=Patients'."
        ),
    ] = ""
    sheet: Annotated[str, typer.Option(help="The sheet of a workbook with several.")] = ""
    rows_differ: Annotated[
        bool,
        typer.Option(
            "--rows-differ", help="Rows of one name, or with the same numbers, are different studies."
        ),
    ] = False
    show: Annotated[bool, typer.Option("--show", help="Show how the table is read, and stop.")] = False

    def named(self) -> Mapping[str, str]:
        """Return the columns that were named; a comma inside a heading does not end it.

        Raises
        ------
        UsageError
            For a pair without '='.
        """
        pairs = re.split(r",(?=[a-z_0-9]+=)", self.columns) if self.columns else []
        wrong = [pair for pair in pairs if "=" not in pair]
        if wrong:
            raise UsageError(f"--columns takes OURS=HEADING, separated by commas, not {wrong[0]!r}")
        return {ours.strip(): theirs.strip() for ours, theirs in (pair.split("=", 1) for pair in pairs)}


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelOptions:
    """How studies are pooled."""

    model: Annotated[
        str | None, name_option("model", "Pooling model; without one the default inference answers.")
    ] = None
    tau2: Annotated[str | None, name_option("tau2", "Estimator of the between-study variance.")] = None
    interval: Annotated[str | None, name_option("interval", "Interval for the mean.")] = None
    inference: Annotated[
        str | None,
        name_option(
            "inference",
            "How the spread between centres is treated where no model, estimator or interval is named; the "
            "other stands beside.",
        ),
    ] = None
    tau_prior_scale: Annotated[
        float | None,
        typer.Option(
            help="Scale of the half-normal prior of tau on the analysis scale; needed for ready effects that "
            "are no log ratios or standardised differences."
        ),
    ] = None
    cluster: Annotated[
        str | None,
        typer.Option(
            help="Column whose rows belong together (several outcomes, times or arms of one study): the "
            "multilevel model."
        ),
    ] = None
    sampling_correlation: Annotated[
        float | None,
        typer.Option(help="Of effects in one cluster that come from the same patients, such as 0.6."),
    ] = None
    shared_comparator: Annotated[
        bool,
        typer.Option(
            "--shared-comparator",
            help="Rows of one cluster are arms of one study against the same comparator (arm 2).",
        ),
    ] = False
    zero_cells: Annotated[str | None, name_option("zero_cells", "What to do with zero cells.")] = None
    scale: Annotated[
        str | None,
        typer.Option(help="Analysis scale, where the measure has several (proportion: logit, ...)."),
    ] = None
    level: Level = 0.95


def grouped(command: Callable[..., None]) -> Callable[..., None]:
    """Spread the groups among a command's parameters over options, and gather them when it is called."""
    hints = get_type_hints(command, include_extras=True)
    flat: list[inspect.Parameter] = []
    groups: dict[str, tuple[type[Any], tuple[str, ...]]] = {}
    for parameter in inspect.signature(command).parameters.values():
        kind = hints[parameter.name]
        if isinstance(kind, type) and dataclasses.is_dataclass(kind):
            inside = get_type_hints(kind, include_extras=True)
            names = tuple(field.name for field in dataclasses.fields(kind))
            groups[parameter.name] = (kind, names)
            flat += [_option(field, inside[field.name]) for field in dataclasses.fields(kind)]
        else:
            flat.append(parameter.replace(annotation=kind, kind=inspect.Parameter.KEYWORD_ONLY))

    @functools.wraps(command)
    def spread(**given: Any) -> None:
        if given.get("save") is not None:
            from metakit.report.answer_files import check_answer_file

            check_answer_file(given["save"])  # before anything is read
        made = {
            name: kind(**{field: given.pop(field) for field in names})
            for name, (kind, names) in groups.items()
        }
        command(**given, **made)

    spread.__signature__ = inspect.Signature(flat)  # type: ignore[attr-defined]
    spread.__annotations__ = {parameter.name: parameter.annotation for parameter in flat}
    del spread.__wrapped__
    return spread


def _option(field: dataclasses.Field[Any], annotation: Any) -> inspect.Parameter:
    default = inspect.Parameter.empty if field.default is dataclasses.MISSING else field.default
    return inspect.Parameter(
        field.name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=annotation
    )
