"""Which column of a printed table holds which number: literal names first, then headings with one reading."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from metakit.forms.printed_tables.grid import Grid
from metakit.forms.printed_tables.headings import Heading, arm_of, heading_of, role_of
from metakit.forms.sheets.sheet_rows import Cell

HIGHEST_HEADER = 12
"""Rows above which a header must begin: titles stand over it, studies do not."""
COMPOSED: Mapping[str, tuple[str, ...]] = {
    "events/total": ("events", "total"),
    "events (percent)": ("events",),
    "mean_sd": ("mean", "sd"),
    "ratio_interval": ("ratio", "interval_lower", "interval_upper"),
    "interval": ("interval_lower", "interval_upper"),
    "percent": ("events",),
}
"""What a column of several numbers gives; literal columns of the same name come first."""
_OF = re.compile(r"\d+ of \d+|\d+ ?/ ?\d+ ?[(\[]\d+(?:[.,]\d+)? ?%[)\]]")
"""Cells that say by themselves that they are a number of all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """Where a number is taken from: column, the heading's role, and its text."""

    index: int
    role: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """The header of a grid: headings by column, where the studies begin, its lines, title rows above."""

    headings: tuple[Heading, ...]
    below: int
    lines: tuple[int, ...]
    titles: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """The columns taken, what was not literal about them, and why nothing could be taken."""

    columns: Mapping[str, Column]
    told: tuple[str, ...] = ()
    question: str = ""


def find_header(grid: Grid, wanted: Sequence[Sequence[str]]) -> Header:
    """Return the header: the row among the first with most headings that say something known."""
    names = {"study", *(name for columns in wanted for name in columns)}
    best, most = 0, 0
    for at, (_, cells) in enumerate(grid.rows[:HIGHEST_HEADER]):
        texts = [str(cell).strip() for cell in cells]
        known = sum(bool(text) and (text in names or bool(heading_of(text).role)) for text in texts)
        if known > most:
            best, most = at, known
    header = [str(cell).strip() for cell in grid.rows[best][1]]
    above = [str(cell).strip() for cell in grid.rows[best - 1][1]] if best else []
    spanning = _spanning(above, header)
    headings = tuple(
        Heading(text=text, role="study" if text == "study" else "", arm="")
        if text in names
        else heading_of(text or _alone(above, column), spanning[column] if spanning else "")
        for column, text in enumerate(header)
    )
    headings = _by_cells(headings, [cells for _, cells in grid.rows[best + 1 :]])
    lines = (grid.rows[best][0],) if not spanning else (grid.rows[best - 1][0], grid.rows[best][0])
    return Header(headings=headings, below=best + 1, lines=lines, titles=best - (1 if spanning else 0))


def _by_cells(headings: tuple[Heading, ...], body: Sequence[Sequence[Cell]]) -> tuple[Heading, ...]:
    """Give a heading that says nothing known, such as 'LRTI', the role that every cell below it spells out.

    That is '4 of 29', or '4/29 (13.8 %)', whose percentage is checked when it is read. A bare '4/29' is not
    enough: it may as well be men and women.
    """
    found = []
    for at, heading in enumerate(headings):
        cells = [str(row[at]).strip() for row in body if at < len(row) and str(row[at]).strip()]
        told = [cell for cell in cells if _OF.fullmatch(cell)]
        if heading.text and not heading.role and len(told) > 1 and len(told) == len(cells):
            heading = Heading(text=heading.text, role="events/total", arm=arm_of(heading.text))
        found.append(heading)
    return tuple(found)


def _alone(above: Sequence[str], column: int) -> str:
    """Return a heading that stands in the upper of two rows only, as merged cells do."""
    return above[column] if column < len(above) else ""


def _spanning(above: Sequence[str], cells: Sequence[str]) -> list[str]:
    """Return for each column the upper heading that spans it, empty when the row above is a title."""
    filled = [text for text in above if text]
    below = [text for text in cells if text]
    repeated = len(set(below)) < len(below)
    if not filled or (len(filled) < 2 and not repeated) or len(above) > len(cells):
        return []
    spans, now = [], ""
    for column in range(len(cells)):
        now = (above[column] if column < len(above) else "") or now
        spans.append(now if cells[column] else "")
    first = next((column for column, text in enumerate(above) if text), 0)
    return [text if column >= first and role_of(text) != "study" else "" for column, text in enumerate(spans)]


