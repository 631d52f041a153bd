"""Published sources of the methods by key: a method names keys, `bibliography.bib` beside this has them.

To add a source, append an entry to that file; its head says how. It is read when the first source is asked
for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

from metakit.errors import UnknownNameError

if TYPE_CHECKING:
    from bibtexparser.model import Entry

SOURCE = "bibliography.bib"


@dataclass(frozen=True, slots=True)
class Reference:
    """One source.

    `authors`, `year`, `title` and `where` are for reading. `kind` is the kind of entry in BibTeX ("article",
    "book", "incollection"); `fields` holds what was typed there, braces taken off.
    """

    key: str
    authors: str
    year: int
    title: str
    where: str
    kind: str
    fields: Mapping[str, str] = field(repr=False, hash=False)

    def __str__(self) -> str:
        return f"{self.authors} ({self.year}). {self.title}. {self.where}."

    def people(self, role: str = "author") -> tuple[tuple[str, str], ...]:
        """Return family name and initials of every author, or editor; ("others", "") stands for "et al."."""
        found = []
        for name in self.fields.get(role, "").split(" and "):
            family, _, initials = name.partition(", ")
            if family:
                found.append((family, initials))
        return tuple(found)


class _Lazy(Mapping[str, Reference]):
    """All sources by key, read at the first look."""

    def __getitem__(self, key: str) -> Reference:
        return _entries()[key]

    def __iter__(self) -> Iterator[str]:
        return iter(_entries())

    def __len__(self) -> int:
        return len(_entries())


REFERENCES: Mapping[str, Reference] = _Lazy()


def reference(key: str) -> Reference:
    """Return the source with this key."""
    try:
        return REFERENCES[key]
    except KeyError:
        raise UnknownNameError("reference", key, REFERENCES) from None


@cache
def _entries() -> dict[str, Reference]:
    from bibtexparser.entrypoint import parse_string
    from bibtexparser.model import Entry

    library = parse_string(resources.files("metakit.core").joinpath(SOURCE).read_text(encoding="utf-8"))
    if library.failed_blocks:
        start = library.failed_blocks[0].start_line
        raise ValueError(f"{SOURCE}: an entry cannot be read, or its key stands twice, near line {start}")
    return {entry.key: _reference(entry) for entry in library.blocks if isinstance(entry, Entry)}


def _reference(entry: Entry) -> Reference:
    fields = {
        name: str(item.value).removeprefix("{").removesuffix("}") for name, item in entry.fields_dict.items()
    }
    made = Reference(entry.key, "", int(fields["year"]), fields["title"], "", entry.entry_type, fields)
    authors = _names(made.people()) or f"{_names(made.people('editor'))} (editors)"
    return replace(made, authors=authors, where=_where(made))


def _names(people: tuple[tuple[str, str], ...]) -> str:
    return ", ".join(
        "et al." if family == "others" else f"{family} {initials.replace(' ', '')}".strip()
        for family, initials in people
    )


def _where(source: Reference) -> str:
    """Say where a source stands: journal, volume and pages, or the book and its publisher."""
    fields = source.fields
    if source.kind == "article":
        return f"{fields['journal']} {fields['volume']}:{fields['pages'].replace('--', '-')}"
    edition = fields.get("edition", "")
    parts = [f"{edition} edition" if edition[:1].isdigit() else edition, fields["publisher"]]
    if source.kind == "incollection":
        parts = [f"In: {_names(source.people('editor'))} (editors)", fields["booktitle"], *parts]
    return ", ".join(part for part in parts if part)
