"""Pictures of the places in papers that numbers were typed from: files of their own beside the page."""

from __future__ import annotations

from pathlib import Path

from metakit.core.boxes import box_text
from metakit.core.files import write_atomically
from metakit.core.places import WrongPlaceError, place_within, refuse_links
from metakit.core.values import PaperPlace
from metakit.errors import UsageError
from metakit.report.folders.output_folder import PLACES
from metakit.review.reports import PICTURES_CAUTION, drawn_places
from metakit.synthesis.findings import Findings
from metakit.telling.blocks import PlaceShown
from metakit.telling.traces import places_of

NOT_BUNDLED = "a bundle is passed on, and pictures of papers are not: make it without pictures of places"
_IGNORED = f"# {PICTURES_CAUTION}\n*\n"


def place_files(
    findings: Findings, review: Path, out: Path
) -> tuple[dict[PaperPlace, PlaceShown], dict[str, bytes]]:
    """Draw the places that the page's paths of numbers lead to.

    Parameters
    ----------
    findings : Findings
    review : Path
        The folder that holds the PDFs.
    out : Path
        The folder of the report.

    Returns
    -------
    shown : dict
        What the page shows of each place: the file of its picture, or why there is none.
    files : dict
        The pictures by path within the report's folder, one for each paper, page and box.
    """
    shown: dict[PaperPlace, PlaceShown] = {}
    files: dict[str, bytes] = {}
    for place, drawn in drawn_places(review, places_of(findings)).items():
        why = drawn.why
        at = box_text(place.box).replace(" ", "_")
        name = f"{PLACES}/{place.report[:12]}_page_{place.page}_at_{at}.png"
        if not why:
            try:
                place_within(out, name, (f"{PLACES}/*.png",))
            except WrongPlaceError as wrong:
                why = f"the picture has {wrong}"
        shown[place] = PlaceShown(why=why) if why else PlaceShown(file=name)
        if not why:
            files[name] = drawn.content
    return shown, files


def check_places(folder: Path) -> None:
    """Refuse a report's folder where no pictures of places can be written.

    Raises
    ------
    UsageError
        When a file stands where their folder goes.
    UnreadableError
        When a symbolic link stands there.
    """
    home = folder / PLACES
    refuse_links(folder, home)
    if home.exists() and not home.is_dir():
        raise UsageError(f"{home} is no folder, and pictures of places are written there: move it away")


def keep_from_git(folder: Path) -> None:
    """Tell git to leave the pictures in a report's folder out, as the PDFs of the review are."""
    ignored = folder / PLACES / ".gitignore"
    if not ignored.exists():
        write_atomically(ignored, _IGNORED, within=folder)
