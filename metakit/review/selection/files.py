"""Which files hold the study selection of a review."""

from __future__ import annotations

from pathlib import Path

SELECTION = "selection"
SEARCHES = "searches"
CITATIONS = "citations.csv"
REMOVED = "removed.csv"
INCLUDED = "included.csv"
PREVIOUS = "previous.csv"
SAME = "perhaps_the_same.xlsx"  # in the folder `reconcile`, to be filled in
FLOW = "flow_diagram.svg"
SCREENING = "screening_"
AGREED = "screening_agreed.csv"
MOST_CITATIONS = 200_000
LARGEST_SELECTION = 400_000_000
"""Records of one review, and bytes of one of its tables or of one export of a search."""
CONFLICTS = "screening.csv"  # in the folder `reconcile`, to be filled in


def selection_folder(review: Path) -> Path:
    """Return the folder of the selection within a review folder."""
    return review / SELECTION


def screening_file(review: Path, person: str) -> Path:
    """Return the file of one person's decisions."""
    return selection_folder(review) / f"{SCREENING}{person}.csv"


def screening_files(review: Path) -> dict[str, Path]:
    """Return the files of all screeners by their initials, without the agreed decisions."""
    found = sorted(selection_folder(review).glob(f"{SCREENING}*.csv"))
    return {path.stem.removeprefix(SCREENING): path for path in found if path.name != AGREED}
