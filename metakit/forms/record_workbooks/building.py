"""Nodes of a record built from the rows and cells of a workbook."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from metakit.core.nouns import nouns
from metakit.core.values import Place
from metakit.errors import Problem
from metakit.forms.record_workbooks.cell_texts import fraction, list_items
from metakit.forms.record_workbooks.filling import EMPTY_GROUP, EMPTY_TABLE
from metakit.forms.record_workbooks.grids import at_cell
from metakit.forms.record_workbooks.layout import (
    LEFT_OUT,
    Layout,
    Path,
    SheetLayout,
    identifier_of,
    is_many,
)
from metakit.forms.record_workbooks.located import FoundRow, Text
from metakit.forms.specs import GROUP, FieldSpec
from metakit.forms.tree import MISSING_CODES
from metakit.forms.typed_numbers import Refused
from metakit.forms.yaml_nodes import ListNode, MapNode, Node, ScalarNode


def problem_at(text: Text, what: str, name: str = "", hint: str = "", allowed: str = "") -> Problem:
    """Return a problem at the cell where a text stands."""
    place = text.place
    return at_cell(
        Problem(
            file=place.file,
            line=place.line,
            column=place.column,
            what=what,
            field=name,
            found=text.text[:80],
            hint=hint,
            allowed=allowed,
        )
    )


class Builder:
    """Builds the nodes of one record, collecting problems on the way."""

    def __init__(
        self,
        layout: Layout,
        found: Mapping[str, list[FoundRow]],
        record: str,
        problems: list[Problem],
        homes: Mapping[Path, Place],
        *,
        batch: bool,
    ) -> None:
        self.layout, self.form, self.problems, self.homes = layout, layout.form, problems, homes
        self.rows: dict[Path, list[FoundRow]] = {}
        self.texts: dict[Path, Text] = {}
        for sheet in layout.sheets:
            own = [row for row in found.get(sheet.name, ()) if not batch or row.record.text == record]
            if sheet.table:
                self.rows[sheet.path] = own
            else:
                for row in own[:1]:
                    self.texts.update(row.texts)
        self.used: set[int] = set()

    def record(self, place: Place, facts: Mapping[str, str]) -> MapNode:
        """Build the whole record."""
        root, _ = self.group(self.form.sections, (), (), (), self.texts, place)
        head = [
            (ScalarNode(key, place), ScalarNode(text, place, quoted=True))
            for key, text in (("form", self.form.name), ("form_version", str(self.form.version)))
        ]
        for path, rows in self.rows.items():
            for row in rows:
                if id(row) not in self.used and all(key.text for key in row.keys):
                    key = row.keys[-1] if row.keys else Text("", row.place)
                    self.problems.append(problem_at(key, "there is no entry with this key", ".".join(path)))
        return MapNode((*head, *root.entries), place)

    def group(
        self, specs: tuple[FieldSpec, ...], within: Path, table: Path, keys: tuple[str, ...],
        texts: Mapping[Path, Text], place: Place,
    ) -> tuple[MapNode, bool]:  # fmt: skip
        """Build a group from the texts of its entry; the flag says whether anything stands in it."""
        entries: list[tuple[ScalarNode, Node]] = []
        filled = False
        left_out = self._left_out(specs, within, texts, table)
        for spec in specs:
            here = (*within, spec.name)
            name = ScalarNode(spec.name, place)
            node: Node | None
            if spec.type != GROUP:
                text = texts.get(here)
                if text is None:
                    continue
                node = self._leaf(text, spec, specs, within, texts)
                filled = filled or not (isinstance(node, ScalarNode) and not node.quoted)
                entries.append((name, node))
                continue
            node, some = self._inner(spec, here, table, keys, texts, place)
            token = left_out.get(here)
            if token is not None:
                if some:
                    self.problems.append(
                        problem_at(
                            token, "this group is left out as a whole, and it has values", ".".join(here)
                        )
                    )
                filled = True
                word = token.text
                entries.append(
                    (
                        name,
                        ListNode((), token.place)
                        if word == EMPTY_TABLE
                        else MapNode((), token.place)
                        if word == EMPTY_GROUP
                        else ScalarNode(word, token.place, quoted=True),
                    )
                )
            elif some and node is not None:
                filled = True
                entries.append((name, node))
            elif spec.required:
                # A blank group whose fields are required asks for each of them at its own cell.
                deep = isinstance(node, MapNode) and any(
                    field.required for field in self.form.fields_of(spec)
                )
                blank = ScalarNode("", self._first(spec, here, texts, table) or place)
                entries.append((name, node if deep and node is not None else blank))
        return MapNode(tuple(entries), place), filled

    def _inner(
        self,
        spec: FieldSpec,
        here: Path,
        table: Path,
        keys: tuple[str, ...],
        texts: Mapping[Path, Text],
        place: Place,
    ) -> tuple[Node | None, bool]:
        fields = self.form.fields_of(spec)
        if not spec.repeats:
            return self.group(
                fields, here, table, keys, texts, self._first(spec, here, texts, table) or place
            )
        path = (*table, *here)
        sheet = self.layout.table_of(path)
        items: list[Node] = []
        seen: set[str] = set()
        mine = [row for row in self.rows.get(path, ()) if self._belongs(row, sheet, keys)]
        if sheet.numbered:
            mine.sort(key=lambda row: int(row.keys[-1].text) if row.keys[-1].text.isdecimal() else 0)
        for number, row in enumerate(mine, start=1):
            self.used.add(id(row))
            named = identifier_of(self.form, spec)
            own = row.keys[-1].text if sheet.numbered else str(number)
            if named:
                tie = row.texts.get((named.name,))
                own = tie.text if tie else ""
            elif sheet.numbered and (own != str(number) or own in seen):
                self.problems.append(
                    problem_at(
                        row.keys[-1], "entries are numbered from 1, each number once", allowed=str(number)
                    )
                )
            seen.add(own)
            items.append(self.group(fields, (), path, (*keys, own), row.texts, row.place)[0])
        first = mine[0].place if mine else place
        return ListNode(tuple(items), first), bool(items)

    def _belongs(self, row: FoundRow, sheet: SheetLayout, keys: tuple[str, ...]) -> bool:
        own = row.keys[:-1] if sheet.numbered else row.keys
        # The same id twice above: the first entry takes the rows, a rule or the reader names the double id.
        return id(row) not in self.used and tuple(key.text for key in own) == keys

    def _leaf(
        self,
        text: Text,
        spec: FieldSpec,
        specs: tuple[FieldSpec, ...],
        within: Path,
        texts: Mapping[Path, Text],
    ) -> Node:
        typed = text.text
        if spec.type == "integer":
            typed = self._part(text, spec, specs, within, texts)
        if not typed:
            return ScalarNode("", text.place)
        if is_many(spec) and typed not in MISSING_CODES:
            try:
                items = list_items(typed, commas=spec.type == "choices")
            except Refused as refused:
                self.problems.append(problem_at(text, refused.what, spec.name, refused.hint))
                return ScalarNode("", text.place)
            return ListNode(tuple(ScalarNode(item, text.place, quoted=True) for item in items), text.place)
        return ScalarNode(typed, text.place, quoted=True)

    def _part(
        self,
        text: Text,
        spec: FieldSpec,
        specs: tuple[FieldSpec, ...],
        within: Path,
        texts: Mapping[Path, Text],
    ) -> str:
        """Read '3/40' as count and total, where a field `total` stands beside it and does not disagree."""
        if spec.name == "total" and not text.text:
            for other in specs:
                count = texts.get((*within, other.name))
                parts = (
                    fraction(count.text) if count and other.type == "integer" and other is not spec else None
                )
                if parts:
                    return parts[1]
            return ""
        parts = fraction(text.text)
        total = texts.get((*within, "total"))
        if not parts or spec.name == "total" or total is None or total.text not in ("", parts[1]):
            return text.text
        what = f"read as {parts[0]} of a total of {parts[1]}; is that right?"
        self.problems.append(
            replace(problem_at(text, what, spec.name, "one number a cell"), severity="question")
        )
        return parts[0]

    def _left_out(
        self, specs: tuple[FieldSpec, ...], within: Path, texts: Mapping[Path, Text], table: Path
    ) -> dict[Path, Text]:
        cell = texts.get((LEFT_OUT,))
        if cell is None or not cell.text:
            return {}
        tokens: dict[Path, Text] = {}
        for part in cell.text.split(";"):
            name, _, word = (piece.strip() for piece in part.rpartition(":"))
            path = tuple(nouns().read(name.replace(" ", "_")).split("."))
            top = self.form.find(".".join((*table, *path))) if name else None
            legal = top is not None and top.type == GROUP and (
                word in MISSING_CODES or word == (EMPTY_TABLE if top.repeats else EMPTY_GROUP)
            )  # fmt: skip
            if not legal:
                if not within:
                    allowed = (
                        "group: not_reported (or another code), table: none; several separated by semicolons"
                    )
                    self.problems.append(
                        problem_at(
                            Text(part.strip(), cell.place),
                            "no group left out as a whole",
                            LEFT_OUT,
                            "",
                            allowed,
                        )
                    )
                continue
            tokens[path] = Text(word, cell.place)
        return tokens

    def _first(self, spec: FieldSpec, here: Path, texts: Mapping[Path, Text], table: Path) -> Place | None:
        """Return the place of the first cell of a group."""
        places = [text.place for path, text in texts.items() if path[: len(here)] == here]
        if spec.repeats:
            return self.homes.get((*table, *here))
        return places[0] if places else None


def without_blanks(node: Node) -> Node | None:
    """Return a node without what was left blank in it, None where nothing is left."""
    if isinstance(node, ScalarNode):
        return node if node.text.strip() else None
    if isinstance(node, ListNode):
        return ListNode(
            tuple(item for item in map(without_blanks, node.items) if item is not None), node.place
        )
    kept = ((key, without_blanks(value)) for key, value in node.entries)
    entries = tuple((key, value) for key, value in kept if value is not None)
    # A group of blanks is no group; one left empty on purpose has no entries to begin with.
    return MapNode(entries, node.place) if entries or not node.entries else None
