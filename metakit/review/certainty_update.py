"""The certainty file brought up to date: only what the software says changes; comments and layout stay.

Entries that say the same stay to the letter. One that says something else is written anew where nobody put a
comment into it; otherwise its values are replaced one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import yaml

from metakit.core.files import write_atomically
from metakit.core.records import CertaintyJudgement
from metakit.errors import DataError, UsageError
from metakit.forms.library import Library
from metakit.forms.splice import add_entry, plain_of, set_value
from metakit.review.certainty import CERTAINTY, KEEPS, certainty_text, entry_of, read_certainty
from metakit.review.typed_certainty import seal_of

_ORDER = (
    "analysis", "answer", "start", "start_because", "rests_on", "covers", "older", "domains", "signed_by",
    "signed_on", "note", "earlier",
)  # fmt: skip
_LIST = "judgements"
_WHOLE = ("form", "form_version", KEEPS, _LIST)


def saved_judgements(folder: Path, library: Library) -> tuple[CertaintyJudgement, ...]:
    """Return what the certainty file says at this moment.

    Raises
    ------
    DataError
        When somebody saved something with an error in it meanwhile; nothing is to be written then.
    """
    reading = read_certainty(folder, library, None)
    if reading is None:
        return ()
    errors = [problem for problem in reading.problems if problem.severity == "error"]
    if errors:
        raise DataError(errors)
    return reading.judgements


def update_certainty(
    folder: Path,
    old: Sequence[CertaintyJudgement],
    new: Sequence[CertaintyJudgement],
    *,
    invented: bool = False,
) -> Path:
    """Write judgements over those that the file holds now; call it while holding the review's lock.

    Parameters
    ----------
    folder : Path
    old : sequence of CertaintyJudgement
        Of `saved_judgements`, under the same lock.
    new : sequence of CertaintyJudgement
    invented : bool
        Whether a new file says that its data are invented.
    """
    file = folder / CERTAINTY
    if not file.is_file():
        return write_atomically(file, certainty_text(tuple(new), invented=invented), within=file.parent)
    text = file.read_bytes().decode("utf-8")
    changed = updated_text(text, old, new)
    if changed != text and KEEPS not in plain_of(text):
        # From now on facts taken out show; signatures from before facts were kept are sealed as they are.
        if all(item.covers is None for item in old):
            new = [replace(item, older=seal_of(item)) if _from_before(item) else item for item in new]
        changed = set_value(updated_text(text, old, new), (KEEPS,), "yes", order=lambda _: _WHOLE)
    return file if changed == text else write_atomically(file, changed.encode(), within=file.parent)


def _from_before(item: CertaintyJudgement) -> bool:
    return bool(item.signed_by) and item.covers is None


def updated_text(text: str, old: Sequence[CertaintyJudgement], new: Sequence[CertaintyJudgement]) -> str:
    """Return the text of a certainty file with the new judgements in it, everything else as it was."""
    if "\r\n" in text:
        return updated_text(text.replace("\r\n", "\n"), old, new).replace("\n", "\r\n")
    place = {item.analysis: number for number, item in enumerate(old)}
    for item in new:
        at = place.get(item.analysis)
        if at is None:
            text = _with_new(text, item)
        elif replace(old[at], place=None) != replace(item, place=None):
            text = _with_changed(text, at, item)
    return text


def _with_new(text: str, item: CertaintyJudgement) -> str:
    """Put a new entry behind the others, spread out to be filled in."""
    sequence = _entries(text)
    if sequence is None or sequence.flow_style or not sequence.value:
        return add_entry(text, (_LIST,), _filled(entry_of(item)))
    lines = text.split("\n")
    end = _end_of(lines, sequence, len(sequence.value) - 1)
    block = _block(item, int(sequence.start_mark.column))
    return _checked(text, "\n".join([*lines[:end], *block, *lines[end:]]), len(sequence.value), item)


def _with_changed(text: str, at: int, item: CertaintyJudgement) -> str:
    sequence = _entries(text)
    if sequence is not None and not sequence.flow_style:
        lines = text.split("\n")
        start, end = int(sequence.value[at].start_mark.line), _end_of(lines, sequence, at)
        if not any(line.lstrip().startswith("#") or " #" in line for line in lines[start:end]):
            block = _block(item, int(sequence.start_mark.column))
            return _checked(text, "\n".join([*lines[:start], *block, *lines[end:]]), at, item)
    before = plain_of(text)[_LIST][at]
    for key, value in entry_of(item).items():
        if key == "domains" and not isinstance(value, str):
            for line in value:
                text = _with_domain(text, at, dict(line))  # type: ignore[arg-type]
        elif before.get(key, "") != value:
            text = set_value(text, (_LIST, at, key), value, order=lambda _: _ORDER)
    return text


def _with_domain(text: str, at: int, line: dict[str, str]) -> str:
    """Bring one domain of an entry up to date, value by value."""
    there = plain_of(text)[_LIST][at]["domains"]
    number = next((n for n, item in enumerate(there) if item["domain"] == line["domain"]), None)
    if number is None:
        return add_entry(text, (_LIST, at, "domains"), line)
    for key, value in line.items():
        if there[number].get(key, "") != value:
            text = set_value(text, (_LIST, at, "domains", number, key), value)
    return text


def _filled(value: Any) -> Any:
    """Leave out blanks, which have no place in braces."""
    if isinstance(value, dict):
        return {key: _filled(item) for key, item in value.items() if item}
    return [_filled(item) for item in value] if isinstance(value, list) else value


def _entries(text: str) -> yaml.SequenceNode | None:
    root = yaml.compose(text, Loader=yaml.SafeLoader)
    if isinstance(root, yaml.MappingNode):
        for key, value in root.value:
            if key.value == _LIST and isinstance(value, yaml.SequenceNode):
                return value
    return None


def _end_of(lines: Sequence[str], sequence: yaml.SequenceNode, at: int) -> int:
    """Return the line behind an entry; comments and blanks behind it belong to what follows."""
    following = sequence.value[at + 1 :]
    end = int(following[0].start_mark.line if following else sequence.end_mark.line)
    end = min(end, len(lines))
    start = int(sequence.value[at].start_mark.line)
    while end > start + 1 and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
        end -= 1
    return end


def _block(item: CertaintyJudgement, indent: int) -> list[str]:
    """Return the lines of an entry at the indent that the file has."""
    lines = certainty_text((item,)).rstrip("\n").split("\n")
    first = next(number for number, line in enumerate(lines) if line.lstrip().startswith("- analysis"))
    own = len(lines[first]) - len(lines[first].lstrip())
    return [f"{' ' * indent}{line[own:]}" if line.strip() else line for line in lines[first:]]


def _checked(text: str, changed: str, at: int, item: CertaintyJudgement) -> str:
    """Return a changed text if it holds the old entries and the new one, and nothing else."""
    before, after = plain_of(text), plain_of(changed)
    expected = [*before[_LIST]]
    expected[at : at + 1] = [after[_LIST][at]]
    mine = {key: value for key, value in after[_LIST][at].items() if value}
    typed = {key: value for key, value in entry_of(item).items() if value}
    if {**before, _LIST: expected} != after or set(mine) != set(typed):
        raise UsageError(f"{CERTAINTY} cannot be changed without touching its neighbours; edit it by hand")
    return changed
