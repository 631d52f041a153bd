"""`metakit collect`: records from filled workbooks, search results, screening lists."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.support.running import answer_json, progress, say, say_problems

NAME = "collect"
HELP = """Read filled workbooks (or their CSV files) and write the records, checked like typed ones.

Every problem names file, sheet and cell. A workbook with errors writes nothing; a copy NAME.problems.xlsx
beside it has a comment on each cell in question. Mend it there or in the workbook, save, and collect again.
The workbook itself is never changed; a copy goes when nothing is left to mend and nobody has saved it.

Where two people extract, give each one's initials with --extractor: their records are kept apart in
REVIEW/extractors/INITIALS until 'metakit reconcile' compares them.

Results of a search (.ris, .bib, .csv, .nbib, .xml) go to the review's selection: kept as they came, numbered,
duplicates marked with the reason. So do filled-in screening lists (from 'metakit sheet --screening') and the
list of records that are perhaps the same. Each time the last line says what comes next.

Entries that 'metakit check --to-answer' gave out, completed and saved as a YAML file, are put into the
records that they ask about; nothing else in these changes.

Example: metakit collect hillford_2016.xlsx --into my_review
"""


def command(
    paths: Annotated[
        list[Path],
        typer.Argument(
            help="Workbooks, CSV folders, folders of workbooks, search results, screening lists.",
            show_default=False,
        ),
    ],
    into: Annotated[Path, typer.Option(help="Review folder, or a folder of records.", show_default=False)],
    extractor: Annotated[
        str, typer.Option(help="Initials of one of two extractors.", show_default=False)
    ] = "",
    form: Annotated[
        Path | None, typer.Option(help="The file of a form of one's own.", show_default=False)
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace records that say something else.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="Answer as JSON.")] = False,
) -> None:
    """Collect, list problems, end with the status they deserve."""
    from dataclasses import asdict

    from metakit.cli.selection import collected_json, say_collected
    from metakit.forms.library import Library, shipped, use_forms_of
    from metakit.review.collect import Collection, collect
    from metakit.review.selection.collecting import collect_selection, is_of_selection, opened
    from metakit.review.workbooks.answering import AnswersCollected, collect_answers, holds_answers

    use_forms_of(into)
    library = Library(form.parent) if form else shipped()
    own = library.load_form(form) if form else None
    paths = opened(paths)
    completed = [path for path in paths if holds_answers(path)]
    answers = collect_answers(completed, into, library) if completed else AnswersCollected()
    with progress(json or not sys.stderr.isatty()) as step:
        chosen = [path for path in paths if is_of_selection(path)]
        selected = collect_selection(chosen, into, replace=replace, progress=step)
    books = [p for p in paths if not is_of_selection(p) and p not in completed]
    done = Collection(written=(), unchanged=(), annotated=(), problems=())
    if books:
        done = collect(books, into, library, form=own, replace=replace, extractor=extractor)
    problems = (*selected.problems, *done.problems)
    if json:
        answer = {
            name: [str(path) for path in getattr(done, name)]
            for name in ("written", "unchanged", "annotated", "tidied")
        }
        answer["written"] += [str(path) for path in answers.written]
        problem_rows = [asdict(problem) for problem in problems]
        answer_json({**answer, **collected_json(selected), "problems": problem_rows})
    else:
        for path in (*answers.written, *done.written):
            typer.echo(str(path))
        say_problems(problems)
        say_collected(selected, into)
        if completed:
            say(
                f"metakit: {answers.new} new answers, {answers.same} there already, {answers.blank} left open"
            )
        if books:
            say(f"metakit: {len(done.written)} written, {len(done.unchanged)} unchanged")
        for path in done.tidied:
            say(f"metakit: {path} is solved; the copy was removed")
        for path in done.annotated:
            say(f"metakit: the cells in question have comments in {path}")
    if status := max(done.exit_status, selected.exit_status):
        raise typer.Exit(status)
