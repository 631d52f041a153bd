"""CSV as text: nothing is taken for a missing value, a date or a number."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from pathlib import Path

from metakit.errors import Problem, UnreadableError
from metakit.forms.record_workbooks.cell_texts import plain_number
from metakit.forms.sheets.sheet_rows import LONGEST_CELL, MOST_COLUMNS, MOST_ROWS, Cell, SheetRows
from metakit.forms.text_files import decoded

LARGEST_CSV = 20_000_000
_SEPARATING = re.compile("[\x1c-\x1f\x85]")
_SEPARATORS = ",;\t"
_RISKY = re.compile(r"'*[=+\-@\t\r＝＋－＠]")


def guarded(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula (CWE-1236); plain negative numbers stay."""
    return f"'{text}" if _RISKY.match(text) and plain_number(text) is None else text


def unguarded(text: str) -> str:
    """Return the text that `guarded` was given; an apostrophe of the text's own stays."""
    return text[1:] if text.startswith("'") and _RISKY.match(text, 1) else text


def read_csv(path: Path, name: str) -> SheetRows:
    """Read the rows of a CSV file.

    Raises
    ------
    UnreadableError
        For another encoding, a quotation mark that is never closed, and files beyond the limits.
    """
    with path.open("rb") as stream:
        return csv_rows(stream.read(LARGEST_CSV + 1), name)


def csv_rows(
    content: bytes, name: str, *, largest: int = LARGEST_CSV, most_rows: int = MOST_ROWS
) -> SheetRows:
    """Read the rows of a CSV file from its bytes; errors as for `read_csv`."""
    text = decoded(content, name, largest=largest, empty_hint="a header, then one row a study")
    if isinstance(text, Problem):
        raise UnreadableError([text])
    rows = rows_of_text(text, _separator(text, name), name, most_rows=most_rows)
    return SheetRows(file=name, rows=rows, exact=True)


def rows_of_text(
    text: str, separator: str, name: str, *, most_rows: int = MOST_ROWS
) -> list[tuple[int, list[Cell]]]:
    """Cut a text into filled rows of cells with their line numbers; errors as for `read_csv`."""
    rows: list[tuple[int, list[Cell]]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    line = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((line, [unicodedata.normalize("NFC", _trimmed(cell)) for cell in cells]))
            if len(rows) > most_rows + 1 or len(cells) > MOST_COLUMNS:
                allowed = f"at most {most_rows:,} rows and {MOST_COLUMNS} columns"
                raise UnreadableError(
                    [Problem(file=name, line=line, what="the table is too large", allowed=allowed)]
                )
            line = reader.line_num + 1
    except csv.Error as error:
        raise UnreadableError([_broken(error, name, line)]) from None
    return rows


def _trimmed(text: str) -> str:
    """Take spaces away at both ends, but no control character, which Python counts among them."""
    plain = text.strip()
    return text if len(plain) < len(text) and _SEPARATING.search(text) else plain


def _broken(error: csv.Error, name: str, line: int) -> Problem:
    if "limit" in str(error):
        return Problem(
            file=name, line=line, what="a cell is too long", allowed=f"at most {LONGEST_CELL:,} characters"
        )
    if "unexpected end" in str(error):
        what = "a quotation mark opened in this row is never closed"
        return Problem(
            file=name, line=line, what=what, hint='close it; a quotation mark inside a text is doubled ("")'
        )
    what = "text stands behind a closing quotation mark"
    return Problem(file=name, line=line, what=what, hint='a quotation mark inside a text is doubled ("")')


def _separator(text: str, name: str) -> str:
    """Return the separator that cuts the header into most names."""
    header = next(line for line in text.splitlines() if line.strip())
    unquoted = "".join(header.split('"')[::2])
    best = max(_SEPARATORS, key=unquoted.count)
    if not unquoted.count(best):
        what = "the header has one column only"
        hint = "separate columns with commas, semicolons or tabs"
        raise UnreadableError([Problem(file=name, line=1, what=what, found=header[:80], hint=hint)])
    return best
