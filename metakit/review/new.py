"""A new review folder: the protocol as a workbook and as a file, and one empty record, all explained."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from metakit.core.files import write_atomically
from metakit.errors import DataError, UnreadableError, UsageError
from metakit.forms.bundled import demo_studies, forms_folder
from metakit.forms.library import FORMS, shipped, use_forms_of
from metakit.forms.records import read_record
from metakit.review.files import PROTOCOL, RECORDS
from metakit.review.template import CAUTIONS, empty_record, first_record
from metakit.review.workbooks.protocol_sheet import WORKBOOK, sealed_workbook

FIRST_RECORD = "study_01.yaml"


def new_review(
    path: str | Path,
    *,
    protocol: str | Path | None = None,
    record: bool = True,
    forms: str | Path | None = None,
) -> Path:
    """Make a review folder, whole or not at all.

    Parameters
    ----------
    path : str or Path
        Must not exist, or be an empty folder.
    protocol : str or Path, optional
        A protocol to start from, such as that of the review to be updated; an empty one otherwise.
    record : bool
        Whether an empty record is made, to be copied for each study.
    forms : str or Path, optional
        Forms of another joint, which the review gets a copy of: a folder with `study.yaml` and
        `vocabularies`, a review that has such a folder, or the name of a shipped example.

    Returns
    -------
    Path
        The folder, with `protocol.xlsx` and `protocol.yaml`, which say the same, and one empty record under
        `records/`, all written from the forms.

    Raises
    ------
    UsageError
        When the folder holds something already, or the path is a file.
    DataError, UnreadableError
        When the protocol to start from has errors.
    """
    own = _forms_folder(forms) if forms is not None else None
    if own is not None:
        use_forms_of(own.parent)
    start = _protocol_text(Path(protocol)) if protocol is not None else ""

    def fill(temporary: Path) -> None:
        library = shipped()
        if own is not None:
            shutil.copytree(own, temporary / FORMS)
        plan = empty_record(library.form("protocol"), CAUTIONS)
        write_atomically(temporary / PROTOCOL, start or _with_id(plan, Path(path).resolve().name))
        if record:
            write_atomically(temporary / RECORDS / FIRST_RECORD, first_record())
        write_atomically(temporary / WORKBOOK, sealed_workbook(temporary))

    return _made_whole(Path(path), fill)


def _forms_folder(wanted: str | Path) -> Path:
    """Return the folder `forms` that is meant: of a review, itself, or that of a shipped example."""
    examples = forms_folder() / "examples"
    for folder in (Path(wanted), examples / str(wanted) / "review"):
        for forms in (folder / FORMS, folder):
            if forms.name == FORMS and (forms / "vocabularies").is_dir():
                return forms
    known = ", ".join(sorted(path.parent.parent.name for path in examples.glob(f"*/review/{FORMS}")))
    raise UsageError(
        f"{wanted} is no folder '{FORMS}' with 'vocabularies' in it, nor a review that has one; "
        f"shipped: {known}"
    )


def copy_of_demonstration(path: str | Path) -> Path:
    """Make a copy of the invented demonstration review, whole or not at all.

    Parameters
    ----------
    path : str or Path
        Must not exist, or be an empty folder.

    Raises
    ------
    UsageError
        When the folder holds something already, or the path is a file.
    """
    return _made_whole(Path(path), _copy_demonstration)


def _copy_demonstration(folder: Path) -> None:
    # Not copytree: it gathers refusals of the system into one that names no file.
    for source in sorted(demo_studies().rglob("*")):
        target = folder / source.relative_to(demo_studies())
        if source.is_dir():
            target.mkdir()
        else:
            shutil.copy(source, target)


def _made_whole(folder: Path, fill: Callable[[Path], object]) -> Path:
    """Fill a folder beside the place where it belongs, then move it there."""
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file; name a folder that does not exist yet")
    if folder.is_dir() and any(folder.iterdir()):
        raise UsageError(f"{folder} is not empty; name a new folder, so that nothing is overwritten")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        temporary = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}."))
    except OSError as error:
        raise _naming(folder, error) from None
    try:
        fill(temporary)
        temporary.chmod(0o777 & ~_umask())
        if folder.is_dir():
            folder.rmdir()  # empty, as seen above; some systems do not rename onto a folder
        temporary.rename(folder)
    except BaseException as error:
        shutil.rmtree(temporary, ignore_errors=True)
        if isinstance(error, OSError):
            raise _naming(folder, error) from None
        raise
    return folder


def _naming(folder: Path, error: OSError) -> OSError:
    """Let a refusal of the system name the folder that was meant, not its temporary neighbour."""
    return type(error)(error.errno, error.strerror or str(error), str(folder))


def _protocol_text(path: Path) -> str:
    reading = read_record(path, shipped(), form=shipped().form("protocol"))
    if not reading.sound:
        raise (UnreadableError if reading.unreadable else DataError)(reading.problems)
    return path.read_text(encoding="utf-8-sig")


def _with_id(plan: str, name: str) -> str:
    """Fill the review's id in from the folder's name."""
    identifier = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")[:60] or "my_review"
    return re.sub(r"^  id:$", f"  id: {identifier}", plan, count=1, flags=re.MULTILINE)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
