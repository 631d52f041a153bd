"""Another reading of the same bytes, by other libraries, which decides whether a value is what its text says.

Grammar of a number: XML Schema part 2, decimal and double in ASCII, read by Python's decimal module.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import yaml

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?", re.ASCII)


def number_in(text: str) -> float | None:
    """Return the number that a text is, None where it is none; a percent sign and spaces around are fine."""
    plain = text.strip(" \t\r\n").removesuffix("%").rstrip(" ")
    return float(Decimal(plain)) if _NUMBER.fullmatch(plain) else None


def yaml_texts(content: bytes) -> Any:
    """Return a YAML document with every value as text, None where it cannot be read."""
    try:
        return yaml.load(content.decode("utf-8-sig"), Loader=yaml.BaseLoader)  # noqa: S506 - texts only
    except (yaml.YAMLError, UnicodeDecodeError, ValueError, RecursionError):
        return None


def csv_texts(content: bytes) -> list[dict[str, str]]:
    """Return the rows of a CSV file by heading."""
    text = content.decode("utf-8-sig")
    head = next(line for line in text.splitlines() if line.strip())
    separator = max(",;\t", key="".join(head.split('"')[::2]).count)
    rows = [
        row
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator)
        if any(map(str.strip, row))
    ]
    return [dict(zip(map(str.strip, rows[0]), row, strict=False)) for row in rows[1:]]


def pairs(read: Any, typed: Any, path: str = "") -> Iterator[tuple[str, Any, Any]]:
    """Give every value that was read beside what was typed at its place."""
    if isinstance(read, dict) and isinstance(typed, dict):
        for name, value in read.items():
            yield from pairs(value, typed.get(name), f"{path}.{name}" if path else str(name))
    elif isinstance(read, list) and isinstance(typed, list):
        for place, (value, text) in enumerate(zip(read, typed, strict=False)):
            yield from pairs(value, text, f"{path}[{place}]")
    else:
        yield path, read, typed


def differs(read: Any, typed: Any) -> bool:
    """Whether a number that was read is not the number that was typed."""
    if isinstance(read, bool) or not isinstance(read, (int, float)):
        return False
    return not isinstance(typed, str) or number_in(typed) != float(read)
