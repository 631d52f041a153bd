"""`metakit sheet`: workbooks to type into, and screening lists."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.support.running import say

NAME = "sheet"
HELP = """Make a workbook to extract into: one for a study, one for several, or a folder of them; also as CSV.

OUT.xlsx is one workbook; OUT.zip and, with --csv, a folder OUT hold CSV files; a folder OUT holds a workbook
a study. Fill it in, then give it to 'metakit collect'. With --review REVIEW, the lists to choose from hold
the outcomes and techniques of this review's protocol. With --protocol REVIEW, OUT.xlsx is the protocol
itself, as far as it is filled in. With --unit, OUT.xlsx is for a unit's own numbers, its audit with one row a
year among them; 'metakit decide' reads it. With --screening REVIEW --person INITIALS, OUT.xlsx or OUT.csv
lists what this person has still to decide, without the decisions of anybody else; a folder OUT gets the lists
of both (--person twice).

Example: metakit sheet hillford_2016.xlsx
"""


def command(
    out: Annotated[
        Path, typer.Argument(help="What to write: NAME.xlsx, NAME.zip or a folder.", show_default=False)
    ],
    record: Annotated[
        list[Path] | None,
        typer.Option("--record", help="Fill in this record; give it again for more.", show_default=False),
    ] = None,
    blank: Annotated[
        int, typer.Option(min=0, max=200, help="How many empty records.", show_default=False)
    ] = 0,
    form: Annotated[str, typer.Option(help="Name of a form, or the file of one's own.")] = "study",
    csv: Annotated[bool, typer.Option("--csv", help="Write CSV files.")] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace workbooks that nobody has saved since.")
    ] = False,
    unit: Annotated[
        bool, typer.Option("--unit", help="Make the workbook of a unit for 'metakit decide'.")
    ] = False,
    review: Annotated[
        Path | None,
        typer.Option(help="Offer the outcomes and techniques of this review.", show_default=False),
    ] = None,
    protocol: Annotated[
        Path | None, typer.Option(help="Write the protocol of this review.", show_default=False)
    ] = None,
    screening: Annotated[
        Path | None, typer.Option(help="List the records of this review to screen.", show_default=False)
    ] = None,
    person: Annotated[
        list[str] | None,
        typer.Option(help="Initials of a screener; give it again for the second one.", show_default=False),
    ] = None,
) -> None:
    """Write the workbooks and say where they are."""
    from metakit.forms.library import use_forms_of
    from metakit.review.sheets import write_sheets

    if home := review or protocol or screening:
        use_forms_of(home)
    if screening is not None:
        from metakit.cli.selection import write_list

        write_list(out, screening, person or (), replace=replace)
        return

    if unit:
        form = "unit"
    if protocol is not None:
        from metakit.review.workbooks.protocol_sheet import write_protocol_sheet

        typer.echo(str(write_protocol_sheet(out, protocol, replace=replace)))
        say(f"Fill in, save, close; then 'metakit collect {out} --into {protocol}'.")
        return
    for path in write_sheets(
        out, records=record or (), blank=blank, form=form, as_csv=csv, replace=replace, review=review
    ):
        typer.echo(str(path))
    if unit:
        say(
            f"Fill in, save, close; then 'metakit decide REVIEW {out}'. Totals only, never data of "
            "identifiable patients."
        )
        return
    say(
        f"Fill in, save, close; then 'metakit collect FILE --into {review or 'REVIEW_FOLDER'}' (two "
        "extractors add --extractor INITIALS). Never enter data of identifiable patients."
    )
