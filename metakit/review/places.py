"""Where in its paper a value stands: kept beside the value, moved with it, never compared between people."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from metakit.core.boxes import box_of
from metakit.core.values import PaperPlace
from metakit.forms.addresses import Addresses
from metakit.forms.specs import Form
from metakit.forms.splice import Plain, add_entry, remove_value, set_value
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


def with_place(text: str, record: Group, place: Mapping[str, str], *, beside: Sequence[str] = ()) -> str:
    """Return the text of a record with a place kept for a field, in the stead of an earlier one.

    Parameters
    ----------
    text : str
        The record, as it stands in its file.
    record : Group
        What the text says.
    place : mapping of str to str
        `field`, `page`, `box`, `report` and, unless the page is a scan, `quote`; see the form.
    beside : sequence of str
        Further fields that stand at the same place, such as the total of "4/29".
    """
    there = [entry.text("field") for entry in record.groups(SECTION)]
    added = len(there)
    for field in (place["field"], *beside):
        entry: Plain = {
            "field": field,
            **{name: said for name, said in place.items() if name != "field" and said},
        }
        if field in there:
            text = set_value(text, (SECTION, there.index(field)), entry)
        else:
            text = add_entry(text, (SECTION,), entry)
            added += 1
    return text


def without_place(text: str, record: Group, field: str) -> str:
    """Return the text of a record without the places of a field."""
    numbers = [n for n, entry in enumerate(record.groups(SECTION)) if entry.text("field") == field]
    for number in reversed(numbers):
        text = remove_value(text, (SECTION, number))
    return text


def moved_with(text: str, before: Group, after: Group, form: Form) -> str:
    """Return the text of a record whose places follow what was changed.

    Parameters
    ----------
    text : str
        The record after one change: a value set, an entry added or removed.
    before, after : Group
        What it said, and says now.
    form : Form

    Returns
    -------
    str
        The same text where no place is concerned. The place of a field whose entry was renamed (its arm,
        outcome or time changed) names the field by its new address; that of a removed one is removed.
    """
    places = after.groups(SECTION)
    if not places or len(places) != len(before.groups(SECTION)):
        return text
    old, new = _by_path(before, form), _by_path(after, form)
    if _removed(before, after):
        gone = set(old.values()) - set(new.values())
        for number in reversed(range(len(places))):
            if _part_of(places[number].text("field"), gone):
                text = remove_value(text, (SECTION, number))
        return text
    renamed = {address: new[path] for path, address in old.items() if path in new and new[path] != address}
    for number, place in enumerate(places):
        field = place.text("field")
        entry = _part_of(field, renamed)
        if entry:
            text = set_value(text, (SECTION, number, "field"), renamed[entry] + field[len(entry) :])
    return text


def _part_of(field: str, addresses: Collection[str]) -> str:
    """Return the address among these that a field has or lies within, the nearest one; empty without any."""
    within = [field, *(field[:at] for at, sign in enumerate(field) if sign == ".")]
    return max((address for address in within if address in addresses), key=len, default="")


def _by_path(record: Group, form: Form) -> dict[str, str]:
    """Return the addresses of fields by their path, which counts entries."""
    return {
        f"{group.name}.{name}" if name and group.name else name or group.name: address
        for address, group, name in Addresses(record, form).all()
    }


def _removed(before: Group, after: Group) -> bool:
    """Whether an entry of a list, at any depth, was removed."""
    return any(len(entries) > _count(after, path) for path, entries in _lists(before))


def _lists(group: Group) -> list[tuple[str, tuple[Group, ...]]]:
    found: list[tuple[str, tuple[Group, ...]]] = []
    for name, entry in group.entries.items():
        if isinstance(entry, tuple):
            found.append((group.path(name), entry))
            found += [inner for item in entry for inner in _lists(item)]
        elif isinstance(entry, Group):
            found += _lists(entry)
    return found


def _count(record: Group, path: str) -> int:
    here: Any = dict(_lists(record))
    return len(here.get(path, ()))
