"""The sources that a report cites as files for reference managers: BibTeX and CSL JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence

from metakit.core.bibliography import Reference

BIBTEX, CSL_JSON = "methods_references.bib", "methods_references.json"
_CSL_TYPES = {"article": "article-journal", "book": "book", "incollection": "chapter"}
_CSL_NAMES = {
    "title": "title",
    "volume": "volume",
    "edition": "edition",
    "publisher": "publisher",
}


def bibtex(sources: Sequence[Reference]) -> str:
    """Return the sources as a BibTeX file in the given order.

    Titles are braced, so that no style lowers the capitals of names in them.
    """
    from bibtexparser.entrypoint import write_string
    from bibtexparser.library import Library
    from bibtexparser.model import Entry, Field

    braced = {"title", "booktitle"}
    library = Library(
        [
            Entry(
                source.kind,
                source.key,
                [
                    Field(name, f"{{{{{value}}}}}" if name in braced else f"{{{value}}}")
                    for name, value in source.fields.items()
                ],
            )
            for source in sources
        ]
    )
    return write_string(library, unparse_stack=[])


def csl_json(sources: Sequence[Reference]) -> str:
    """Return the sources as CSL JSON, the open format of citation processors."""
    return json.dumps([_csl(source) for source in sources], indent=2, ensure_ascii=False) + "\n"


def _csl(source: Reference) -> dict[str, object]:
    fields = source.fields
    item: dict[str, object] = {"id": source.key, "type": _CSL_TYPES[source.kind]}
    item |= {csl: fields[name] for name, csl in _CSL_NAMES.items() if name in fields}
    for role in ("author", "editor"):
        if people := _people(source, role):
            item[role] = people
    item["issued"] = {"date-parts": [[source.year]]}
    container = fields.get("journal") or fields.get("booktitle")
    if container:
        item["container-title"] = container
    if "pages" in fields:
        item["page"] = fields["pages"].replace("--", "-")
    return item


def _people(source: Reference, role: str) -> list[dict[str, str]]:
    """Return names by part; "and others" has no form of its own there and stands as a name of one part."""
    return [
        {"literal": "et al."} if family == "others" else {"family": family, "given": initials}
        for family, initials in source.people(role)
    ]
