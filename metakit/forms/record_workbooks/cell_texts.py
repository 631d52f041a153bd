"""What a cell shows, as the text that a person would have typed; and texts as cells."""

from __future__ import annotations

import csv
import datetime
import io
import re
from collections.abc import Sequence
from decimal import Decimal

from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.specs import FieldSpec
from metakit.forms.typed_numbers import Refused

EMPTY_LIST = "(none)"
_PLAIN = re.compile(r"-?(?:0|[1-9]\d{0,14})(?:\.\d{1,15})?", re.ASCII)
_MONTH = re.compile(r"(\d{1,2})[-. /]?(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*", re.IGNORECASE)


def number_text(value: float, number_format: str, *, calculated: bool = False) -> str:
    """Return a number with the decimals that its cell shows, never with fewer than it has.

    Parameters
    ----------
    value : float
        The cell's number.
    number_format : str
        The cell's number format; a percent format multiplies by 100 and ends the text with ' %'.
    calculated : bool
        Whether a formula gave it: spreadsheets count on 15 digits then.
    """
    exact = Decimal(f"{value:.15g}" if calculated else repr(value))
    percent = "%" in number_format
    if percent:
        exact *= 100
    text = format(exact, "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    shown = re.match(r"#?,?#*0\.(0+)", number_format)
    lacking = len(shown.group(1)) - len(text.partition(".")[2]) if shown and not percent else 0
    if lacking > 0:
        text += ("" if "." in text else ".") + "0" * lacking
    return f"{text} %" if percent else text


def date_text(
    value: datetime.date | datetime.time | datetime.timedelta, number_format: str, kind: str
) -> str:
    """Return a date cell as text, or refuse it where no date belongs and show what may have been typed."""
    if isinstance(value, datetime.date) and not (
        isinstance(value, datetime.datetime) and value.time() != datetime.time()
    ):
        if kind == "date":
            return value.strftime("%Y-%m-%d")
        if kind == "partial_date":
            return value.strftime("%Y-%m-%d" if "d" in number_format.casefold() else "%Y-%m")
        typed = f"{value.month}/{value.day} or {value.day}/{value.month}"
        apart = ", or a page range" if kind == "text" else " (then two cells: events and total)"
        raise Refused(
            "a date, where none belongs",
            hint=f"the spreadsheet turned what was typed into a date: perhaps {typed}{apart}, or "
            f"{value.day}.{value.month}; format the cell as text and type it again",
        )
    raise Refused("a time, where none belongs", hint="format the cell as text and type it again")


def decimal_comma(text: str, spec: FieldSpec) -> str:
    """Return a number typed with a decimal comma with a point instead; empty for any other text."""
    typed = text.strip()
    if not FIELD_TYPES[spec.type].numeric:
        return ""
    found = re.fullmatch(r"([+-]?\d+),(\d+)( ?%)?", typed, re.ASCII)
    # '1,234' may be a thousand: that question is left to the person.
    if not found or (len(found[2]) == 3 and len(found[1].lstrip("+-")) <= 3 and found[1].lstrip("+-") != "0"):
        return ""
    return f"{found[1]}.{found[2]}{found[3] or ''}"


def mangled_date(text: str) -> str:
    """Say what a text such as '15-Mar' may have been; empty for any other text."""
    found = _MONTH.fullmatch(text.strip())
    if not found:
        return ""
    months = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
    month = months.index(found[2].casefold()) + 1
    day = int(found[1])
    return (
        f"a spreadsheet made a date of what was typed: perhaps {month}/{day} or {day}/{month}; type it again"
    )


def fraction(text: str) -> tuple[str, str] | None:
    """Return both numbers of '3/40'; None for any other text."""
    found = re.fullmatch(r"(\d{1,6}) ?(?:/|of) ?(\d{1,6})", text.strip(), re.ASCII)
    return (found[1], found[2]) if found else None


def list_text(items: Sequence[str]) -> str:
    """Return a list as the text of one cell: entries separated by semicolons, '(none)' for an empty list."""
    if not items:
        return EMPTY_LIST
    written = []
    for item in items:
        odd = any(sign in item for sign in ';"\n\r,') or item != item.strip() or item.startswith("(")
        codes = item.startswith("not_")
        written.append('"' + item.replace('"', '""') + '"' if odd or codes else item)
    return "; ".join(written)


def list_items(text: str, *, commas: bool) -> list[str]:
    """Return the entries of a list cell.

    Raises
    ------
    Refused
        For a quotation mark that is not closed, or an empty entry.
    """
    if text.strip() == EMPTY_LIST:
        return []
    separator = ";" if ";" in text or not commas else ","
    try:
        rows = list(
            csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True, strict=True)
        )
    except csv.Error:
        raise Refused("quotation marks that do not match", hint="separate entries with semicolons") from None
    items = [item.strip() for row in rows for item in row]
    if items and items[-1] == "":
        items.pop()
    if not items or "" in items:
        raise Refused("an empty entry in the list", hint=f"write {EMPTY_LIST} for an empty list")
    return items


def plain_number(text: str) -> tuple[float, str] | None:
    """Return number and number format when a text can be stored as a number cell without loss."""
    if not _PLAIN.fullmatch(text) or (text.startswith("-") and not text.strip("-0.")):
        return None
    digits = len(text.lstrip("-").replace(".", "").lstrip("0"))
    value = float(text)
    if digits > 15 or float(f"{value:.16G}") != value:
        return None
    decimals = len(text.partition(".")[2])
    number_format = "0." + "0" * decimals if decimals else "General"
    return (value, number_format) if number_text(value, number_format) == text else None
