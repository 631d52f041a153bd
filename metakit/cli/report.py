"""`metakit report`: a review folder in, one readable page out; or a bundle checked."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.support.running import answer_json, progress, say
from metakit.core.places import refuse_links
from metakit.core.sharing import Mapper, mapper_for
from metakit.errors import UsageError

NAME = "report"
HELP = """Carry out the plan of a review folder and write one self-contained page with all figures.

With --bundle, review and report also go into one file that others can check with --verify: its numbers are
computed again and compared.

Example: metakit report my_review --out my_report
Example: metakit report my_review --since my_report/findings.json
Example: metakit report --verify my_report/review_bundle.zip
"""


def command(
    folder: Annotated[
        Path | None, typer.Argument(help="Review folder with protocol.yaml and records.", show_default=False)
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for the report [default: FOLDER/report].")] = None,
    word: Annotated[
        bool,
        typer.Option(
            "--word", help="Write the report as Word documents as well: report.docx and its appendix."
        ),
    ] = False,
    figures: Annotated[
        list[str] | None,
        typer.Option(
            help="Draw all figures at this size as well: single_column, one_and_a_half_columns, "
            "double_column, slide, office_document. May be given several times."
        ),
    ] = None,
    since: Annotated[
        Path | None,
        typer.Option(
            help="Earlier report (findings.json, its folder or a bundle): the page and the screen then tell "
            "what changed.",
            show_default=False,
        ),
    ] = None,
    bundle: Annotated[
        bool,
        typer.Option("--bundle", help="Pack review and report into one file as well: review_bundle.zip."),
    ] = False,
    places: Annotated[
        bool,
        typer.Option(
            "--places",
            help="Show pictures of the places in the papers whose PDFs are here, for your own work; "
            "not with --bundle.",
        ),
    ] = False,
    verify: Annotated[
        Path | None,
        typer.Option(
            help="Check a bundle instead: hashes, and all numbers computed again. Ends with 1 when something "
            "differs.",
            show_default=False,
        ),
    ] = None,
    workers: Annotated[
        int, typer.Option(help="Processes of this machine that share the work; the files are the same.")
    ] = 1,
    scheduler: Annotated[
        str | None,
        typer.Option(
            help="Address of a Dask scheduler whose machines share the work, or 'local' for a local cluster.",
            show_default=False,
        ),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Answer with all findings as JSON.")] = False,
) -> None:
    """Read, synthesise, write; or check a bundle."""
    if verify is not None:
        if folder is not None or out is not None or since is not None or bundle or places or word or figures:
            raise UsageError("--verify stands alone: it checks a bundle and writes nothing")
        check_bundle(verify, json=json)
        return
    if folder is None:
        raise UsageError("name a review folder, or a bundle to check with --verify")
    if places and bundle:
        from metakit.report.folders.place_files import NOT_BUNDLED

        raise UsageError(NOT_BUNDLED)
    if out is None:
        refuse_links(folder, folder / "report")
    write(
        folder,
        out or folder / "report",
        word=word,
        presets=tuple(figures or ()),
        since=since,
        bundle=bundle,
        places=places,
        mapper=mapper_for(workers, scheduler),
        json=json,
    )


def check_bundle(path: Path, *, json: bool) -> None:
    """Check a bundle, show every difference, and end with status 1 when there is one."""
    from metakit.report.folders.bundle_checking import verify_bundle
    from metakit.report.shown import shown_text

    with progress(json) as step:
        found = verify_bundle(path, progress=step)
    if json:
        answer_json(found.to_json())
    else:
        for line in (*found.damage, *found.differences):
            say(shown_text(str(line)))
        typer.echo(shown_text("\n".join(found.sentences)))
    if not found.sound:
        raise typer.Exit(1)


def write(
    folder: Path,
    out: Path,
    *,
    word: bool = False,
    presets: tuple[str, ...] = (),
    since: Path | None = None,
    bundle: bool = False,
    places: bool = False,
    mapper: Mapper = map,
    json: bool,
) -> None:
    """Write the report of `folder` into `out` and say where it is."""
    if presets:
        from metakit.plots.presets import chosen_size

        for name in presets:
            chosen_size(name)  # an unknown one is said before anything is read
    from metakit.report.folders.output_folder import check_folder
    from metakit.workbench import open_review

    check_folder(out)
    if places:
        from metakit.report.folders.place_files import check_places

        check_places(out)
    with progress(json) as step:
        earlier = None
        if since is not None:
            from metakit.report.folders.changes_reading import read_earlier_report

            earlier = read_earlier_report(since)  # before anything is written in its place
        step("reading the records")
        review = open_review(folder)
        findings = review.synthesise(progress=step, mapper=mapper)
        written = findings.write_whole_report(
            out, word=word, presets=presets, since=earlier, bundle=bundle, places=places,
            progress=step, mapper=mapper,
        )  # fmt: skip
    if json:
        answer_json(findings.to_json())
        return
    if places:
        from metakit.review.reports import PICTURES_CAUTION

        say(PICTURES_CAUTION)
    alone = findings.findings.extraction.not_agreed
    if alone:
        say(f"Not agreed by two people, and so marked in the report: {', '.join(alone)}.")
    if review.questions:
        say(f"{len(review.questions)} unusual values were found; the report and 'metakit check' list them.")
    if written.changes is not None:
        from metakit.report.shown import shown_text

        for line in written.changes.lines:
            say(shown_text(line))
    for name, beside in written.folder.beside.items():
        say(f"{name} was edited or is not ours: it stays as it is, and ours is {beside}.")
    if written.folder.removed:
        say(f"Removed from an earlier report: {', '.join(written.folder.removed)}.")
    if written.folder.kept:
        say(f"Not of this report, left as they are: {', '.join(written.folder.kept)}.")
    typer.echo(str(written.page.resolve()))
