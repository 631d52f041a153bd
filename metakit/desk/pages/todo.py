"""What is to be done: the studies of the review and where each stands."""

from __future__ import annotations

from starlette.responses import Response

from metakit.desk.page import Asked, Page, elsewhere, shown
from metakit.review.extraction import extractor_files
from metakit.review.files import RECORDS, yaml_files


def _show(asked: Asked) -> Response:
    if not asked.desk.person:
        return elsewhere("/person")
    typed: dict[str, list[str]] = {}
    for person, file in extractor_files(asked.desk.folder):
        typed.setdefault(file.stem, []).append(person)
    records = {file.stem for file in yaml_files(asked.desk.folder / RECORDS)[0]}
    rows = [(study, typed.get(study, []), study in records) for study in sorted({*typed, *records})]
    return asked.page("todo.html.j2", "To do", rows=rows)


PAGE = Page(name="todo", routes=(shown("/", _show),), label="To do", href="/")