def choose_columns(
    header: Header, wanted: Sequence[Sequence[str]], named: Mapping[str, str], body: Sequence[Sequence[Cell]]
) -> Chosen:
    """Choose a column for each number of the first set of `wanted` that the headings give completely.

    Parameters
    ----------
    header : Header
    wanted : sequence of sequence of str
        Sets of columns that would do, best first: `("events_1", "total_1", "events_2", "total_2")`.
    named : mapping of str to str
        Columns that the user named: from our name to the heading.
    body : sequence of sequence of cells
        The rows below the header, to tell a column of names from one of numbers.

    Returns
    -------
    Chosen
        With `question` when no set is complete, or more than one reading is.
    """
    texts = [heading.text for heading in header.headings]
    taken: dict[str, Column] = {}
    for ours, theirs in named.items():
        at = [index for index, text in enumerate(texts) if text == theirs]
        if len(at) != 1:
            why = "no column has" if not at else f"{len(at)} columns have"
            return Chosen(columns={}, question=f"{why} the heading {theirs!r}, which was named for {ours}")
        taken[ours] = Column(index=at[0], role=role_of(theirs), text=theirs)
    told: list[str] = []
    study = taken.get("study") or _study(header, body, told)
    if study is None:
        return Chosen(columns={}, question="no column is known to hold the names of the studies")
    questions: list[str] = []
    for columns in wanted:
        lines: list[str] = []
        found = _set_of(columns, header, taken, lines, questions)
        if found is not None:
            return Chosen(columns={"study": study, **found}, told=(*told, *lines))
    return Chosen(columns={"study": study}, question=questions[0] if questions else "")


def _study(header: Header, body: Sequence[Sequence[Cell]], told: list[str]) -> Column | None:
    texts = [heading.text for heading in header.headings]
    if "study" in texts:
        return Column(index=texts.index("study"), role="study", text="study")
    known = [index for index, heading in enumerate(header.headings) if heading.role == "study"]
    if len(known) == 1 or (known and not texts[known[0]]):
        told.append(f"Studies are named by the column {texts[known[0]]!r}.")
        return Column(index=known[0], role="study", text=texts[known[0]])
    if known:
        told.append(f"Studies are named by the first of {len(known)} such columns, {texts[known[0]]!r}.")
        return Column(index=known[0], role="study", text=texts[known[0]])
    first = [row[0] for row in body if row]
    named = first and all(isinstance(cell, str) and cell and not _starts_with_number(cell) for cell in first)
    if texts and not header.headings[0].role and named:
        called = f"first column ({texts[0]!r})" if texts[0] else "first column, which has no heading"
        told.append(f"Studies are named by the {called}.")
        return Column(index=0, role="study", text=texts[0])
    return None


def _starts_with_number(text: str) -> bool:
    return text[:1].isdigit()


def _set_of(
    columns: Sequence[str],
    header: Header,
    taken: Mapping[str, Column],
    told: list[str],
    questions: list[str],
) -> dict[str, Column] | None:
    texts = [heading.text for heading in header.headings]
    found = {name: taken[name] for name in columns if name in taken}
    found |= {
        name: Column(index=texts.index(name), role="", text=name)
        for name in columns
        if name in texts and name not in found
    }
    twice = [name for name in found if texts.count(name) > 1]
    if twice:
        questions.append(f"{texts.count(twice[0])} columns have the name {twice[0]}")
        return None
    missing = [name for name in columns if name not in found]
    if not missing:
        return found
    used = {column.index for column in found.values()}
    if any(name.endswith(("_1", "_2")) for name in columns):
        arms = _arms(missing, header, used, questions)
        if arms is None:
            return None
        first, second, line = arms
        told.append(line)
        givers = {"_1": first, "_2": second}
        for name in missing:
            giver = givers[name[-2:]].get(name[:-2]) if name[-2:] in givers else None
            if giver is None:
                return None
            found[name] = giver
        _tell(found, missing, told)
        return found
    givers_alone = _givers(columns, [h for h in enumerate(header.headings) if h[0] not in used], questions)
    for name in missing:
        if name not in givers_alone:
            return None
        found[name] = givers_alone[name]
    _tell(found, missing, told)
    return found


