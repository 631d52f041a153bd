"""A unit typed into a workbook: read by the form and rules of a unit file, positions by sheet and cell."""

from __future__ import annotations

import hashlib
from pathlib import Path

from metakit.errors import Problem, UnreadableError
from metakit.forms.library import shipped
from metakit.forms.reading import read_fields
from metakit.forms.record_workbooks.assembling import assemble
from metakit.forms.record_workbooks.layout import layout_of
from metakit.forms.record_workbooks.reading import read_book
from metakit.forms.records import Reading

WORKBOOKS = (".xlsx", ".xlsm", ".xls", ".ods", ".zip")
_FORM = "unit"


def read_workbook(path: Path) -> Reading:
    """Read a workbook that `metakit sheet --unit` wrote.

    Parameters
    ----------
    path : Path

    Raises
    ------
    UnreadableError
        When it is no workbook, or one of another form.
    """
    book = read_book(path)
    form = shipped().form(_FORM)
    if book.facts.get("form", _FORM) != _FORM:
        what = f"a workbook of the form {book.facts['form']}"
        hint = "metakit sheet --unit OUT.xlsx writes one for a unit"
        raise UnreadableError([Problem(file=str(path), what=what, allowed=_FORM, hint=hint)])
    collected = assemble(book, layout_of(form))
    roots = list(collected.records.values())
    if collected.sound and len(roots) != 1:
        what = f"the workbook holds {len(roots)} units"
        raise UnreadableError([Problem(file=str(path), what=what, allowed="one")])
    digest = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
    return Reading(
        file=str(path),
        group=read_fields(roots[0], form)[0] if collected.sound else None,
        form=form,
        problems=tuple(collected.problems),
        sha256=digest,
    )
