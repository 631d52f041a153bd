"""A record in parts, one shown at a time: what the report is, each arm, each outcome, what closes it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from metakit.desk.views import entry_words
from metakit.forms.field_words import begun, plain_words
from metakit.forms.records import Reading

LEFT_OUT = ("appraisal", "answered_questions", "places")
"""Sections with a page of their own, or filled in by pages."""

_ENDS = {
    "study": ("Report", "Analysis, funding, notes"),
    "unit": ("Department", "What it does now, notes"),
}
"""What the first and the last part of a form are called; those of the plan where nothing stands here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part: sections together, a list, or an entry; a heading has no name."""

    name: str
    words: str
    sections: tuple[str, ...] = ()


def parts_of(reading: Reading) -> tuple[Part, ...]:
    """Return the parts of a record in the order of its form."""
    addresses, form = reading.addresses, reading.form
    if addresses is None or form is None:
        return ()
    record = addresses.record
    sections = [section for section in form.sections if section.name not in LEFT_OUT]
    first = next((n for n, section in enumerate(sections) if section.repeats), len(sections))
    opening = tuple(section.name for section in sections[:first])
    closing = tuple(section.name for section in sections[first:] if not section.repeats)
    first_words, last_words = _ENDS.get(form.name, ("Question", "More choices"))
    parts = [Part(name="report", words=first_words, sections=opening)] if opening else []
    for section in sections:
        if section.repeats:
            words = begun(section.label or plain_words(section.name))
            entries = list(addresses.entries(record, section))
            parts += [Part(name="", words=words)] if entries else []
            parts += [
                Part(name=f"{section.name}[{key}]", words=entry_words(one, section, form) or f"{words} {key}")
                for key, one in entries
            ]
            parts.append(Part(name=section.name, words=f"Add to {words.lower()}" if entries else words))
    parts += [Part(name="closing", words=last_words, sections=closing)] if closing else []
    return tuple(parts)


def part_of(parts: Iterable[Part], address: str) -> Part | None:
    """Return the part that shows a field: an entry rather than its list."""
    found = None
    for part in parts:
        names = part.sections or (part.name,)
        if any(address == name or address.startswith((f"{name}.", f"{name}[")) for name in names if name):
            found = part if found is None or len(part.name) > len(found.name) else found
    return found
