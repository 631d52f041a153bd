"""`metakit decide`: a review's answers applied to one unit."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.support.running import answer_json, progress, say

NAME = "decide"
HELP = """Say what a unit can expect in a year: events by technique with ranges, and what the answer hangs on.

UNIT is a small YAML file with the unit's volume, counts and the analyses it asks for (--empty writes one to
fill in), or the workbook that 'metakit sheet --unit' writes. Decision support for licensed clinicians: it
recommends nothing.

Example: metakit decide my_review my_unit.yaml --out my_unit_page
"""


def command(
    folder: Annotated[Path, typer.Argument(help="Review folder.", show_default=False)],
    unit: Annotated[Path, typer.Argument(help="The unit's numbers (.yaml or .xlsx).", show_default=False)],
    out: Annotated[
        Path | None, typer.Option(help="Folder for the page [default: UNIT without its ending].")
    ] = None,
    json: Annotated[
        bool, typer.Option("--json", help="Answer with all numbers as JSON; the page only with --out.")
    ] = False,
    empty: Annotated[
        bool, typer.Option("--empty", help="Write an empty unit file, explained line by line, to UNIT.")
    ] = False,
) -> None:
    """Read both, apply the one to the other, write the page and say the answer."""
    if empty:
        _write_empty(unit)
        return
    from metakit.decision.one_unit.unit_reading import read_unit

    if out is not None or not json:
        from metakit.report.folders.output_folder import check_folder

        check_folder(out or unit.with_suffix(""))
    from metakit.forms.library import use_forms_of

    use_forms_of(folder)
    numbers = read_unit(unit)
    for problem in numbers.questions:
        say(str(problem))
    from metakit.decision.one_unit.unit_decision import decide
    from metakit.decision.one_unit.unit_words import plain_text
    from metakit.workbench import open_review

    with progress(json) as step:
        step("reading the records")
        found = decide(open_review(folder).folder, numbers, progress=step)
        page = None
        if out is not None or not json:
            from metakit.report.unit_page import write_unit_page

            page = write_unit_page(found, out or unit.with_suffix(""), progress=step)
    if json:
        from metakit.decision.one_unit.unit_json import decision_json

        answer_json(decision_json(found))
        return
    typer.echo(plain_text(found))
    typer.echo(str(page.resolve()) if page else "")


def _write_empty(path: Path) -> None:
    """Write an empty unit file, never over one that is there."""
    from metakit.core.files import write_atomically
    from metakit.errors import UsageError
    from metakit.forms.library import shipped
    from metakit.review.template import empty_record

    if path.suffix.lower() not in (".yaml", ".yml"):
        raise UsageError(
            f"{path}: --empty writes a .yaml file; 'metakit sheet --unit {path}' writes a workbook"
        )
    if path.exists():
        raise UsageError(f"{path}: is there already; --empty writes no file over another")
    typer.echo(str(write_atomically(path, empty_record(shipped().form("unit")))))
    say(
        f"Fill in {path}: totals only, never data of identifiable patients. 'metakit check {path}' finds "
        "typing errors."
    )
