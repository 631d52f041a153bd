"""Characters of a page put together to words, lines and cells, along the direction of the type. Pure.

Nothing depends on how a page is shown: a table that stands sideways on its page is read along its own lines.
Raised and lowered marks are found by where they stand, not by the order in which the file holds them.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from metakit.core.boxes import Box

WORD_GAP = 0.2
"""A gap between words, in units of the size of the type."""
CELL_GAP = 0.65
"""A gap between cells of a table, in the same units; spaces in justified text are narrower."""
SAME_LINE = 0.16
"""How far base lines of one line may lie apart."""
_RAISED = dict(
    zip("0123456789+-=()abcdefghijklmnoprstuvwxyz", "⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻⁼⁽⁾ᵃᵇᶜᵈᵉᶠᵍʰⁱʲᵏˡᵐⁿᵒᵖʳˢᵗᵘᵛʷˣʸᶻ", strict=True)
)
_LOWERED = dict(zip("0123456789+-=()aehijklmnoprstuvx", "₀₁₂₃₄₅₆₇₈₉₊₋₌₍₎ₐₑₕᵢⱼₖₗₘₙₒₚᵣₛₜᵤᵥₓ", strict=True))


@dataclass(frozen=True, slots=True)
class Character:
    """One character: its box and origin in page coordinates, and the angle of its line in radians."""

    text: str
    box: Box
    origin: tuple[float, float]
    angle: float = 0.0


_Placed = tuple[float, float, float, float, Character]
"""A character by its line: base, start, end, size."""


@dataclass(slots=True, kw_only=True)
class Word:
    """A word with its box in page coordinates.

    `cell` counts the runs of words without a wider gap, such as the cells of a table; `line` the lines.
    """

    text: str
    box: Box
    cell: int = 0
    line: int = 0


@dataclass(slots=True)
class _Run:
    """Characters in a row: along their line from `start` to `end`, on a base line, of one size."""

    text: str
    start: float
    end: float
    base: float
    size: float
    boxes: list[Box] = field(default_factory=list)
    marks: list[tuple[float, str, Box]] = field(default_factory=list)


def words_of(characters: Sequence[Character]) -> tuple[Word, ...]:
    """Return the words of a page, line by line: first those in the direction that most of the text has.

    Parameters
    ----------
    characters : sequence of Character
        In any order; spaces part words.

    Returns
    -------
    tuple of Word
    """
    by_direction: dict[int, list[Character]] = {}
    for character in characters:
        by_direction.setdefault(_direction(character.angle), []).append(character)
    words: list[Word] = []
    cells = lines = 0
    for degrees in sorted(by_direction, key=lambda degrees: (-len(by_direction[degrees]), degrees)):
        for line in _lines_of_cells(_without_marks(_runs(by_direction[degrees], math.radians(degrees)))):
            for cell in line:
                words += [
                    Word(text=_text(run), box=_around(run.boxes), cell=cells, line=lines) for run in cell
                ]
                cells += 1
            lines += 1
    return tuple(words)


def words_in(words: Iterable[Word], box: Box) -> tuple[Word, ...]:
    """Return the words of which at least half of the area lies in a box."""
    return tuple(word for word in words if _shared(word.box, box) >= 0.5)


def quote_of(words: Iterable[Word]) -> str:
    """Write words as they follow each other."""
    return " ".join(word.text for word in words)


def around(words: Iterable[Word]) -> Box:
    """Return the box around words, of which there must be one."""
    return _around([word.box for word in words])


def _direction(angle: float) -> int:
    """Return the direction of a line in whole degrees; a quarter turn swallows what is within three of it."""
    degrees = round(math.degrees(angle)) % 360
    quarter = round(degrees / 90) * 90
    return quarter % 360 if abs(degrees - quarter) <= 3 else degrees


def _runs(members: Sequence[Character], angle: float) -> list[_Run]:
    """Group characters of one direction to words: by base line, then along it."""
    cosine, sine = math.cos(angle), math.sin(angle)

    def along(x: float, y: float) -> float:
        return x * cosine + y * sine

    def across(x: float, y: float) -> float:
        return -x * sine + y * cosine

    placed: list[_Placed] = []
    for character in members:
        left, bottom, right, top = character.box
        corners = ((left, bottom), (left, top), (right, bottom), (right, top))
        spans = [along(*corner) for corner in corners]
        heights = [across(*corner) for corner in corners]
        size = max(heights) - min(heights)
        placed.append((across(*character.origin), min(spans), max(spans), size, character))
    runs: list[_Run] = []
    for line in _lines(placed):
        now: _Run | None = None
        for base, start, end, size, character in sorted(line, key=lambda item: item[1:3]):
            if not character.text.strip():
                now = None
                continue
            if now is not None and character.text == now.text[-1:] and start - now.end < -0.6 * (end - start):
                now.boxes.append(character.box)  # type set twice, a little apart, to look bold
                continue
            alike = now is not None and abs(size - now.size) <= 0.12 * max(size, now.size)
            if now is None or not alike or start - now.end > WORD_GAP * size:
                now = _Run("", start, end, base, size)
                runs.append(now)
            now.text += character.text
            now.end = max(now.end, end)
            now.boxes.append(character.box)
    return runs


def _lines(placed: Sequence[_Placed]) -> list[list[_Placed]]:
    """Part characters by base line; a line spans less than a sixth of the size of its type."""
    lines: list[list[_Placed]] = []
    for item in sorted(placed, key=lambda item: item[0]):
        first = lines[-1][0] if lines else None
        if first is not None and item[0] - first[0] <= SAME_LINE * max(min(item[3], first[3]), 1.0):
            lines[-1].append(item)
        else:
            lines.append([item])
    return lines


def _without_marks(runs: list[_Run]) -> list[_Run]:
    """Give raised and lowered marks to the words that they stand at."""
    sizes = sorted({run.size for run in runs})
    if len(sizes) < 2:
        return runs
    kept: list[_Run] = []
    small = [run for run in runs if run.size < 0.85 * sizes[-1] and len(run.text) <= 6]
    hosts: dict[int, _Run] = {}
    for mark in small:
        best: tuple[float, _Run] | None = None
        for run in runs:
            if run is mark or mark.size > 0.85 * run.size:
                continue
            shift = (mark.base - run.base) / run.size
            if not (0.08 <= shift <= 0.75 or -0.4 <= shift <= -0.06):
                continue
            behind, before = mark.start - run.end, run.start - mark.end
            gap = behind if behind >= before else before + 0.05 * run.size
            if -0.15 * run.size <= gap <= 0.35 * run.size and (best is None or abs(gap) < best[0]):
                best = (abs(gap), run)
        if best is not None:
            hosts[id(mark)] = best[1]
    for run in runs:
        host = hosts.get(id(run))
        if host is None or id(host) in hosts:
            kept.append(run)
            continue
        table = _RAISED if run.base > host.base else _LOWERED
        host.marks.append(
            (run.start, "".join(table.get(sign, sign) for sign in run.text), _around(run.boxes))
        )
        host.boxes += run.boxes
    return kept


def _lines_of_cells(runs: list[_Run]) -> list[list[list[_Run]]]:
    """Return lines from the top, each with its cells: words that follow each other without a wider gap."""
    lines: list[list[_Run]] = []
    for run in sorted(runs, key=lambda run: -run.base):
        if not lines or lines[-1][0].base - run.base > SAME_LINE * max(run.size, 1.0):
            lines.append([])
        lines[-1].append(run)
    found: list[list[list[_Run]]] = []
    for line in lines:
        cells: list[list[_Run]] = []
        for run in sorted(line, key=lambda run: run.start):
            last = cells[-1][-1] if cells else None
            if last is None or run.start - _end(last) > CELL_GAP * max(run.size, last.size):
                cells.append([])
            cells[-1].append(run)
        found.append(cells)
    return found


def _end(run: _Run) -> float:
    """Return where a word ends, its marks included."""
    return run.end + sum(0.3 * run.size * len(text) for start, text, _ in run.marks if start >= run.start)


def _text(run: _Run) -> str:
    before = "".join(text for start, text, _ in sorted(run.marks) if start < run.start)
    behind = "".join(text for start, text, _ in sorted(run.marks) if start >= run.start)
    return unicodedata.normalize("NFC", before + run.text + behind)


def _around(boxes: Sequence[Box]) -> Box:
    lefts, bottoms, rights, tops = zip(*boxes, strict=True)
    return min(lefts), min(bottoms), max(rights), max(tops)


def _shared(word: Box, box: Box) -> float:
    """Return the part of a word's area that lies in a box."""
    width = min(word[2], box[2]) - max(word[0], box[0])
    height = min(word[3], box[3]) - max(word[1], box[1])
    area = (word[2] - word[0]) * (word[3] - word[1])
    return width * height / area if width > 0 and height > 0 and area > 0 else 0.0
