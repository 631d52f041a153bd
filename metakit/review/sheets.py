"""Workbooks and CSV files written for extractors."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from pathlib import Path

from metakit.core.plans import Protocol
from metakit.core.seals import write_new
from metakit.errors import DataError, UnreadableError, UsageError
from metakit.forms.library import Library, shipped
from metakit.forms.record_workbooks.csv_writing import csv_texts
from metakit.forms.record_workbooks.layout import layout_of
from metakit.forms.record_workbooks.writing import workbook_bytes
from metakit.forms.records import read_record
from metakit.forms.specs import Form
from metakit.forms.yaml_nodes import MapNode, read_document
from metakit.review.files import PROTOCOL
from metakit.review.folder import read_protocol
from metakit.review.next_steps import EMPTY_PLAN, empty_plan
from metakit.review.workbooks.offered import offering
from metakit.review.workbooks.protocol_sheet import WORKBOOK

EXAMPLES = "examples"


def write_sheets(
    out: Path, *, records: Sequence[Path] = (), blank: int = 0, form: str = "study", as_csv: bool = False,
    replace: bool = False, review: Path | None = None,
) -> tuple[Path, ...]:  # fmt: skip
    """Write workbooks or CSV files of a form, empty or filled from records.

    Parameters
    ----------
    out : Path
        'NAME.xlsx' for one workbook, 'NAME.zip' for CSV files in an archive, a folder otherwise.
    records : sequence of Path
        Records without errors to fill in.
    blank : int
        Number of empty records; one when there are neither.
    form : str
        Name of a shipped form, or path of a form file.
    as_csv : bool
        Whether a folder gets CSV files instead of a workbook a record.
    replace : bool
        Whether files of the same name that nobody has saved since are replaced.
    review : Path, optional
        The lists to choose from offer the outcomes and techniques of its protocol.

    Returns
    -------
    tuple of Path
        What was written.

    Raises
    ------
    UsageError
        When something would be overwritten.
    DataError, UnreadableError
        When a record or the form has errors.
    """
    library, chosen = _form(form)
    if review is not None:
        chosen = offering(chosen, _filled_protocol(review))
    layout = layout_of(chosen)
    roots: dict[str, MapNode | None] = {}
    for path in records:
        if path.stem in roots:
            raise UsageError(f"two records are called {path.stem}")
        roots[path.stem] = _root(path, library, chosen)
    single = out.stem if out.suffix.lower() == ".xlsx" and not roots and blank <= 1 else ""
    for number in range(1, (blank or (0 if roots else 1)) + 1):
        roots[re.sub(r"\s+", "_", single) or f"{chosen.name}_{number:02d}"] = None
    example = read_document(library.folder / EXAMPLES / f"{chosen.name}.yaml").root
    suffix = out.suffix.lower()
    files: dict[Path, bytes] = {}
    if suffix == ".zip":
        stream = io.BytesIO()
        with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as package:
            for name, text in csv_texts(layout, roots).items():
                package.writestr(name, text.encode("utf-8-sig"))
        files[out] = stream.getvalue()
    elif suffix == ".xlsx":
        files[out] = workbook_bytes(layout, roots, batch=len(roots) > 1, example=example)
    elif suffix:
        raise UsageError(f"{out.name}: write NAME.xlsx, NAME.zip, or a folder without an ending")
    elif as_csv:
        files = {out / name: text.encode("utf-8-sig") for name, text in csv_texts(layout, roots).items()}
    else:
        files = {
            out / f"{name}.xlsx": workbook_bytes(layout, {name: root}, batch=False, example=example)
            for name, root in roots.items()
        }
    return write_new(files, replace=replace)


def _filled_protocol(review: Path) -> Protocol:
    if (review / PROTOCOL).is_file() and empty_plan(read_record(review / PROTOCOL, shipped())):
        raise UsageError(
            f"{EMPTY_PLAN}: first fill in {review / WORKBOOK} and 'metakit collect {review / WORKBOOK} "
            f"--into {review}'; it says which outcomes and techniques to offer"
        )
    return read_protocol(review)


def _form(form: str) -> tuple[Library, Form]:
    if form.endswith((".yaml", ".yml")):
        library = Library(Path(form).parent)
        return library, library.load_form(Path(form))
    return shipped(), shipped().form(form)


def _root(path: Path, library: Library, form: Form) -> MapNode:
    reading = read_record(path, library, form=form)
    root = read_document(path).root
    if root is None or not reading.sound:
        raise (UnreadableError if reading.unreadable else DataError)(reading.problems)
    return root
