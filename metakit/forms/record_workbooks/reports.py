"""Putting the problems of a file in order."""

from __future__ import annotations

import re

from metakit.errors import Problem
from metakit.forms.record_workbooks.layout import Path, key_of


def position_of(problem: Problem, order: list[str]) -> tuple[int, int, int, str]:
    """Return where a problem stands among the sheets, for sorting."""
    found = re.search(r"> (.+)!([A-Z]+)(\d+)$", problem.file)
    if not found or key_of(found[1]) not in order:
        return (-1, problem.line or 0, problem.column or 0, "")
    return (order.index(key_of(found[1])), int(found[3]), len(found[2]), found[2])


def explained_by_missing(problem: Problem, missing: list[Path]) -> bool:
    """Say whether a missing heading or sheet explains that a value is asked for."""
    if not problem.what.startswith("a value is required"):
        return False
    path = tuple(re.sub(r"\[\d+\]", "", problem.field).split("."))
    return any(path[: len(gone)] == gone or gone[: len(path)] == path for gone in missing if gone)
