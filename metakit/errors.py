"""What can go wrong, in words: what was wrong, where, what is allowed, what to try.

Every error that a user can cause is a `MetakitError`. Each class carries the exit status
that the command line ends with: 1 the data have problems, 2 wrong use or unreadable input,
3 not estimable.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

Severity = Literal["error", "question", "answered"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing that is wrong, or asked, at one place of the input.

    A `question` is something unusual that an extractor can answer ("mean age 84?");
    an `error` must be mended before the record can be used; an `answered` question was signed in the record.
    `rule` and `address` (the field by what its entries are, not by position) are how an answer names it.
    """

    file: str
    what: str
    line: int | None = None
    column: int | None = None
    field: str = ""
    found: str = ""
    allowed: str = ""
    hint: str = ""
    severity: Severity = "error"
    rule: str = ""
    address: str = ""
    answer: str = ""

    def __str__(self) -> str:
        place = ":".join(str(part) for part in (self.file, self.line, self.column) if part is not None)
        text = f"{place}: {self.severity}: "
        text += f"{self.field}: {self.what}" if self.field else self.what
        parts = [
            ("found", self.found),
            ("allowed", self.allowed),
            ("hint", self.hint),
            ("answer", self.answer),
        ]
        text += "".join(f"; {label}: {value}" for label, value in parts if value)
        return text + (f" [{self.rule}]" if self.rule and self.severity != "error" else "")


class MetakitError(Exception):
    """Base of every error that a user can cause."""

    exit_status: int = 2


class UsageError(MetakitError):
    """The call itself is wrong: an option, a name, a combination."""


class UnknownNameError(UsageError):
    """A name that is in no registry or vocabulary; the message names the nearest valid ones."""

    def __init__(self, kind: str, name: str, valid: Iterable[str]) -> None:
        self.kind, self.name, self.valid = kind, name, tuple(valid)
        near = nearest_names(name, self.valid)
        all_of_them = (
            f"; valid: {', '.join(self.valid)}" if near.startswith("did") and len(self.valid) <= 12 else ""
        )
        super().__init__(f"unknown {kind} {name!r}; {near}{all_of_them}")

    def __reduce__(self) -> tuple[type[UnknownNameError], tuple[str, str, tuple[str, ...]]]:
        return type(self), (self.kind, self.name, self.valid)


class ProblemsError(MetakitError):
    """Input with problems; all of them at once."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type[ProblemsError], tuple[tuple[Problem, ...]]]:
        return type(self), (self.problems,)


class DataError(ProblemsError):
    """The input can be read, but what it says cannot be right."""

    exit_status = 1


class UnreadableError(ProblemsError):
    """The input cannot be read at all: wrong syntax, encoding, file type, or no file."""

    exit_status = 2


class NotEstimableError(MetakitError):
    """The data hold no answer to this question; the message says why and what could be asked instead."""

    exit_status = 3


class ConvergenceError(NotEstimableError):
    """An iteration did not settle; no number is given rather than an unsettled one."""


def nearest_names(name: str, valid: Iterable[str], *, most: int = 3) -> str:
    """Say which valid names are close to `name`, or list what is valid when none is close."""
    names = sorted(valid)
    near = difflib.get_close_matches(name, names, n=most, cutoff=0.6)
    if near:
        return "did you mean " + " or ".join(near) + "?"
    shown = ", ".join(names[:12]) + (", ..." if len(names) > 12 else "")
    return f"valid: {shown}" if names else "there are none"
