"""What a YAML syntax error means in plain words, where it was made rather than where it was noticed."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import yaml

from metakit.errors import Problem

_CLOSING = {"[": "]", "{": "}"}


@dataclass(frozen=True, slots=True)
class OpenBracket:
    """A bracket that is open where reading stopped; line and column start at 1."""

    sign: str
    line: int
    column: int


@dataclass(frozen=True, slots=True)
class _Scene:
    """What is known where reading stopped: lines and columns start at 0, as the parser counts."""

    lines: Sequence[str]
    line: int
    column: int
    start_line: int | None
    start_column: int | None
    context: str
    problem: str
    bracket: OpenBracket | None

    @property
    def text(self) -> str:
        return self.lines[self.line] if self.line < len(self.lines) else ""

    @property
    def sign(self) -> str:
        return self.text[self.column : self.column + 1]

    def above(self) -> tuple[int, str]:
        """Return number (from 1) and text of the last filled line above."""
        for number in range(min(self.line, len(self.lines)) - 1, -1, -1):
            if self.lines[number].strip() and not self.lines[number].lstrip().startswith("#"):
                return number + 1, self.lines[number]
        return 0, ""


@dataclass(frozen=True, slots=True)
class _Answer:
    what: str
    hint: str
    line: int
    column: int


def syntax_problem(error: yaml.YAMLError, text: str, name: str, brackets: Sequence[OpenBracket]) -> Problem:
    """Put a parser's error into plain words.

    Parameters
    ----------
    error : yaml.YAMLError
        As raised by either of the two YAML parsers.
    text : str
        The file.
    name : str
        How messages name the file.
    brackets : sequence of OpenBracket
        Brackets open where reading stopped, the innermost last.
    """
    noticed: Any = getattr(error, "problem_mark", None)
    started: Any = getattr(error, "context_mark", None)
    scene = _Scene(
        lines=text.splitlines(),
        line=noticed.line if noticed else 0,
        column=noticed.column if noticed else 0,
        start_line=started.line if started else None,
        start_column=started.column if started else None,
        context=getattr(error, "context", None) or "",
        problem=getattr(error, "problem", None) or "",
        bracket=brackets[-1] if brackets else None,
    )
    for explain in _EXPLANATIONS:
        answer = explain(scene)
        if answer is not None:
            break
    else:
        answer = _Answer(
            f"this cannot be read as YAML ({scene.problem or error})", "", scene.line, scene.column
        )
    found = scene.text.strip()
    return Problem(
        file=name,
        what=answer.what,
        line=answer.line + 1,
        column=answer.column + 1,
        found=found if len(found) <= 80 else found[:77] + "...",
        hint=answer.hint,
    )


def _depth(scene: _Scene) -> _Answer | None:
    if "nesting depth" not in scene.problem:
        return None
    return _Answer("fields stand too deep inside each other", "", scene.line, scene.column)


def _tab(scene: _Scene) -> _Answer | None:
    indent = scene.text[: len(scene.text) - len(scene.text.lstrip())]
    if "\t" not in indent and scene.sign != "\t":
        return None
    return _Answer(
        "a tab character in the indentation", "use spaces to indent, two a level", scene.line, scene.column
    )


def _quote(scene: _Scene) -> _Answer | None:
    if "quoted scalar" not in scene.context or scene.start_line is None or scene.start_column is None:
        return None
    if "escape" in scene.problem:
        return _Answer(
            "a backslash inside double quotes",
            "write the text in single quotes, or double the backslash",
            scene.line,
            scene.column,
        )
    sign = scene.lines[scene.start_line][scene.start_column : scene.start_column + 1]
    return _Answer(
        f"the quotation mark {sign} opened here is never closed",
        f"close it on line {scene.start_line + 1}; inside single quotes an apostrophe is typed twice",
        scene.start_line,
        scene.start_column,
    )


def _bracket(scene: _Scene) -> _Answer | None:
    bracket = scene.bracket
    if bracket is None or (
        "flow" not in scene.context + scene.problem and not scene.context.startswith("while scanning")
    ):
        return None
    close = _CLOSING[bracket.sign]
    where = f"line {bracket.line}, column {bracket.column}"
    same_line = scene.line == bracket.line - 1
    if scene.sign in ("]", "}") and scene.sign != close:
        return _Answer(
            f"'{close}' expected for the '{bracket.sign}' opened on {where}",
            f"close it with '{close}'",
            scene.line,
            scene.column,
        )
    if scene.sign == ",":
        return _Answer(
            "a comma without a value before it", "delete the comma or add the value", scene.line, scene.column
        )
    if (same_line and scene.sign in (":", "?", "-", "#")) or (
        same_line and scene.text[scene.column :].strip()
    ):
        return _Answer(
            f"something is wrong inside the '{bracket.sign}' opened on {where}",
            "set entries apart with commas; put text that holds : or ? or # in double quotes",
            scene.line,
            scene.column,
        )
    return _Answer(
        f"the bracket '{bracket.sign}' opened on {where} is not closed",
        f"add '{close}' at the end of that list; it was noticed on line {scene.line + 1}",
        bracket.line - 1,
        bracket.column - 1,
    )


def _closing_alone(scene: _Scene) -> _Answer | None:
    if scene.sign not in ("]", "}"):
        return None
    return _Answer(
        f"a closing '{scene.sign}' without an opening one",
        "delete it, or add the missing opening one",
        scene.line,
        scene.column,
    )


def _start(scene: _Scene) -> _Answer | None:
    if "cannot start any token" not in scene.problem:
        return None
    return _Answer(
        f"a text cannot start with {scene.sign}", "put the text in double quotes", scene.line, scene.column
    )


def _colon(scene: _Scene) -> _Answer | None:
    if "mapping values are not allowed" not in scene.problem:
        return None
    if re.search(r":\s", scene.text[: scene.column]):
        return _Answer(
            "a colon inside a text", "put the whole text in double quotes", scene.line, scene.column
        )
    number, above = scene.above()
    if re.match(r"\s*(?:- )?\w+:\S", above):
        return _Answer(
            "a space is missing after a colon",
            f"write a space after the colon on line {number}",
            number - 1,
            above.index(":"),
        )
    return _Answer(
        f"this line is indented deeper than line {number}, which already has a value",
        "indent fields of one group alike",
        scene.line,
        len(scene.text) - len(scene.text.lstrip()),
    )


def _no_colon(scene: _Scene) -> _Answer | None:
    if "could not find expected ':'" not in scene.problem or scene.start_line is None:
        return None
    return _Answer(
        "a line without a colon",
        "write 'name: value'; a long text goes on one line in double quotes",
        scene.start_line,
        scene.start_column or 0,
    )


def _dash(scene: _Scene) -> _Answer | None:
    if "sequence entries are not allowed" not in scene.problem:
        return None
    return _Answer(
        "a list entry '- ' in the middle of a line",
        "start each entry on a line of its own",
        scene.line,
        scene.column,
    )


def _block_text(scene: _Scene) -> _Answer | None:
    if "block scalar" not in scene.context:
        return None
    return _Answer(
        "text behind the sign > or |",
        "put a text that starts with > or | in double quotes",
        scene.line,
        scene.column,
    )


def _indentation(scene: _Scene) -> _Answer | None:
    if "block mapping" not in scene.context and "block collection" not in scene.context:
        return None
    before = scene.text[: scene.column].rstrip()
    if before.endswith(('"', "'")):
        return _Answer(
            "text behind a closing quotation mark",
            "put the whole text in double quotes; inside single quotes an apostrophe is typed twice",
            scene.line,
            scene.column,
        )
    number, _ = scene.above()
    return _Answer(
        f"the indentation of this line fits no line above (line {number} is the one before)",
        "indent fields of one group alike, and each '- ' of one list alike",
        scene.line,
        scene.column,
    )


_EXPLANATIONS: tuple[Callable[[_Scene], _Answer | None], ...] = (
    _depth,
    _quote,
    _bracket,
    _tab,
    _closing_alone,
    _start,
    _colon,
    _no_colon,
    _dash,
    _block_text,
    _indentation,
)
