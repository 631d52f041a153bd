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
            say(
                f"metakit: {found.asked} may repeat others: selection/removed.csv shows both titles; write "
                "yes or no under 'stands'"
            )
    if any(found.written for found in done.searches):
        say("metakit: selection/searches holds a record of each search; fill in its date and its strategy")
        say(f"metakit: then 'metakit sheet LIST.xlsx --screening {review} --person INITIALS'")
    for listed in done.lists:
        if listed.written:
            typer.echo(str(listed.written))
        say(
            f"metakit: {listed.person}: {listed.new} new decisions, {listed.changed} changed, "
            f"{listed.same} the same, {listed.blank} rows without a decision"
        )


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


def write_list(out: Path, review: Path, person: str, *, replace: bool) -> None:
    """Write the screening list of one person and say what to do with it."""
    from metakit.errors import UsageError
    from metakit.review.selection.lists import write_screening_list

    selection = open_selection(review)
    if selection is None:
        raise UsageError(f"{review} has no selection; collect the results of a search first")
    rows = write_screening_list(out, selection, person, replace=replace)
    typer.echo(str(out))
    say(f"{rows} decisions wait for {person}. Fill in, then 'metakit collect {out} --into {review}'.")


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
        say(f"metakit: {len(conflicts)} disagreements of the screeners wait in {path}; fill it in,")
        say(f"metakit: then run again with --decisions {path}")
    else:
        say("metakit: no disagreement of the screeners is open")


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
        return True
    if given or (review / EXTRACTORS).is_dir():
        return False
    if json:
        answer_json(screening_json(selection))
    else:
        say_screening(review, selection)
    return True
