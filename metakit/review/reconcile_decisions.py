"""The decisions file: one row a disagreement, filled in by whoever settles it, read back with every check."""

from __future__ import annotations

import csv
import datetime
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from metakit.errors import DataError, Problem, UnreadableError
from metakit.forms.csv_tables import read_csv
from metakit.review.reconcile_match import Compared, Side

COLUMNS = (
    "study", "field", "needed", "first_extractor", "first_value", "first_source", "second_extractor",
    "second_value", "second_source", "decision", "other_value", "decided_by", "decided_on", "reason",
)  # fmt: skip
FILLED_IN = COLUMNS[9:]
OTHER = "other"
BLANK = "(nothing)"
NO_LONGER = "no longer asked"
_RISKY = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What was decided about one field: an extractor's initials or "other", and who, when, why."""

    study: str
    field: str
    decision: str
    other_value: str
    decided_by: str
    decided_on: str
    reason: str
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A disagreement and the initials of the two people."""

    item: Compared
    people: tuple[str, str]


def decisions_text(asked: Sequence[Asked], filled: Mapping[tuple[str, str], Mapping[str, str]]) -> str:
    """Return the decisions file, keeping what was filled in before.

    Parameters
    ----------
    asked : sequence of Asked
        All disagreements, wording included.
    filled : mapping of (study, field) to row
        An earlier file; filled rows that are no longer asked stand at the end, so that nothing is lost.
    """
    stream = io.StringIO(newline="")
    out = csv.writer(stream, lineterminator="\n")
    out.writerow(COLUMNS)
    keys = set()
    for one in asked:
        item = one.item
        keys.add((item.study, item.address))
        fresh = _fresh(one)
        old = filled.get((item.study, item.address), {})
        unchanged = all(old.get(name) == fresh[name] for name in ("first_value", "second_value"))
        row = fresh | ({name: old[name] for name in FILLED_IN} if old and unchanged else {})
        out.writerow([_safe(row.get(name, "")) for name in COLUMNS])
    for key, old in filled.items():
        if key not in keys and any(old.get(name) for name in FILLED_IN):
            out.writerow([_safe(str((dict(old) | {"needed": NO_LONGER}).get(name, ""))) for name in COLUMNS])
    return stream.getvalue()


def _fresh(one: Asked) -> dict[str, str]:
    item = one.item
    return {
        "study": item.study,
        "field": item.address,
        "needed": "yes" if item.needs_decision else "no, wording",
        "first_extractor": one.people[0],
        "first_value": shown(item.first),
        "first_source": item.first.source,
        "second_extractor": one.people[1],
        "second_value": shown(item.second),
        "second_source": item.second.source,
    }


def shown(side: Side) -> str:
    """Return what a person typed, or a word for nothing."""
    return " ".join(side.typed.split()) or BLANK


def _safe(text: str) -> str:
    """Keep a spreadsheet from taking a text for a formula; numbers stay numbers."""
    try:
        float(text)
    except ValueError:
        return f"'{text}" if text.startswith(_RISKY) else text
    return text


def _bare(text: str) -> str:
    return text[1:] if text.startswith("'") and text[1:].startswith(_RISKY) else text


def read_rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    """Read a decisions file into rows with their lines.

    Raises
    ------
    UnreadableError
        When there is no such file, or it is no table with these columns.
    """
    if not path.is_file():
        raise UnreadableError([Problem(file=str(path), what="there is no such file")])
    sheet = read_csv(path, str(path))
    header = [str(cell) for cell in sheet.rows[0][1]] if sheet.rows else []
    lacking = [name for name in COLUMNS if name not in header]
    if lacking or len(set(header)) != len(header):
        what = f"columns are missing: {', '.join(lacking)}" if lacking else "a column stands there twice"
        raise UnreadableError([Problem(file=str(path), line=1, what=what, allowed=", ".join(COLUMNS))])
    odd = [
        Problem(file=str(path), line=line, what=f"{len(cells)} cells, but the header has {len(header)}")
        for line, cells in sheet.rows[1:]
        if len(cells) != len(header)
    ]
    if odd:
        raise UnreadableError(odd)
    return [
        (line, {name: _bare(str(cell)) for name, cell in zip(header, cells, strict=True)})
        for line, cells in sheet.rows[1:]
    ]


def read_decisions(path: Path, asked: Sequence[Asked]) -> dict[tuple[str, str], Decision]:
    """Read the decisions that were filled in, each checked against the disagreement that it settles.

    Raises
    ------
    UnreadableError, DataError
        With every faulty row at once.
    """
    known = {(one.item.study, one.item.address): one for one in asked}
    decisions: dict[tuple[str, str], Decision] = {}
    problems: list[Problem] = []
    for line, row in read_rows(path):
        if row["needed"] == NO_LONGER or not any(row[name] for name in FILLED_IN):
            continue
        key = (row["study"], row["field"])
        one = known.get(key)
        faults = _faults(row, one)
        if key in decisions:
            faults.append(("field", f"decided in line {decisions[key].line} already", "one row a field"))
        problems += [
            Problem(file=str(path), line=line, field=name, what=what, found=row[name][:80], allowed=allowed)
            for name, what, allowed in faults
        ]
        decisions.setdefault(
            key,
            Decision(
                study=row["study"],
                field=row["field"],
                line=line,
                **{name: row[name] for name in FILLED_IN},
            ),
        )
    if problems:
        raise DataError(problems)
    return decisions


def _faults(row: Mapping[str, str], one: Asked | None) -> list[tuple[str, str, str]]:
    if one is None:
        return [("field", "the two records do not disagree about this field", "a row as reconcile wrote it")]
    faults = []
    for name, side in (("first_value", one.item.first), ("second_value", one.item.second)):
        if row[name] != shown(side):
            faults.append((name, "the record says something else now; decide again", shown(side)))
    allowed = (*one.people, *(() if one.item.kind == "entry" else (OTHER,)))
    if row["decision"] not in allowed:
        faults.append(("decision", "whose value is right?", " or ".join(allowed)))
    if (row["decision"] == OTHER) != bool(row["other_value"]):
        faults.append(("other_value", "filled in when, and only when, the decision is other", "a value"))
    for name in ("decided_by", "reason"):
        if not row[name]:
            faults.append((name, "a decision says who took it and why", "a text"))
    try:
        datetime.date.fromisoformat(row["decided_on"])
    except ValueError:
        faults.append(("decided_on", "not a date", "year-month-day, such as 2026-05-31"))
    return faults
