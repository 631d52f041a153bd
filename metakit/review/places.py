"""Where in its paper a value stands: kept beside the value, never compared between people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from metakit.core.boxes import box_of
from metakit.core.values import PaperPlace
from metakit.forms.splice import Plain, add_entry, plain_of, remove_value, set_value
from metakit.forms.tree import Group

SECTION = "places"


def places_of(record: Group) -> tuple[PaperPlace, ...]:
    """Return the places that a record keeps; those without a box are left to the form's rule."""
    found = []
    for entry in record.groups(SECTION):
        box, page = box_of(entry.text("box")), entry.integer("page")
        if box is not None and page is not None and entry.text("field"):
            found.append(
                PaperPlace(
                    field=entry.text("field"), page=page, box=box, quote=entry.text("quote"),
                    report=entry.text("report"),
                )
            )  # fmt: skip
    return tuple(found)


def with_place(text: str, place: Mapping[str, str], *, beside: Sequence[str] = ()) -> str:
    """Return the text of a record with a place kept for a field, in the stead of an earlier one.

    Parameters
    ----------
    text : str
        The record, as it stands in its file.
    place : mapping of str to str
        `field`, `page`, `box`, `report` and, unless the page is a scan, `quote`; see the form.
    beside : sequence of str
        Further fields that stand at the same place, such as the total of "4/29".
    """
    there = _fields(text)
    said = {name: value for name, value in place.items() if name != "field" and value}
    for field in (place["field"], *beside):
        entry: Plain = {"field": field, **said}
        if field in there:
            text = set_value(text, (SECTION, there.index(field)), entry)
        else:
            text = add_entry(text, (SECTION,), entry)
    return text


def without_place(text: str, field: str) -> str:
    """Return the text of a record without the places of a field."""
    there = _fields(text)
    for number in reversed(range(len(there))):
        if there[number] == field:
            text = remove_value(text, (SECTION, number))
    return text


def _fields(text: str) -> list[str]:
    """Return the fields whose places a text keeps, in their order."""
    entries = plain_of(text).get(SECTION) or []
    return [entry.get("field", "") if isinstance(entry, dict) else "" for entry in entries]
