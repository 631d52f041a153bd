"""The decisions: one row a disagreement, filled in by whoever settles it, read back with every check.

They stand in a workbook, or in a CSV file with the same columns.
"""

from __future__ import annotations

import csv
import datetime
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import zip_longest
from pathlib import Path

from metakit.core.nouns import nouns
from metakit.errors import DataError, Problem, UnreadableError
from metakit.forms.field_words import plain_words
from metakit.forms.record_workbooks.cell_texts import EMPTY_LIST
from metakit.forms.sheets.csv_tables import guarded, read_csv, unguarded
from metakit.forms.sheets.sheet_rows import Cell
from metakit.review.reconciling.reconcile_compared import Compared, Side

COLUMNS = (
    "study", "what", "field", "needed", "first_extractor", "first_value", "first_source", "second_extractor",
    "second_value", "second_source", "decision", "other_value", "decided_by", "decided_on", "reason",
)  # fmt: skip
FILLED_IN = COLUMNS[10:]
_ABOUT = ("study", "field", "first_value", "second_value")
OTHER = "other"
YES_OR_NO = ("yes", "no")
BLANK = "(nothing)"
NO_LONGER = "no longer asked"
_STEP = re.compile(r"([^.\[\]]+)(?:\[([^\]]*)\])?")
_TIME = re.compile(r"(\d), (days|weeks|months|years)\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What was decided about one field: an extractor's initials or "other", and who, when, why.

    About a question of which arm is which: "yes" or "no". `file` and `line` say where it stands.
    """

    study: str
    field: str
    decision: str
    other_value: str
    decided_by: str
    decided_on: str
    reason: str
    line: int
    file: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A disagreement and the initials of the two people; `renamed`: arms that the second calls otherwise."""

    item: Compared
    people: tuple[str, str]
    renamed: Mapping[str, str] = field(default_factory=dict)

    @property
    def what(self) -> str:
        """The field, or the question, in words."""
        if self.item.question:
            return self.item.question
        names = [f"{self.people[1]}'s {self.renamed[name]}" for name in self.item.ids if name in self.renamed]
        return in_words(self.item.address) + (f" ({', '.join(names)})" if names else "")

    @property
    def allowed(self) -> tuple[str, ...]:
        """What may be decided."""
        if self.item.kind == "recognition":
            return YES_OR_NO
        return (*self.people, *(() if self.item.kind == "entry" else (OTHER,)))


def decision_rows(asked: Sequence[Asked], filled: Iterable[Mapping[str, str]]) -> list[dict[str, str]]:
    """Return the rows of the decisions file, keeping what was filled in before.

    Parameters
    ----------
    asked : sequence of Asked
        All disagreements, wording included.
    filled : iterable of rows
        An earlier file; filled rows that are no longer asked, or were about other values, stand at the end,
        so that nothing is lost.
    """
    old = {
        tuple(row.get(name, "") for name in _ABOUT): row
        for row in filled
        if any(row.get(name) for name in FILLED_IN)
    }
    rows = []
    for one in asked:
        fresh = fresh_row(one)
        kept = old.pop(tuple(fresh[name] for name in _ABOUT), {})
        rows.append(fresh | {name: kept.get(name, "") for name in FILLED_IN})
    gone = [{name: row.get(name, "") for name in COLUMNS} | {"needed": NO_LONGER} for row in old.values()]
    return [*rows, *gone]


def decisions_text(rows: Sequence[Mapping[str, str]]) -> str:
    """Return the rows as CSV."""
    stream = io.StringIO(newline="")
    out = csv.writer(stream, lineterminator="\n")
    out.writerow(COLUMNS)
    for row in rows:
        out.writerow([guarded(row[name]) for name in COLUMNS])
    return stream.getvalue()


def fresh_row(one: Asked) -> dict[str, str]:
    """Return the row of a disagreement about which nothing was decided."""
    item = one.item
    return {
        "study": item.study,
        "what": nouns().said(one.what),
        "field": nouns().said(item.address),
        "needed": "yes" if item.needs_decision else "no, wording",
        "first_extractor": one.people[0],
        "first_value": shown(item.first),
        "first_source": item.first.source,
        "second_extractor": one.people[1],
        "second_value": shown(item.second),
        "second_source": item.second.source,
    }


def typed_by_each(found: Mapping[str, object]) -> dict[str, str]:
    """Return what each person typed, from a decision of the history."""
    own = {"study", "field", *FILLED_IN}
    return {person: said(str(value)) for person, value in found.items() if person not in own}


def in_words(address: str) -> str:
    """Say in words which field is meant: "outcome A, key pinch, final, 12 months: mean"."""
    parts = []
    for name, key in _STEP.findall(address):
        words = plain_words(name)
        if key:
            pieces = _TIME.sub(r"\1 \2", ", ".join(plain_words(part) for part in key.split("/")))
            words = f"{words.removesuffix('s')} {pieces}"
        parts.append(words)
    return ": ".join(parts)


def shown(side: Side) -> str:
    """Return what a person typed, or a word for nothing and for a list without entries."""
    return nouns().said(said(side.typed))


def said(typed: str) -> str:
    """Return a typed text for people to read."""
    return EMPTY_LIST if typed == "[]" else " ".join(typed.split()) or BLANK


def read_rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    """Read a decisions file, workbook or CSV, into rows with their lines.

    Raises
    ------
    UnreadableError
        When there is no such file, or it is no table with these columns.
    """
    if not path.is_file():
        raise UnreadableError([Problem(file=str(path), what="there is no such file")])
    if path.suffix.lower() == ".xlsx":
        from metakit.forms.sheets.workbooks import read_workbook

        sheet = read_workbook(path, str(path))
        if sheet.problems:
            raise UnreadableError(sheet.problems)
    else:
        sheet = read_csv(path, str(path))
    header = [str(cell).replace(" ", "_") for cell in sheet.rows[0][1]] if sheet.rows else []
    lacking = [name for name in COLUMNS if name not in header]
    if lacking or len(set(header)) != len(header):
        what = f"columns are missing: {', '.join(lacking)}" if lacking else "a column stands there twice"
        raise UnreadableError([Problem(file=str(path), line=1, what=what, allowed=", ".join(COLUMNS))])
    odd = [
        Problem(file=str(path), line=line, what=f"{len(cells)} cells, but the header has {len(header)}")
        for line, cells in sheet.rows[1:]
        if (len(cells) != len(header) if sheet.exact else len(cells) > len(header))
    ]
    if odd:
        raise UnreadableError(odd)
    return [
        (line, {name: _text(cell) for name, cell in zip_longest(header, cells, fillvalue="")})
        for line, cells in sheet.rows[1:]
    ]


def _text(cell: Cell) -> str:
    """Return a cell as text: a spreadsheet keeps numbers and dates as such."""
    if isinstance(cell, datetime.datetime):
        cell = cell.date()
    if isinstance(cell, datetime.date):
        return cell.isoformat()
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    return f"{cell:.15g}" if isinstance(cell, (int, float)) else unguarded(str(cell))


def read_decisions(
    paths: Path | Sequence[Path], asked: Sequence[Asked], beside: Sequence[Path] = ()
) -> dict[tuple[str, str], Decision]:
    """Read the decisions that were filled in, each checked against the disagreement that it settles.

    Parameters
    ----------
    paths : Path or sequence of Path
        Decisions of several files add up; the same one may stand in more than one of them.
    asked : sequence of Asked
        What may be decided about.
    beside : sequence of Path
        Files whose rows count too, as far as they are about what is asked now.

    Raises
    ------
    UnreadableError, DataError
        With every faulty row of every file at once, and with rows that decide one field differently.
    """
    known = {(one.item.study, nouns().said(one.item.address)): one for one in asked}
    decisions: dict[tuple[str, str], Decision] = {}
    problems: list[Problem] = []
    given = [paths] if isinstance(paths, Path) else paths
    for path in dict.fromkeys([*given, *beside]):
        for line, row in read_rows(path):
            if row["needed"] == NO_LONGER or not any(row[name] for name in FILLED_IN):
                continue
            one = known.get((row["study"], nouns().said(row["field"])))
            key = (row["study"], one.item.address if one is not None else row["field"])
            if path in beside and not _about(row, one):
                continue
            new = Decision(
                study=row["study"], field=key[1], line=line, file=str(path),
                **{name: row[name] for name in FILLED_IN},
            )  # fmt: skip
            wrong = faults(row, one)
            if key in decisions:
                wrong += _again(new, decisions[key])
            problems += [
                Problem(
                    file=str(path), line=line, field=name, what=what, found=row[name][:80], allowed=allowed
                )
                for name, what, allowed in wrong
            ]
            decisions.setdefault(key, new)
    if problems:
        raise DataError(problems)
    return decisions


def _about(row: Mapping[str, str], one: Asked | None) -> bool:
    fresh = fresh_row(one) if one is not None else {}
    return bool(fresh) and all(row[name] == fresh[name] for name in _ABOUT)


def _again(new: Decision, before: Decision) -> list[tuple[str, str, str]]:
    """Return what is wrong with a second decision about one field: in one file always, else if it differs."""
    if new.file == before.file:
        return [("field", f"decided in line {before.line} already", "one row a field")]
    if (new.decision, new.other_value) == (before.decision, before.other_value):
        return []
    other = f"{before.decision} {before.other_value}".strip()
    what = f"decided otherwise in {before.file}, line {before.line}: {other}, by {before.decided_by}"
    return [("decision", what, "one decision a field; empty the row that does not count")]


def faults(row: Mapping[str, str], one: Asked | None) -> list[tuple[str, str, str]]:
    """Return what is wrong with a row that was filled in: column, what, what is allowed."""
    if one is None:
        return [("field", "the two records do not disagree about this field", "a row as reconcile wrote it")]
    wrong = []
    for name, side in (("first_value", one.item.first), ("second_value", one.item.second)):
        if row[name] != shown(side):
            wrong.append((name, "the record says something else now; decide again", shown(side)))
    if row["decision"] not in one.allowed:
        wrong.append(("decision", one.item.question or "whose value is right?", " or ".join(one.allowed)))
    if (row["decision"] == OTHER) != bool(row["other_value"]):
        wrong.append(("other_value", "filled in when, and only when, the decision is other", "a value"))
    for name in ("decided_by", "reason"):
        if not row[name]:
            wrong.append((name, "a decision says who took it and why", "a text"))
    try:
        datetime.date.fromisoformat(row["decided_on"])
    except ValueError:
        wrong.append(("decided_on", "not a date", "year-month-day, such as 2026-05-31"))
    return wrong