def _tell(found: Mapping[str, Column], missing: Sequence[str], told: list[str]) -> None:
    by_column: dict[str, list[str]] = {}
    for name in missing:
        by_column.setdefault(found[name].text, []).append(name)
    read = "; ".join(f"{' and '.join(names)} from {text!r}" for text, names in by_column.items())
    told.append(f"Columns are read by their headings: {read}.")


def _arms(
    columns: Sequence[str], header: Header, used: set[int], questions: list[str]
) -> tuple[dict[str, Column], dict[str, Column], str] | None:
    """Find two arms that give all numbers, by the words of their headings or by their order."""
    needed = list(dict.fromkeys(name[:-2] for name in columns))
    free = [(at, heading) for at, heading in enumerate(header.headings) if at not in used]
    labels = list(dict.fromkeys(heading.arm for _, heading in free if heading.role))
    complete = {}
    for label in labels:
        own = [item for item in free if item[1].arm == label]
        givers = _givers(needed, own, [])
        if all(name in givers for name in needed):
            complete[label] = givers
    if {"1", "2"} <= set(complete):
        return complete["1"], complete["2"], "Arm 1 and arm 2 are told apart by their headings."
    named = [label for label in complete if label]
    if len(named) == 2:
        one, two = named
        one, two = (two, one) if one == "2" or two == "1" else (one, two)
        words = f"Arm 1 is {_shown(one, header)}, arm 2 is {_shown(two, header)}"
        by = "by their headings" if {one, two} & {"1", "2"} else "in the order of the columns"
        return complete[one], complete[two], f"{words}, {by}."
    if len(named) > 2:
        shown = ", ".join(_shown(label, header) for label in named)
        questions.append(f"more than two arms give all numbers: {shown}; which two are compared?")
        return None
    return _by_order(needed, free)


def _shown(label: str, header: Header) -> str:
    if label in ("1", "2"):
        return f"the one so named ({label})"
    return repr(label)


def _by_order(
    needed: Sequence[str], free: Sequence[tuple[int, Heading]]
) -> tuple[dict[str, Column], dict[str, Column], str] | None:
    """Take the first half of columns without words for an arm as arm 1, when each number stands twice."""
    plain = [(at, heading) for at, heading in free if heading.role and not heading.arm]
    roles = Counter(heading.role for _, heading in plain)
    twice = [(at, heading) for at, heading in plain if roles[heading.role] == 2]
    half = len(twice) // 2
    if not half or {h.role for _, h in twice[:half]} != {h.role for _, h in twice[half:]}:
        return None
    first, second = _givers(needed, twice[:half], []), _givers(needed, twice[half:], [])
    if not all(name in first and name in second for name in needed):
        return None
    return first, second, "Each number stands twice; the first of the two is taken for arm 1."


def _givers(
    needed: Sequence[str], headings: Sequence[tuple[int, Heading]], questions: list[str]
) -> dict[str, Column]:
    """Return which column gives each number: one of its own before one of several numbers."""
    givers: dict[str, Column] = {}
    for name in needed:
        own = [(at, heading) for at, heading in headings if heading.role == name]
        if name == "events" and len(own) > 1:
            plain = [item for item in own if item[1].text.casefold() in ("events", "n")]
            own = plain or own
        if not own:
            own = [(at, heading) for at, heading in headings if name in COMPOSED.get(heading.role, ())]
            own = [item for item in own if item[1].role != "percent"] or own
        if len(own) > 1:
            shown = ", ".join(repr(heading.text) for _, heading in own)
            questions.append(f"{len(own)} columns could hold {name}: {shown}")
            continue
        if own:
            at, heading = own[0]
            givers[name] = Column(index=at, role=heading.role, text=heading.text)
    return _small_and_large_n(needed, givers, headings)


def _small_and_large_n(
    needed: Sequence[str], givers: dict[str, Column], headings: Sequence[tuple[int, Heading]]
) -> dict[str, Column]:
    """Read 'n' beside 'N' as the events of that total, as papers do."""
    if "events" not in needed or "events" in givers or "total" in givers:
        return givers
    small = [item for item in headings if item[1].text.strip().rstrip("12 _") == "n"]
    large = [item for item in headings if item[1].text.strip().rstrip("12 _") == "N"]
    if len(small) == len(large) == 1:
        givers["events"] = Column(index=small[0][0], role="events", text=small[0][1].text)
        givers["total"] = Column(index=large[0][0], role="total", text=large[0][1].text)
    return givers
