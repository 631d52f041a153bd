"""`metakit report`: a review folder in, one readable page out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.running import answer_json, progress, say

NAME = "report"
HELP = """Carry out the plan of a review folder and write one self-contained page with all figures.

Example: metakit report my_review --out my_report
"""


def command(
    folder: Annotated[
        Path, typer.Argument(help="Review folder with protocol.yaml and records.", show_default=False)
    ],
    out: Annotated[Path | None, typer.Option(help="Folder for the report [default: FOLDER/report].")] = None,
    word: Annotated[
        bool, typer.Option("--word", help="Write the whole report as a Word document as well: report.docx.")
    ] = False,
    figures: Annotated[
        list[str] | None,
        typer.Option(
            help="Draw all figures at this size as well: single_column, one_and_a_half_columns, "
            "double_column, slide, office_document. May be given several times."
        ),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Answer with all findings as JSON.")] = False,
) -> None:
    """Read, synthesise, write."""
    write(folder, out or folder / "report", word=word, presets=tuple(figures or ()), json=json)


def write(folder: Path, out: Path, *, word: bool = False, presets: tuple[str, ...] = (), json: bool) -> None:
    """Write the report of `folder` into `out` and say where it is."""
    if presets:
        from metakit.plots.presets import chosen_size

        for name in presets:
            chosen_size(name)  # an unknown one is said before anything is read
    from metakit.workbench import open_review

    with progress(json) as step:
        step("reading the records")
        review = open_review(folder)
        findings = review.synthesise(progress=step)
        written = findings.write_whole_report(out, word=word, presets=presets, progress=step)
    if json:
        answer_json(findings.to_json())
        return
    alone = findings.findings.extraction.not_agreed
    if alone:
        say(f"Not agreed by two people, and so marked in the report: {', '.join(alone)}.")
    if review.questions:
        say(f"{len(review.questions)} unusual values were found; the report and 'metakit check' list them.")
    if written.folder.removed:
        say(f"Removed from an earlier report: {', '.join(written.folder.removed)}.")
    if written.folder.kept:
        say(f"Not of this report, left as they are: {', '.join(written.folder.kept)}.")
    typer.echo(str(written.page.resolve()))
