"""From located texts to the nodes of records, checked as YAML is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import cast

from metakit.core.nouns import nouns
from metakit.core.values import Place
from metakit.errors import Problem, nearest_names
from metakit.forms.addresses import Addresses
from metakit.forms.answers import settle
from metakit.forms.reading import RULES_OF_READING, read_fields
from metakit.forms.record_workbooks.building import Builder, problem_at, without_blanks
from metakit.forms.record_workbooks.chosen_terms import in_terms
from metakit.forms.record_workbooks.grids import Book, at_cell
from metakit.forms.record_workbooks.layout import (
    Layout,
    Path,
    key_of,
)
from metakit.forms.record_workbooks.located import FoundRow
from metakit.forms.record_workbooks.locating import Locator
from metakit.forms.record_workbooks.reports import explained_by_missing, position_of
from metakit.forms.rules.registry import run_rules
from metakit.forms.yaml_nodes import MapNode, named

SINGLE = ""  # the name of the record in a workbook that holds one


@dataclass(slots=True)
class Collected:
    """Records of a file by name, without their blanks, and everything wrong or unusual in them."""

    records: dict[str, MapNode] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Whether the records can be used."""
        return all(problem.severity != "error" for problem in self.problems)


def assemble(book: Book, layout: Layout) -> Collected:
    """Turn the sheets of a file into records and check them against their form and its rules.

    Parameters
    ----------
    book : Book
        Sheets as read.
    layout : Layout
        How the form lies on sheets.

    Returns
    -------
    Collected
        `records` is complete only when `sound`.
    """
    batch = book.facts.get("kind") == "batch"
    collected = Collected(problems=list(book.problems))
    grids = {key_of(grid.name): grid for grid in book.grids}
    found: dict[str, list[FoundRow]] = {}
    missing: list[Path] = []
    homes: dict[Path, Place] = {}
    for sheet in layout.sheets:
        grid = grids.get(key_of(sheet.name))
        if grid is None:
            ours = {key_of(other.name) for other in layout.sheets}
            hint = nearest_names(sheet.name, [g.name for key, g in grids.items() if key not in ours])
            what = f"the sheet '{sheet.name}' is missing"
            collected.problems.append(Problem(file=f"{book.file} > {sheet.name}!A1", what=what, hint=hint))
            missing.append(sheet.path)
            continue
        locator = Locator(grid, sheet, batch=batch)
        found[sheet.name] = locator.rows()
        collected.problems += locator.problems
        if sheet.table:
            homes[sheet.path] = locator.home
        missing += [(*sheet.path, *path) if sheet.table else path for path in locator.missing]
    if not any(problem.severity == "error" and "heading" in problem.what for problem in collected.problems):
        names = _names(found, layout, collected, batch=batch)
    else:
        names = {
            row.record.text if batch else SINGLE: row.place for row in next(iter(found.values()), [])[:1]
        }
    for name, place in names.items():
        builder = Builder(layout, found, name if batch else SINGLE, collected.problems, homes, batch=batch)
        root = builder.record(place, book.facts)
        root = cast("MapNode", named(root)) if nouns().pairs else root
        group, problems = read_fields(root, layout.form)
        problems += run_rules(group, layout.form)
        problems = settle(problems, Addresses(group, layout.form), (*layout.form.rules, *RULES_OF_READING))
        collected.problems += [
            at_cell(problem) for problem in problems if not explained_by_missing(problem, missing)
        ]
        bare = without_blanks(in_terms(root, layout.form))
        if isinstance(bare, MapNode):
            collected.records[name] = bare
    order = [key_of(sheet.name) for sheet in layout.sheets]
    collected.problems = sorted(
        dict.fromkeys(collected.problems), key=lambda problem: position_of(problem, order)
    )
    return collected


def _names(
    found: Mapping[str, list[FoundRow]], layout: Layout, collected: Collected, *, batch: bool
) -> dict[str, Place]:
    """Return the records of the file with their places; rows of unknown records are problems."""
    names: dict[str, Place] = {}
    lists = [sheet for sheet in layout.sheets if not sheet.table]
    for sheet in lists:
        for row in found.get(sheet.name, ()):
            names.setdefault(row.record.text if batch else SINGLE, row.record.place)
    if not batch:
        return names
    for sheet in layout.sheets:
        rows = found.get(sheet.name, [])
        for row in rows:
            if row.record.text and row.record.text not in names:
                collected.problems.append(
                    problem_at(
                        row.record,
                        "there is no record of this name",
                        "record",
                        nearest_names(row.record.text, names),
                    )
                )
        if not sheet.table:
            here = {row.record.text for row in rows}
            for name in names.keys() - here:
                place = rows[0].place if rows else names[name]
                collected.problems.append(
                    at_cell(
                        Problem(
                            file=place.file,
                            line=place.line,
                            column=place.column,
                            what=f"the record '{name}' has no column on this sheet",
                        )
                    )
                )
    return names
