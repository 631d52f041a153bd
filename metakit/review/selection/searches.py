"""One search: its record in words, and how many records it found."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from metakit.forms.records import Reading
from metakit.forms.tree import Group


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """One search; `id` is the name of its file, `kind` a term of the vocabulary of search kinds.

    Empty texts were not typed: a search may be imported and screened before it is described.
    """

    id: str
    name: str
    kind: str
    kind_label: str
    by_other_methods: bool
    platform: str
    date: str
    covered: str
    strategy: str
    limits: str
    limits_reason: str
    filter: str
    peer_review: str
    found: int
    file: str
    sha256: str
    note: str
    group: Group


def search_of(reading: Reading) -> Search:
    """Return a checked file of the form search as a search."""
    group, form = reading.group, reading.form
    if group is None or form is None:  # pragma: no cover - the caller passes readings without errors
        raise ValueError(f"{reading.file} was not read")
    spec = form.find("kind")
    term = spec.terms.get(group.text("kind")) if spec else None
    span = [group.text("covered_from"), group.text("covered_until")]
    return Search(
        id=Path(reading.file).stem,
        name=group.text("name"),
        kind=group.text("kind"),
        kind_label=term.label if term else "",
        by_other_methods=term is not None and term.facts.text("side") == "other_methods",
        platform=group.text("platform"),
        date=group.text("date"),
        covered=f"{span[0] or 'the start'} to {span[1] or 'the day of the search'}" if any(span) else "",
        strategy=group.text("strategy"),
        limits=group.text("limits"),
        limits_reason=group.text("limits_reason"),
        filter=group.text("filter"),
        peer_review=group.text("peer_review"),
        found=group.integer("found") or 0,
        file=group.text("file"),
        sha256=group.text("sha256"),
        note=group.text("note"),
        group=group,
    )
