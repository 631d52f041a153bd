"""Which of some files belong to the selection (search results, screening lists), and collecting those."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from metakit.errors import DataError, Problem, UnreadableError
from metakit.review.selection.citations import KINDS
from metakit.review.selection.importing import Imported, import_search
from metakit.review.selection.lists import Collected, collect_screening, holds_sheet, is_screening_list
from metakit.review.selection.repeats import SHEET, Answered, collect_repeats


@dataclass(frozen=True, slots=True, kw_only=True)
class SelectionCollected:
    """What came of the files of a selection; the files that failed have written nothing."""

    searches: tuple[Imported, ...] = ()
    lists: tuple[Collected, ...] = ()
    repeats: tuple[Answered, ...] = ()
    problems: tuple[Problem, ...] = ()
    exit_status: int = 0


def is_of_selection(path: Path) -> bool:
    """Say whether a file holds search results or screening decisions, not a study record."""
    return path.suffix.lower() in KINDS or is_screening_list(path) or is_repeats_list(path)


def is_repeats_list(path: Path) -> bool:
    """Say whether a workbook asks which records are the same report."""
    return holds_sheet(path, SHEET)


def opened(paths: Sequence[Path]) -> list[Path]:
    """Return the paths, folders that hold a list of the selection replaced by the files in them."""
    found: list[Path] = []
    for path in paths:
        inside = sorted(path.iterdir()) if path.is_dir() else []
        lists = [file for file in inside if is_screening_list(file) or is_repeats_list(file)]
        found += [file for file in inside if not file.name.startswith((".", "~$"))] if lists else [path]
    return found


def collect_selection(
    paths: Sequence[Path],
    review: Path,
    *,
    replace: bool = False,
    progress: Callable[[str], None] | None = None,
) -> SelectionCollected:
    """Collect search results and screening lists, each file whole or not at all.

    Parameters
    ----------
    paths : sequence of Path
        Files for which `is_of_selection` holds.
    review : Path
        The review folder.
    replace : bool
        Whether a person's earlier decisions give way to other ones.
    progress : callable, optional
        Gets a line of text now and then.
    """
    searches: list[Imported] = []
    lists: list[Collected] = []
    repeats: list[Answered] = []
    problems: list[Problem] = []
    status = 0
    for path in paths:
        try:
            if is_repeats_list(path):
                repeats.append(collect_repeats(path, review, replace_earlier=replace))
            elif is_screening_list(path):
                lists.append(collect_screening(path, review, replace=replace))
            else:
                searches.append(import_search(path, review, progress=progress))
        except (DataError, UnreadableError) as error:
            problems += error.problems
            status = max(status, error.exit_status)
    return SelectionCollected(
        searches=tuple(searches),
        lists=tuple(lists),
        repeats=tuple(repeats),
        problems=tuple(problems),
        exit_status=status,
    )
