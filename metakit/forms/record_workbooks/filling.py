"""From records to the texts of the cells."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from metakit.errors import UsageError
from metakit.forms.record_workbooks.cell_texts import list_text
from metakit.forms.record_workbooks.layout import LEFT_OUT, Layout, Path, identifier_of
from metakit.forms.specs import GROUP, FieldSpec
from metakit.forms.tree import MISSING_CODES
from metakit.forms.yaml_nodes import ListNode, MapNode, Node, ScalarNode

EMPTY_TABLE, EMPTY_GROUP = "none", "empty"


@dataclass(frozen=True, slots=True)
class Row:
    """One entry of a table: the record it belongs to, its keys in order, its texts by path."""

    record: str
    keys: tuple[str, ...]
    texts: Mapping[Path, str]


@dataclass(slots=True)
class Filling:
    """Texts of all sheets: of list sheets by record and path, of tables row by row."""

    lists: dict[str, dict[Path, str]] = field(default_factory=dict)
    tables: dict[Path, list[Row]] = field(default_factory=dict)


def fill(layout: Layout, records: Mapping[str, MapNode | None]) -> Filling:
    """Return the texts with which records fill the sheets of their form.

    Parameters
    ----------
    layout : Layout
        Sheets of the form.
    records : mapping of str to MapNode or None
        Records without errors by name; None for one yet to be typed.

    Raises
    ------
    UsageError
        For a text that a cell cannot hold.
    """
    filling = Filling()
    for name, root in records.items():
        texts = filling.lists.setdefault(name, {})
        if root is not None:
            _Filler(layout, name, filling).group(root, layout.form.sections, (), (), (), texts)
    return filling


class _Filler:
    def __init__(self, layout: Layout, record: str, filling: Filling) -> None:
        self.layout, self.record, self.filling = layout, record, filling
        self.form = layout.form

    def group(
        self,
        node: MapNode,
        specs: tuple[FieldSpec, ...],
        within: Path,
        table: Path,
        keys: tuple[str, ...],
        texts: dict[Path, str],
    ) -> None:
        """Put the fields of a group into `texts`; `within` is its path in the entry, `table` the entry's."""
        by_name = {spec.name: spec for spec in specs}
        for key, value in node.entries:
            spec = by_name.get(key.text)
            if spec is None or (isinstance(value, ScalarNode) and not value.text.strip()):
                continue
            here = (*within, spec.name)
            if spec.type != GROUP:
                texts[here] = self._text(value)
            elif isinstance(value, ScalarNode):
                self._leave_out(texts, here, value.text.strip())
            elif isinstance(value, MapNode):
                if not value.entries:
                    self._leave_out(texts, here, EMPTY_GROUP)
                self.group(value, self.form.fields_of(spec), here, table, keys, texts)
            elif not value.items:
                self._leave_out(texts, here, EMPTY_TABLE)
            else:
                self._rows(value, spec, (*table, *here), keys)

    def _rows(self, node: ListNode, spec: FieldSpec, path: Path, keys: tuple[str, ...]) -> None:
        layout = self.layout.table_of(path)
        named = identifier_of(self.form, spec)
        for number, item in enumerate(node.items, start=1):
            if not isinstance(item, MapNode):
                continue
            texts: dict[Path, str] = {}
            rows = self.filling.tables.setdefault(path, [])
            own = (*keys, str(number)) if layout.numbered else keys
            rows.append(Row(self.record, own, texts))
            tie = item.get(named.name) if named else None
            below = (*keys, tie.text.strip() if isinstance(tie, ScalarNode) else str(number))
            self.group(item, self.form.fields_of(spec), (), path, below, texts)
            if not any(texts.values()):
                raise UsageError(f"{'.'.join(path)}[{number}] is empty; a row of a sheet cannot show that")

    def _text(self, node: Node) -> str:
        if isinstance(node, ListNode):
            text = list_text([item.text.strip() for item in node.items if isinstance(item, ScalarNode)])
        else:
            text = node.text.strip() if isinstance(node, ScalarNode) else ""
        if "x005F_" in text or "\r" in text:
            raise UsageError(f"{node.place}: a workbook cannot hold this text unchanged")
        return text

    def _leave_out(self, texts: dict[Path, str], path: Path, word: str) -> None:
        if word in (EMPTY_TABLE, EMPTY_GROUP) or word in MISSING_CODES:
            before = texts.get((LEFT_OUT,), "")
            texts[(LEFT_OUT,)] = f"{before}; " * bool(before) + f"{'.'.join(path)}: {word}"
