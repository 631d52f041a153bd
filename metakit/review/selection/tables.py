"""The tables of a selection: CSV whose rows follow a group of the search form, with file, line and field.

Lines before the header that start with `#` are remarks. Cells that a spreadsheet would take for a formula are
written with an apostrophe before them, which reading takes away again.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from metakit.core.values import Place
from metakit.errors import Problem, UnreadableError, nearest_names
from metakit.forms.library import shipped
from metakit.forms.reading import read_fields
from metakit.forms.sheets.csv_tables import csv_rows, guarded, unguarded
from metakit.forms.sheets.sheet_rows import Cell, SheetRows, text_problem
from metakit.forms.specs import Form
from metakit.forms.tree import Group
from metakit.forms.yaml_nodes import MapNode, ScalarNode
from metakit.review.selection.files import LARGEST_SELECTION, MOST_CITATIONS


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """The rows of one table, what is wrong in them, and the hash of the file. No file: no rows."""

    file: str
    groups: tuple[Group, ...] = ()
    problems: tuple[Problem, ...] = ()
    sha256: str = ""

    @property
    def sound(self) -> bool:
        """Whether no row has an error."""
        return all(problem.severity != "error" for problem in self.problems)


_Typed = tuple[object, ...]
_Said = tuple[Group | None, tuple[Problem, ...]]


@dataclass(eq=False)
class _LastRead:
    """What the rows of a file said when it was read last, by line and cells, under the same form and header.

    A row that stands there unchanged is not looked at again: a desk reads a table after each decision.
    """

    rows: tuple[tuple[object, ...], Mapping[_Typed, _Said]] = ((), {})


@lru_cache(maxsize=16)
def _last_read(file: str) -> _LastRead:
    return _LastRead()


def row_form(name: str) -> Form:
    """Return the fields of one kind of row as a form of its own."""
    search = shipped().form("search")
    return Form(
        name=name, version=search.version, title=name, about="", sections=search.shared_groups[name],
        knows_codes=False, file=search.file,
    )  # fmt: skip


def read_table_rows(path: Path, name: str, *, also: Sequence[str] = ()) -> Rows:
    """Read a table of the selection.

    Parameters
    ----------
    path : Path
        The CSV file; a missing one has no rows.
    name : str
        Shared group of the search form: `citation`, `removal`, `decision` or `inclusion`.
    also : sequence of str
        Further columns that may stand there and are passed over.

    Returns
    -------
    Rows
        Never raises for what the file holds.
    """
    if not path.is_file():
        return Rows(file=str(path))
    with path.open("rb") as stream:
        content = stream.read(LARGEST_SELECTION + 1)
    digest = hashlib.sha256(content).hexdigest()
    try:
        sheet = csv_rows(
            without_remarks(content), str(path), largest=LARGEST_SELECTION, most_rows=MOST_CITATIONS
        )
    except UnreadableError as error:
        return Rows(file=str(path), problems=error.problems, sha256=digest)
    return replace(sheet_rows(sheet, name, also=also), sha256=digest)


def sheet_rows(sheet: SheetRows, name: str, *, also: Sequence[str] = ()) -> Rows:
    """Check rows of cells against a group of the search form; see `read_table_rows`."""
    form = row_form(name)
    line, header = sheet.rows[0]
    names = [str(cell).strip().casefold() for cell in header]
    problems = _header_problems(sheet.file, line, names, form, also)
    if problems:
        return Rows(file=sheet.file, problems=tuple(problems))
    last = _last_read(sheet.file)
    like = (form.sections, tuple(names), tuple(also))
    before = last.rows[1] if last.rows[0] == like else {}
    now: dict[_Typed, _Said] = {}
    groups = []
    for line, cells in sheet.rows[1:]:
        typed = (line, *map(str, cells))
        group, found = now[typed] = before.get(typed) or _row(sheet.file, form, names, also, line, cells)
        problems += found
        groups += [group] if group is not None else []
    last.rows = (like, now)
    return Rows(file=sheet.file, groups=tuple(groups), problems=tuple(problems))


def _row(
    file: str, form: Form, names: Sequence[str], also: Sequence[str], line: int, cells: Sequence[Cell]
) -> tuple[Group | None, tuple[Problem, ...]]:
    if len(cells) != len(names):
        what = f"{len(cells)} cells in a table of {len(names)} columns"
        hint = "put a text that holds the separator in double quotes"
        return None, (Problem(file=file, line=line, what=what, hint=hint),)
    problems = []
    entries = []
    for column, (key, cell) in enumerate(zip(names, cells, strict=True), start=1):
        text = unguarded(str(cell))
        if key in also or not text:
            continue
        place = Place(file=file, line=line, column=column)
        odd = text_problem(text)
        if odd:
            problems.append(Problem(file=file, line=line, column=column, field=key, what=odd))
            continue
        entries.append((ScalarNode(key, place), ScalarNode(text, place, quoted=True)))
    root = MapNode(tuple(entries), Place(file=file, line=line, column=1))
    group, found = read_fields(root, form)
    return group, (*problems, *found)


def _header_problems(
    file: str, line: int, names: Sequence[str], form: Form, also: Sequence[str]
) -> list[Problem]:
    known = [spec.name for spec in form.sections]
    problems = []
    lacking = [spec.name for spec in form.sections if spec.required and spec.name not in names]
    if lacking:
        what = f"columns are missing: {', '.join(lacking)}"
        problems.append(Problem(file=file, line=line, what=what, allowed=", ".join(known)))
    for name in dict.fromkeys(names):
        if names.count(name) > 1:
            problems.append(Problem(file=file, line=line, field=name, what="two columns of one name"))
        elif name not in known and name not in also:
            problems.append(
                Problem(
                    file=file, line=line, field=name[:60], what="no column of this table",
                    hint=nearest_names(name, known),
                )
            )  # fmt: skip
    return problems


def table_text(name: str, rows: Iterable[Mapping[str, object]], remarks: Sequence[str] = ()) -> str:
    """Return rows as the text of a table of the selection, columns in the order of the form."""
    columns = [spec.name for spec in row_form(name).sections]
    return csv_text(columns, rows, remarks)


def csv_text(
    columns: Sequence[str], rows: Iterable[Mapping[str, object]], remarks: Sequence[str] = ()
) -> str:
    """Return rows as CSV that a spreadsheet opens without running anything."""
    stream = io.StringIO(newline="")
    for remark in remarks:
        stream.write(f"# {' '.join(remark.split())}\n")
    out = csv.writer(stream, lineterminator="\n")
    out.writerow(columns)
    for row in rows:
        out.writerow([guarded(_plain(row.get(column, ""))) for column in columns])
    return stream.getvalue()


def remarks_of(path: Path) -> tuple[str, ...]:
    """Return the remarks at the head of a table, so that writing it again keeps them."""
    found = []
    for line in path.read_bytes().decode("utf-8-sig", "replace").splitlines() if path.is_file() else ():
        if not line.startswith("#"):
            break
        found.append(line.lstrip("# "))
    return tuple(found)


def without_remarks(content: bytes) -> bytes:
    """Empty the remark lines at the head; the lines stay, so that all others keep their numbers."""
    bare = content.removeprefix(b"\xef\xbb\xbf")
    lines = bare.split(b"\n")
    for number, line in enumerate(lines):
        if not line.lstrip(b'"').startswith(b"#"):
            break
        lines[number] = b""
    return b"\n".join(lines)


def _plain(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    return "" if value is None else str(value)
