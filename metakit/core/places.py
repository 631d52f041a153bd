"""Names of files as they stand in files: within their folder, the same on every system, behind no link.

A review may come from anybody. What it says about where a file is goes through `place_within`, whoever reads
or writes; nothing is written through a symbolic link (`refuse_links`).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from fnmatch import fnmatchcase
from pathlib import Path

from metakit.errors import Problem, UnreadableError

LONGEST_NAME = 200
_LONGEST_PART = 240  # bytes: a temporary neighbour's name is longer, and 255 is the most a system stores
RESERVED = frozenset(
    {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in "123456789")}
)
"""Names that mean devices on some systems, whatever their ending."""
_NOT_IN_NAMES = re.compile(r'[\x00-\x1f\x7f\\:*?"<>|]')


class WrongPlaceError(ValueError):
    """A name that may not be followed; the message says why in words."""


def name_fault(name: object) -> str:
    """Say why a text is no name of a file within a folder; empty when it is one.

    Parts are separated by '/'. A good name means one and the same file on every system.
    """
    if not isinstance(name, str):
        return "a name that is no text"
    try:
        name.encode()
    except UnicodeEncodeError:
        return "a name that is no text"
    parts = name.split("/")
    if name.startswith("/") or any(part in ("", ".", "..") for part in parts):
        return "a name that leads out of its folder"
    odd = _NOT_IN_NAMES.search(name) or any(unicodedata.category(sign) in ("Cc", "Cf", "Cs") for sign in name)
    if odd or any(part != part.strip(" ") or part[-1] == "." for part in parts):
        return "a name that not every system can hold"
    if any(part.partition(".")[0].rstrip(" ").casefold() in RESERVED for part in parts):
        return "a name that means a device on some systems"
    if len(name) > LONGEST_NAME or any(len(part.encode()) > _LONGEST_PART for part in parts):
        return f"a name longer than {LONGEST_NAME} characters"
    return ""


def place_within(folder: Path, name: object, shapes: Iterable[str]) -> Path:
    """Return the place within a folder that a name from a file means.

    Parameters
    ----------
    folder : Path
        Trusted: the user named it.
    name : object
        From a file, so of any type and content.
    shapes : iterable of str
        What may be named, part by part, such as "records/*.yaml".

    Raises
    ------
    WrongPlaceError
        When the name leads elsewhere, lies behind a symbolic link, or no system could hold it.
    """
    fault = name_fault(name)
    if fault:
        raise WrongPlaceError(fault)
    parts = str(name).split("/")
    if any(part.startswith(".") for part in parts) or not any(
        len(parts) == len(wanted := shape.split("/"))
        and all(map(fnmatchcase, map(str.casefold, parts), wanted))
        for shape in shapes
    ):
        raise WrongPlaceError("a name of another place")
    path = folder.joinpath(*parts)
    if first_link(folder, path):
        raise WrongPlaceError("a place behind a symbolic link")
    return path


def first_link(folder: Path, path: Path) -> Path | None:
    """Return the first symbolic link on the way from a folder to a path within it, None without one."""
    inner = path.relative_to(folder).parts
    steps = (folder.joinpath(*inner[: n + 1]) for n in range(len(inner)))
    return next((step for step in steps if step.is_symlink()), None)


def refuse_links(folder: Path, path: Path) -> None:
    """Stop before anything is written through a symbolic link within a folder.

    Raises
    ------
    UnreadableError
        Naming the link.
    """
    link = first_link(folder, path)
    if link is not None:
        what = "a symbolic link; nothing is written through it"
        hint = "put the file or folder itself in its place"
        raise UnreadableError([Problem(file=str(link), what=what, hint=hint)])
