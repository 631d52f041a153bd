"""Which of some files belong to the selection (search results, screening lists), and collecting those."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from metakit.errors import DataError, Problem, UnreadableError
from metakit.review.selection.citations import KINDS
from metakit.review.selection.importing import Imported, import_search
from metakit.review.selection.lists import Collected, collect_screening, is_screening_list


@dataclass(frozen=True, slots=True, kw_only=True)
class SelectionCollected:
    """What came of the files of a selection; the files that failed have written nothing."""

    searches: tuple[Imported, ...] = ()
    lists: tuple[Collected, ...] = ()
    problems: tuple[Problem, ...] = ()
    exit_status: int = 0


def is_of_selection(path: Path) -> bool:
    """Say whether a file holds search results or screening decisions, not a study record."""
    return path.suffix.lower() in KINDS or is_screening_list(path)


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
    problems: list[Problem] = []
    status = 0
    for path in paths:
        try:
            if is_screening_list(path):
                lists.append(collect_screening(path, review, replace=replace))
            else:
                searches.append(import_search(path, review, progress=progress))
        except (DataError, UnreadableError) as error:
            problems += error.problems
            status = max(status, error.exit_status)
    return SelectionCollected(
        searches=tuple(searches), lists=tuple(lists), problems=tuple(problems), exit_status=status
    )
