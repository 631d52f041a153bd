"""Rules on places in papers: a box with an area, a field that stands in the record, words that fit."""

from __future__ import annotations

import re
from collections.abc import Iterator

from metakit.core.boxes import box_of
from metakit.errors import Problem
from metakit.forms.addresses import Addresses
from metakit.forms.rules.registry import Context, rule
from metakit.forms.tree import Group

_HASH = re.compile(r"[0-9a-f]{64}")
_NUMBER = re.compile(r"\d+(?:[.,·]\d+)*")


@rule(
    "places_fit",
    "places in the paper are of values that stand in the record",
    needs=("places.field", "places.box", "places.report"),
    basis="how the desk keeps places",
)
def places_fit(context: Context) -> Iterator[Problem]:
    """Find boxes without an area, hashes that are none, places without a value, and words without it."""
    places = context.record.groups("places")
    if not places:
        return
    fields = {
        address: (group, name) for address, group, name in Addresses(context.record, context.form).all()
    }
    for place in places:
        box, report = place.text("box"), place.text("report")
        if box and box_of(box) is None:
            allowed = "left, bottom, right and top in points, such as 127 361 175 368"
            yield place.problem("box", "no box on a page", found=box, allowed=allowed, severity="error")
        if report and not _HASH.fullmatch(report):
            yield place.problem(
                "report", "no SHA-256", found=report, allowed="64 digits 0-9 a-f", severity="error"
            )
        address = place.text("field")
        if not address:
            continue
        if address not in fields:
            what = "a place of a field that does not stand in the record (any more)"
            hint = "mend the name of the field, or delete the entry"
            yield place.problem("field", what, found=address, hint=hint, severity="question")
            continue
        group, name = fields[address]
        quote = place.text("quote")
        typed = _number_not_quoted(group, name, quote)
        if typed is not None:  # asked at the value itself, where somebody can mend it
            what = f"the words kept for it from page {place.typed('page')} do not hold {typed}"
            hint = "look at that place in the paper again"
            yield group.problem(name, what, found=quote, hint=hint, severity="question")


def _number_not_quoted(group: Group, name: str, quote: str) -> str | None:
    """Return the number of a field that is not among quoted ones; None when it is, or none is quoted."""
    quoted = _NUMBER.findall(quote)
    number = group.number(name) if name else None
    if number is None or not quoted:
        return None
    said = {reading for text in quoted for reading in _readings(text)}
    return None if abs(number) in said else f"{number:g}"


def _readings(text: str) -> Iterator[float]:
    """Give what digits with points and commas can mean."""
    pointed = text.replace("·", ".")
    for plain in (pointed.replace(",", ""), pointed.replace(",", "."), re.sub("[.,]", "", pointed)):
        if plain.count(".") <= 1:
            yield float(plain)
