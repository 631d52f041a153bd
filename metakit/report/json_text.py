"""Answers as the text of a JSON file, as `json.dumps` writes it with an indent of two, in less time."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from json.encoder import encode_basestring
from typing import Any


def json_text(value: Any) -> str:
    """Return what ``json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False)`` returns.

    Raises
    ------
    ValueError
        For a number that is not finite.
    TypeError
        For what JSON does not have.
    """
    parts: list[str] = []
    _write(value, "\n", parts.append)
    return "".join(parts)


def _write(value: Any, line: str, add: Callable[[str], None]) -> None:
    kind = type(value)
    if kind is str:
        add(encode_basestring(value))
    elif kind is int:
        add(int.__repr__(value))
    elif value is None or kind is bool:
        add("null" if value is None else "true" if value else "false")
    elif kind is float and math.isfinite(value):
        add(float.__repr__(value))
    elif kind is dict and value and all(type(name) is str for name in value):
        inner = f"{line}  "
        before = "{" + inner
        for name, part in value.items():
            add(f"{before}{encode_basestring(name)}: ")
            _write(part, inner, add)
            before = "," + inner
        add(line + "}")
    elif kind in (list, tuple) and value:
        inner = f"{line}  "
        before = "[" + inner
        for part in value:
            add(before)
            _write(part, inner, add)
            before = "," + inner
        add(line + "]")
    else:  # what is rare, and what is wrong
        text = json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False)
        add(text.replace("\n", line) if isinstance(value, (dict, list, tuple)) else text)
