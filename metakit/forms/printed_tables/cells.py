"""Cells of the chosen columns as plain numbers: what was not literal is told, contradictions are named."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from metakit.errors import Problem
from metakit.forms.printed_tables.columns import Column
from metakit.forms.sheets.printed_numbers import Printed, counts_that_fit, percent_agrees, read_printed
from metakit.forms.sheets.sheet_rows import Cell

_COMMA = re.compile(r"(?<![\d,.])\d+,\d+(?![\d,.])", re.ASCII)
_COUNTS = ("events", "total", "thumbs")
_WORDS = ("cause", "technique")


def uses_decimal_comma(cells: Sequence[Cell], ours: str) -> bool:
    """Whether the commas of a column are decimal points: no point stands there, and thousands do not fit."""
    texts = [cell for cell in cells if isinstance(cell, str)]
    found = [piece for text in texts for piece in _COMMA.findall(text)]
    if not found or any("." in text for text in texts) or ours.startswith(_COUNTS):
        return False
    return any(not re.fullmatch(r"[1-9]\d{0,2},\d{3}", piece) for piece in found)


class CellReader:
    """Reads the cells of a row; collects problems and what was told."""

    def __init__(
        self,
        file: str,
        letters: Sequence[str],
        commas: Mapping[int, bool],
        problems: list[Problem],
        told: list[str],
    ) -> None:
        self.file, self.letters, self.commas = file, letters, commas
        self.problems, self.told = problems, told

    def row(
        self, line: int, cells: Sequence[Cell], needed: Mapping[str, Column]
    ) -> tuple[dict[str, Cell], list[str]]:
        """Return the plain cells of a row by our names, and what it says is not reported."""
        values: dict[str, Cell] = {}
        absent: list[str] = []
        percents: list[tuple[str, Column, str]] = []
        for ours, column in needed.items():
            cell = cells[column.index] if column.index < len(cells) else ""
            base = ours[:-2] if ours.endswith(("_1", "_2")) else ours
            if not isinstance(cell, str) or not cell.strip() or base in _WORDS:
                values[ours] = cell
                continue
            printed = read_printed(self._thousands(cell, base), decimal_comma=column.index in self.commas)
            if printed.shape == "missing":
                absent.append(ours)
                self._tell(line, printed)
                continue
            value = self._value(base, column, printed)
            if value is None:
                if printed.shape == "percent" and base == "events":
                    percents.append((ours, column, printed.values["percent"]))
                    continue
                if printed.question or printed.marks:
                    self._problem(line, column, ours, cell, printed)
                values[ours] = cell  # the strict reader says what is wrong with it
                continue
            self._tell(line, printed)
            values[ours] = value
            if printed.shape == "count_of":
                self._hold_together(line, ours, column, printed, cells, needed)
            if (base == "events" and "percent" in printed.values) or (
                base == "events" and "second" in printed.values
            ):
                percents.append((ours, column, printed.values.get("percent") or printed.values["second"]))
        self._check_percents(line, percents, values)
        return values, absent

    def _hold_together(
        self, line: int, ours: str, column: Column, printed: Printed, cells: Sequence[Cell],
        needed: Mapping[str, Column],
    ) -> None:  # fmt: skip
        """Hold '3/40' in a column of events against the total that has a column of its own, and tell it."""
        base = ours[:-2] if ours.endswith(("_1", "_2")) else ours
        other = {"events": "total", "total": "events"}.get(base, "")
        partner = needed.get(ours.replace(base, other)) if other else None
        if partner is None or partner.index == column.index or partner.index >= len(cells):
            return
        beside, inside = _whole(cells[partner.index]), _whole(printed.values.get(other, ""))
        shown = str(cells[column.index])
        if inside is not None and beside is not None and inside != beside:
            what = f"says {inside} for {ours.replace(base, other)}, which has {beside} in its own column"
            self._add(line, column, what, shown)
        else:
            self.told.append(f"Row {line}: {shown!r} is read as {printed.values.get(base)} for {ours}.")

    def _thousands(self, cell: str, base: str) -> str:
        if base not in _COUNTS:
            return cell
        plain = re.sub(r"(?<![\d.,])([1-9]\d{0,2}),(\d{3})(?![\d,.])", r"\1\2", cell)
        if plain != cell:
            self.told.append(f"{cell} is read as {plain}: a count has no decimals.")
        return plain

    def _value(self, base: str, column: Column, printed: Printed) -> str | None:
        """Return the number that this column is about, None when the cell does not say it."""
        shape, values = printed.shape, printed.values
        if printed.question and not (
            shape == "two_numbers" and column.role in ("mean_sd", "events (percent)")
        ):
            return None
        if shape == "number":
            return values["value"]
        if shape in ("count_of", "count_percent"):
            return values.get(base)
        if shape == "two_numbers":
            if column.role == "mean_sd":
                return values["first"] if base == "mean" else values["second"]
            return values["first"] if base == "events" else None
        if shape == "mean_spread":
            if base == "mean":
                return values["mean"]
            fits = values.get("what", "sd") == base
            return values["spread"] if fits and (column.role == "mean_sd" or "what" in values) else None
        if shape == "estimate_interval":
            part = {"interval_lower": "lower", "interval_upper": "upper"}.get(base, "estimate")
            return values[part]
        if shape == "range" and base in ("interval_lower", "interval_upper"):
            return values[base.removeprefix("interval_")]
        return None

    def _check_percents(
        self, line: int, percents: Sequence[tuple[str, Column, str]], values: dict[str, Cell]
    ) -> None:
        """Hold printed percentages against counts; a percentage alone is a count where only one fits."""
        for ours, column, percent in percents:
            total = _whole(values.get(ours.replace("events", "total"), ""))
            if ours in values:
                events = _whole(values[ours])
                if total and events is not None and not percent_agrees(events, total, percent):
                    true = f"{100 * events / total:.1f}"
                    self._add(line, column, f"{events} of {total} is {true} %", f"{events} ({percent} %)")
                continue
            fitting = counts_that_fit(percent, total) if total else ()
            if len(fitting) == 1:
                values[ours] = str(fitting[0])
                self.told.append(f"Row {line}: {percent} % of {total} is read as {fitting[0]} events.")
                continue
            why = (
                f"{len(fitting)} counts of {total} are {percent} %"
                if total
                else "a percentage without its total"
            )
            self._add(line, column, f"{why}; which count is meant?", f"{percent} %")

    def _tell(self, line: int, printed: Printed) -> None:
        self.told += [f"Row {line}: {text}." for text in printed.told]

    def _problem(self, line: int, column: Column, ours: str, cell: str, printed: Printed) -> None:
        self._add(line, column, printed.question or f"no number for {ours}", cell)

    def _add(self, line: int, column: Column, what: str, found: str) -> None:
        letter = self.letters[column.index] if column.index < len(self.letters) else ""
        where = f"{column.text} (cell {letter}{line})" if letter else column.text
        self.problems.append(Problem(file=self.file, line=line, field=where, what=what, found=found[:80]))


def _whole(cell: Cell) -> int | None:
    try:
        value = float(str(cell))
    except ValueError:
        return None
    return int(value) if value.is_integer() else None
