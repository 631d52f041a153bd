"""Texts, numbers and paths of the command line taken as they are, without building a schema for each.

Newer versions of typer build a validator for every option of a command before it runs, a fifth of a second
and more. What needs none is taken here; whatever is not plainly right goes the usual way, which also says so.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, get_args

from typer.core import TyperCommand, TyperGroup

_TAKEN: dict[type, tuple[str, Callable[[str], Any]]] = {
    bool: (r"(?!)", bool),  # flags come as truth values; their words go the usual way
    str: (r"(?s).*", str),
    Path: (r"(?s).+", Path),
    int: (r"[-+]?\d{1,15}", int),
    float: (r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d{1,3})?", float),
}
_CHECKS = (
    "parser", "click_type", "min", "max", "exists", "resolve_path", "allow_dash", "path_type", "writable",
)  # fmt: skip


def take_plain_values(parameters: Sequence[Any]) -> None:
    """Let these parameters of a command take their values plainly, where their kind allows it."""
    for parameter in parameters:
        kind = _kind(parameter)
        usual = getattr(parameter, "get_runtime_param", None)
        if kind is not None and usual is not None and not isinstance(usual, _Way):
            parameter.get_runtime_param = _Way(kind, usual)


def _kind(parameter: Any) -> type | None:
    """Return the plain kind of a parameter, None for any that is checked otherwise."""
    asked = getattr(parameter, "type_descriptor", None)
    if asked is None or parameter.multiple or parameter.nargs != 1:
        return None
    if any(getattr(asked.parameter_info, check, None) for check in _CHECKS):
        return None
    kinds = [kind for kind in get_args(asked.annotation) or (asked.annotation,) if kind is not type(None)]
    return kinds[0] if len(kinds) == 1 and kinds[0] in _TAKEN else None


class _Way:
    """Stands in for the method of a parameter that gives its validator, and for that validator."""

    def __init__(self, kind: type, usual: Callable[[], Any]) -> None:
        self._kind, self._usual = kind, usual

    def __call__(self) -> _Way:
        return self

    def coerce(self, value: Any, **others: Any) -> Any:
        """Return the value in its kind; the usual way where it is not plainly of that kind."""
        pattern, make = _TAKEN[self._kind]
        if value is None or type(value) is self._kind:
            return value
        if isinstance(value, str) and re.fullmatch(pattern, value):
            return make(value)
        return self._usual().coerce(value, **others)


class PlainCommand(TyperCommand):
    """A command that takes plain values plainly."""

    def get_params(self, ctx: Any) -> Any:
        """Return all parameters, that of the help as well."""
        found = super().get_params(ctx)
        take_plain_values(found)
        return found


class PlainGroup(TyperGroup):
    """A group of commands that takes plain values plainly."""

    def get_params(self, ctx: Any) -> Any:
        """Return all parameters, that of the help as well."""
        found = super().get_params(ctx)
        take_plain_values(found)
        return found
