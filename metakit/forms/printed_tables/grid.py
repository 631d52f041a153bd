"""The cells of a file before anything is taken for a header: rows as they stand, with their numbers."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from metakit.errors import Problem, UnreadableError
from metakit.forms.sheets.csv_tables import LARGEST_CSV, rows_of_text
from metakit.forms.sheets.sheet_rows import Cell
from metakit.forms.text_files import decoded

SEPARATORS = ",;\t|"


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Filled rows of one sheet or file; `told` says what was not literal about reading it."""

    file: str
    rows: tuple[tuple[int, tuple[Cell, ...]], ...]
    letters: tuple[str, ...] = ()
    told: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()


def read_grid(path: Path, name: str, sheet: str = "") -> Grid:
    """Read a CSV file or one sheet of a workbook.

    Raises
    ------
    UnreadableError
        When there is no such file or sheet, it is damaged, too large, or of another kind.
    """
    if not path.is_file():
        what = "this is a folder, not a table" if path.is_dir() else "there is no such file"
        raise UnreadableError([Problem(file=name, what=what)])
    try:
        with path.open("rb") as stream:
            start = stream.read(8)
    except OSError as error:
        hint = "is it open in another program? close it and try again"
        raise UnreadableError(
            [Problem(file=name, what=f"cannot be opened: {error.strerror}", hint=hint)]
        ) from None
    if start.startswith(b"PK") or path.suffix.lower() in (".xlsx", ".xlsm"):
        from metakit.forms.sheets.workbooks import read_workbook

        rows = read_workbook(path, name, sheet)
        return Grid(
            file=name,
            rows=tuple((line, tuple(cells)) for line, cells in rows.rows),
            letters=tuple(rows.letters),
            told=tuple(rows.told),
            problems=tuple(rows.problems),
        )
    if start.startswith(b"\xd0\xcf\x11\xe0"):
        what = "an old .xls workbook, or one with a password"
        raise UnreadableError(
            [Problem(file=name, what=what, hint="save it as .xlsx without a password, or as CSV")]
        )
    if sheet:
        raise UnreadableError([Problem(file=name, what="a CSV file has no sheets", found=f"--sheet {sheet}")])
    with path.open("rb") as stream:
        return grid_of_csv(stream.read(LARGEST_CSV + 1), name)


def grid_of_csv(content: bytes, name: str) -> Grid:
    """Read the cells of a CSV file from its bytes; errors as for `read_grid`.

    The separator is the one that cuts most lines alike: a title line above the header has none.
    """
    told: list[str] = []
    text = decoded(content, name, largest=LARGEST_CSV, empty_hint="a header, then one row a study")
    if isinstance(text, Problem) and text.what == "the file is not UTF-8 text":
        older = _windows_text(content)
        if older is not None:
            text = older
            told.append("The file is not UTF-8; it is read as Windows text (cp1252).")
    if isinstance(text, Problem):
        raise UnreadableError([text])
    rows = tuple((line, tuple(cells)) for line, cells in rows_of_text(text, _separator(text, name), name))
    return Grid(file=name, rows=rows, told=tuple(told))


def _windows_text(content: bytes) -> str | None:
    try:
        return content.decode("cp1252")
    except UnicodeDecodeError:
        return None


def _separator(text: str, name: str) -> str:
    lines = [line for line in text.splitlines()[:200] if line.strip()]
    counts = {sign: [_outside_quotes(line).count(sign) for line in lines] for sign in SEPARATORS}
    best = max(
        SEPARATORS, key=lambda sign: (_usual(counts[sign]) > 0, _alike(counts[sign]), _usual(counts[sign]))
    )
    if not any(counts[best]):
        what = "the header has one column only"
        hint = "separate columns with commas, semicolons or tabs"
        raise UnreadableError([Problem(file=name, line=1, what=what, found=lines[0][:80], hint=hint)])
    return best


def _usual(counts: Sequence[int]) -> int:
    return statistics.mode(counts)


def _alike(counts: Sequence[int]) -> float:
    """Return the share of lines that the sign cuts into as many cells as most."""
    usual = _usual(counts)
    return sum(count == usual for count in counts) / len(counts) if usual else 0.0


def _outside_quotes(line: str) -> str:
    return "".join(line.split('"')[::2])
