"""What `collect`, `sheet` and `reconcile` say about the selection of studies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from metakit.cli.support.running import answer_json, say, say_problems

if TYPE_CHECKING:
    from metakit.review.selection.collecting import SelectionCollected
    from metakit.review.selection.reading import Selection


def say_collected(done: SelectionCollected, review: Path) -> None:
    """Name the files written and count what came of each search and list."""
    for found in done.searches:
        for path in found.written:
            typer.echo(str(path))
        again = "" if found.written else "; imported already, nothing changed"
        say(f"metakit: {found.search}: {found.records} records, {found.duplicates} repeat others{again}")
        if found.asked:
            say(f"metakit: {found.asked} more are perhaps the same as others; a person says so")
    for answered in done.repeats:
        if answered.written:
            typer.echo(str(answered.written))
        say(
            f"metakit: {answered.same} pairs are one report, {answered.different} are two, "
            f"{answered.blank} rows without an answer"
        )
    for listed in done.lists:
        if listed.written:
            typer.echo(str(listed.written))
        say(
            f"metakit: {listed.person}: {listed.new} new decisions, {listed.changed} changed, "
            f"{listed.same} the same, {listed.blank} rows without a decision"
        )
    if any(found.written for found in done.searches):
        say(f"metakit: meanwhile: kind, date and strategy of each search in {review / 'selection/searches'}")
    if done.searches or done.lists or done.repeats:
        move_on(review)


def move_on(review: Path) -> None:
    """Write what the state of the selection calls for, and say what comes next.

    That is the list of records that are perhaps the same, the screeners' disagreements once both have
    decided, `included.csv` once nothing is open, and the flow diagram once it adds up.
    """
    from metakit.review.reconciling.reconcile_review import FOLDER
    from metakit.review.selection.including import name_included
    from metakit.review.selection.next_step import next_step, waiting_at
    from metakit.review.selection.reconciling import open_conflicts, write_conflicts
    from metakit.review.selection.repeats import write_repeats

    selection = open_selection(review)
    if selection is None:
        return
    path = write_repeats(review, FOLDER, selection.citations, selection.removals)
    if path is not None:
        typer.echo(str(path))
    conflicts = [stage for stage, _ in open_conflicts(selection)]
    if any(not waiting_at(selection, stage) for stage in conflicts):
        path = write_conflicts(review, selection, FOLDER)
        typer.echo(str(path))
        say(f"metakit: {len(conflicts)} disagreements of the screeners wait in {path}")
    if not conflicts and not any(waiting_at(selection, stage) for stage in selection.screening.outcomes):
        named = name_included(review, selection)
        if named:
            say(f"metakit: {len(named)} included reports got their studies in selection/included.csv")
            selection = open_selection(review) or selection
    if selection.flow is not None:
        typer.echo(str(write_flow(review, selection)))
    say(f"metakit: {next_step(review, selection)}")


def write_flow(review: Path, selection: Selection) -> Path:
    """Write the flow diagram of a finished selection as REVIEW/selection/flow_diagram.svg."""
    from metakit.core.files import write_atomically
    from metakit.plots.evidence.flow import flow_figure
    from metakit.plots.save import figure_bytes
    from metakit.report.drawing.selection_figures import content_of
    from metakit.review.selection.files import FLOW, selection_folder

    figure = flow_figure(content_of(selection), width_mm=180)
    return write_atomically(selection_folder(review) / FLOW, figure_bytes(figure, ".svg"), within=review)


def collected_json(done: SelectionCollected) -> dict[str, Any]:
    """Return what was collected as JSON."""
    return {
        "searches": [
            {**asdict(found), "written": [str(path) for path in found.written]} for found in done.searches
        ],
        "screening": [
            {**asdict(found), "written": str(found.written) if found.written else None}
            for found in done.lists
        ],
        "repeats": [
            {**asdict(found), "written": str(found.written) if found.written else None}
            for found in done.repeats
        ],
    }


def open_selection(review: Path) -> Selection | None:
    """Return the selection of a review, None without one; errors stop the command.

    Raises
    ------
    DataError
        With every problem of the selection's files.
    """
    from metakit.errors import DataError
    from metakit.forms.library import shipped
    from metakit.forms.records import read_record
    from metakit.review.files import folder_files
    from metakit.review.selection.reading import read_selection

    library = shipped()
    records = [read_record(file, library) for file in folder_files(review).records]
    found = read_selection(review, library, records)
    if found is not None and found.selection is None:
        raise DataError([problem for problem in found.problems if problem.severity == "error"])
    return found.selection if found else None


def write_list(out: Path, review: Path, people: Sequence[str], *, replace: bool) -> None:
    """Write the screening lists of one person or two, and say what to do with them."""
    from metakit.errors import UsageError
    from metakit.review.selection.lists import write_screening_list, write_screening_lists

    selection = open_selection(review)
    if selection is None:
        raise UsageError(f"{review} has no selection; collect the results of a search first")
    if not people:
        raise UsageError("--person: whose list? Give the screener's initials; again for the second one")
    if out.suffix:
        if len(people) > 1:
            raise UsageError(f"{out.name} is one person's list; name a folder for the lists of two")
        written = {out: write_screening_list(out, selection, people[0], replace=replace)}
    else:
        written = write_screening_lists(out, selection, people, replace=replace)
    for path, rows in written.items():
        typer.echo(str(path))
        say(f"metakit: {rows} decisions wait in {path.name}")
    if any(removal.asked for removal in selection.removals):
        say("metakit: some records are perhaps the same; who answers that first screens fewer")
    say(f"metakit: next: fill in, then 'metakit collect {out} --into {review}'")


def selection_to_reconcile(review: Path, lists: Sequence[Path]) -> Selection | None:
    """Return the selection for `reconcile`: errors in it are shown, and stop only what is about screening.

    Raises
    ------
    DataError
        When only the screeners' disagreements are meant, with every problem of the selection's files.
    """
    from metakit.errors import DataError
    from metakit.review.files import EXTRACTORS

    try:
        return open_selection(review)
    except DataError as error:
        if not (review / EXTRACTORS).is_dir() or lists:
            raise
        say_problems(error.problems)
        return None


def screening_json(selection: Selection | None) -> dict[str, Any]:
    """Return agreement and open disagreements of the screeners under one key; nothing without a selection."""
    from metakit.review.selection.reconciling import open_conflicts, screening_agreement

    if selection is None:
        return {}
    agreement = {stage: asdict(found) for stage, found in screening_agreement(selection).items()}
    waiting = [
        {"stage": stage, "citation_id": name, "title": selection.citations[name].title}
        for stage, name in open_conflicts(selection)
    ]
    return {"screening": {"agreement": agreement, "disagreements": waiting}}


def say_screening(review: Path, selection: Selection | None) -> None:
    """Show how well two screeners agree and write what they disagree on; silent without a selection."""
    from metakit.review.reconciling.reconcile_review import FOLDER
    from metakit.review.selection.agreement_words import agreement_sentence
    from metakit.review.selection.reconciling import open_conflicts, screening_agreement, write_conflicts

    if selection is None:
        return
    people = " and ".join(selection.people)
    for stage, found in screening_agreement(selection).items():
        typer.echo(f"Screening by {people}: {agreement_sentence(stage, found)}")
    conflicts = open_conflicts(selection)
    for stage, name in conflicts:
        typer.echo(f"{name} ({stage.replace('_', ' ')}): {selection.citations[name].title}")
    if conflicts:
        path = write_conflicts(review, selection, FOLDER)
        say(f"metakit: {len(conflicts)} disagreements of the screeners wait in {path}")
    else:
        say("metakit: no disagreement of the screeners is open")
    move_on(review)


def screening_alone(
    review: Path, selection: Selection | None, lists: Sequence[Path], *, given: bool, json: bool
) -> bool:
    """Deal with the screeners' disagreements where only they are meant; say whether that was so.

    They alone are meant when their filled-in `lists` are given, or nobody has extracted anything yet and no
    other decisions are `given`.
    """
    from metakit.review.files import EXTRACTORS
    from metakit.review.selection.reconciling import adjudicate

    if selection is None:
        return False
    if lists:
        done = adjudicate(review, selection, lists)
        if json:
            answer_json({**asdict(done), "written": str(done.written) if done.written else None})
        say(f"metakit: {done.new} screening decisions written, {done.same} known, {done.waiting} still wait")
        if not json:
            move_on(review)
        return True
    if given or (review / EXTRACTORS).is_dir():
        return False
    if json:
        answer_json(screening_json(selection))
    else:
        say_screening(review, selection)
    return True
