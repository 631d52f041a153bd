"""Copies of faulty workbooks with comments on the cells in question: read back when mended, gone when solved.

A copy `NAME.problems.xlsx` says on its first sheet which bytes it was made of and what its cells held. One
that nobody saved since is ours: it is replaced by the next, and removed when there is nothing left to mend.
One in which somebody changed a cell is read in place of the workbook, as long as that is still what the copy
was made of. When both were changed, a person decides.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from metakit.core.files import sha256_of, write_atomically
from metakit.core.seals import seal_holds, sealed
from metakit.errors import DataError, Problem, UnreadableError
from metakit.forms.record_workbooks.annotating import COPY_OF, SHEET, annotated
from metakit.forms.record_workbooks.grids import Book
from metakit.forms.record_workbooks.reading import read_book

ENDING = ".problems"
_ENDING = re.compile(rf"{re.escape(ENDING)}(-\d+)?$")
_KIND = ".xlsx"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Copy:
    """A copy: `of` is the SHA-256 of what it was made of, "" where nothing says so."""

    path: Path
    of: str
    mended: bool


def name_without_ending(stem: str) -> str:
    """Return the name of the workbook that a copy is of."""
    return _ENDING.sub("", stem)


def without_copies(files: Iterable[Path]) -> list[Path]:
    """Leave out copies whose workbook is among the files too: they are looked at together with it."""
    given = list(dict.fromkeys(files))
    return [
        file
        for file in given
        if not _ENDING.search(file.stem)
        or file.with_name(f"{name_without_ending(file.stem)}{file.suffix}") not in given
    ]


def to_read(file: Path) -> Path:
    """Return the file that holds what was typed last: the workbook itself, or a copy mended since.

    Raises
    ------
    DataError
        When a copy was mended and the workbook, or another copy, was changed too.
    """
    if file.suffix.lower() != _KIND or not file.is_file():
        return file
    mended = [copy for copy in _copies(file) if copy.mended]
    head, digest = file, sha256_of(file)
    while following := [copy for copy in mended if copy.of == digest]:
        if len(following) > 1:
            raise _both(file, following)
        mended.remove(following[0])
        head, digest = following[0].path, sha256_of(following[0].path)
    left = [copy for copy in mended if copy.of]
    if left and any(_cells(read_book(copy.path)) != _cells(read_book(head)) for copy in left):
        raise _both(head, left)
    return head


def write_copy(file: Path, problems: Sequence[Problem]) -> Path:
    """Write a copy of a faulty workbook beside it, in the place of an earlier one that nobody touched."""
    home, stem = file.parent, name_without_ending(file.stem)
    number = 1
    while True:
        path = home / f"{stem}{ENDING}{'' if number == 1 else f'-{number}'}{_KIND}"
        if not path.exists() or _untouched(path):
            break
        number += 1
    with TemporaryDirectory() as scratch:
        draft = write_atomically(Path(scratch) / path.name, annotated(file, problems))
        fact = f"{sha256_of(file)} {_cells(read_book(draft))}"
    return write_atomically(path, sealed(annotated(file, problems, copy_of=fact), _KIND))


def tidy(file: Path) -> tuple[Path, ...]:
    """Remove the copies of a workbook that is in order now, but for those that somebody saved."""
    if file.suffix.lower() != _KIND:
        return ()
    gone = [path for path in _paths(file) if _untouched(path)]
    for path in gone:
        path.unlink()
    return tuple(gone)


def _paths(file: Path) -> list[Path]:
    stem = name_without_ending(file.stem)
    if not file.parent.is_dir():
        return []
    return sorted(
        path
        for path in file.parent.iterdir()
        if path.suffix.lower() == _KIND
        and _ENDING.search(path.stem)
        and name_without_ending(path.stem) == stem
        and path.is_file()
        and not path.is_symlink()
    )


def _untouched(path: Path) -> bool:
    return not path.is_symlink() and path.is_file() and seal_holds(path.read_bytes(), _KIND)


def _copies(file: Path) -> list[_Copy]:
    found = []
    for path in _paths(file):
        if _untouched(path):
            continue
        of, before = _made_of(path)
        found.append(_Copy(path=path, of=of, mended=_cells(read_book(path)) != before))
    return found


def _made_of(path: Path) -> tuple[str, str]:
    """Return what a copy says of itself: the hashes of the workbook and of the cells that it had."""
    import openpyxl

    try:
        book = openpyxl.load_workbook(path, read_only=True)
    except Exception as error:  # a damaged package fails in many ways inside the reader
        what = f"the workbook is damaged ({type(error).__name__})"
        raise UnreadableError([Problem(file=str(path), what=what)]) from None
    try:
        rows = book[SHEET].iter_rows(values_only=True) if SHEET in book.sheetnames else ()
        for row in rows:
            if len(row) > 3 and row[2] == COPY_OF:
                of, _, cells = str(row[3]).partition(" ")
                return of, cells
    finally:
        book.close()
    return "", ""


def _cells(book: Book) -> str:
    """Return the hash of everything that is typed into a workbook."""
    lines = sorted(
        f"{grid.name}\t{row}\t{column}\t{_text(cell.value)}"
        for grid in book.grids
        for (row, column), cell in grid.cells.items()
    )
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def _text(value: object) -> str:
    return repr(float(value)) if isinstance(value, int | float) else str(value)


def _both(file: Path, copies: Sequence[_Copy]) -> DataError:
    names = ", ".join(copy.path.name for copy in copies)
    what = f"changed since its copy with comments was made, and so was {names}; nothing was read"
    hint = "move the one away that does not count, then collect again"
    return DataError([Problem(file=str(file), what=what, hint=hint)])
