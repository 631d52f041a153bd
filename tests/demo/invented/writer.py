"""Write plain trees as YAML that a person likes to read: blocks, with short leaves on one line.

Kept apart from any YAML library so that the bytes on disk depend on nothing but this file.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

WIDTH = 118
_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_-]*\Z")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}\Z")
_NUMBER = re.compile(r"-?\d+(\.\d+)?\Z")
_RESERVED = {"yes", "no", "true", "false", "on", "off", "null", "y", "n"}


class OneLine(dict[str, Any]):
    """A mapping that is written on one line, in braces."""


def scalar(value: Any) -> str:
    """Return a value as YAML text; text is quoted unless it is a plain word."""
    if value is True:
        return "yes"
    if value is False:
        return "no"
    if isinstance(value, (int, float)):
        # numpy numbers print as calls; the plain type does not.
        return repr(int(value) if isinstance(value, int) else float(value))
    text = str(value)
    if text in ("yes", "no"):
        return text
    if _DATE.match(text) or _NUMBER.match(text) or (_PLAIN.match(text) and text.lower() not in _RESERVED):
        return text
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _flow(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{key}: {_flow(item)}" for key, item in value.items()) + "}"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return "[" + ", ".join(_flow(item) for item in value) + "]"
    return scalar(value)


def _is_leaf_list(value: Any) -> bool:
    return isinstance(value, (list, tuple)) and not any(
        isinstance(item, Mapping) and not isinstance(item, OneLine) for item in value
    )


def _lines(tree: Mapping[str, Any], indent: int) -> list[str]:
    pad = " " * indent
    lines: list[str] = []
    for key, value in tree.items():
        if isinstance(value, OneLine) or (
            _is_leaf_list(value) and not any(isinstance(v, OneLine) for v in value)
        ):
            lines.append(f"{pad}{key}: {_flow(value)}")
        elif isinstance(value, Mapping):
            lines.append(f"{pad}{key}:")
            lines.extend(_lines(value, indent + 2))
        elif isinstance(value, (list, tuple)):
            lines.append(f"{pad}{key}:")
            for item in value:
                if isinstance(item, OneLine):
                    lines.append(f"{pad}  - {_flow(item)}")
                else:
                    block = _lines(item, indent + 4)
                    lines.append(f"{pad}  - {block[0].lstrip()}")
                    lines.extend(block[1:])
        else:
            lines.append(f"{pad}{key}: {scalar(value)}")
    return lines


def document(comments: Sequence[str], tree: Mapping[str, Any]) -> str:
    """Return a whole file: comment lines first, then the tree, one blank line between top-level keys."""
    parts = ["\n".join(f"# {line}" for line in comments)]
    parts.append("\n".join("\n".join(_lines({key: value}, 0)) for key, value in tree.items()))
    return "\n".join(parts) + "\n"
