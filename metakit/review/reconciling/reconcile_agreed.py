"""The text of an agreed record: both people's records put together by what was decided."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory

from metakit.core.values import Place
from metakit.errors import Problem
from metakit.forms.library import shipped
from metakit.forms.record_text import record_text
from metakit.forms.record_workbooks.cell_texts import EMPTY_LIST
from metakit.forms.records import read_record
from metakit.forms.specs import FieldSpec
from metakit.forms.tree import Group, Value
from metakit.forms.yaml_nodes import ListNode, MapNode, Node, ScalarNode
from metakit.review.reconciling.reconcile_arms import Entry
from metakit.review.reconciling.reconcile_compared import Compared, Pair
from metakit.review.reconciling.reconcile_decisions import OTHER, Decision
from metakit.review.reconciling.reconcile_match import combine


def agreed_group(pair: Pair, mine: Mapping[tuple[str, str], Decision]) -> Group:
    """Return both people's records put together by what was decided."""

    def choose(item: Compared, spec: FieldSpec, one: Entry | None, two: Entry | None) -> Entry | None:
        found = mine.get((item.study, item.address))
        if item.same or found is None or found.decision == pair.people[0]:
            return one
        if found.decision == OTHER:
            listed = "" if found.other_value == EMPTY_LIST else found.other_value.strip("[]")
            parts = tuple(part.strip() for part in listed.split(",") if part.strip())
            value = parts if spec.type in ("choices", "list") else found.other_value
            return Value(value, item.first.place, found.other_value)
        return two

    return combine(pair.study, *pair.groups, pair.form, choose)


def agreed_text(pair: Pair, agreed: Group, mine: Mapping[tuple[str, str], Decision]) -> tuple[str, str]:
    """Return the text of the agreed record and its date: that of the last decision or extraction."""
    dates = [found.decided_on for found in mine.values()]
    date = max([*dates, *(group.text("extraction.date") for group in pair.groups)])
    assessors = dict.fromkeys(group.text("appraisal.assessor") for group in pair.groups)
    own = {
        "extraction": {"extractor": " and ".join(pair.people), "date": date, "status": "agreed"},
        "appraisal": {"assessor": " and ".join(name for name in assessors if name)},
    }
    root = _map_node(agreed)
    head = (("form", pair.form.name), ("form_version", str(pair.form.version)))
    entries: list[tuple[ScalarNode, Node]] = [(_scalar(name), _scalar(text)) for name, text in head]
    for key, node in root.entries:
        if isinstance(node, MapNode):
            said = own.get(key.text, {})
            node = MapNode(
                tuple((k, _scalar(said[k.text]) if k.text in said else v) for k, v in node.entries),
                node.place,
            )
        entries.append((key, node))
    heading = [
        *_comments(Path(pair.readings[0].file)),
        "Agreed by 'metakit reconcile'; a change by hand is noticed.",
    ]
    return record_text(MapNode(tuple(entries), root.place), heading), date


def _comments(path: Path) -> list[str]:
    """Return the comment lines at the head of an extractor's record."""
    found = []
    for line in path.read_text(encoding="utf-8-sig").splitlines():
        if not line.startswith("#"):
            break
        found.append(line.lstrip("# "))
    return found


def _scalar(text: str) -> ScalarNode:
    return ScalarNode(text, Place(file="", line=1, column=1))


def _map_node(group: Group) -> MapNode:
    return MapNode(tuple((_scalar(name), _node(entry)) for name, entry in group.entries.items()), group.place)


def _node(entry: Entry) -> Node:
    if isinstance(entry, Group):
        return _map_node(entry)
    if isinstance(entry, tuple):
        place = entry[0].place if entry else Place(file="", line=1, column=1)
        return ListNode(tuple(_map_node(group) for group in entry), place)
    if isinstance(entry.value, tuple):
        return ListNode(tuple(_scalar(str(item)) for item in entry.value), entry.place)
    return ScalarNode(entry.text, entry.place)


def problems_of(pair: Pair, text: str) -> list[Problem]:
    """Check an agreed record as any other; its problems name the study, since it is no file yet."""
    with TemporaryDirectory() as scratch:
        draft = Path(scratch) / "agreed.yaml"
        draft.write_text(text, encoding="utf-8", newline="\n")
        name = f"agreed record of {pair.study}"
        reading = read_record(draft, shipped(), shown=name, form=pair.form)
    return [problem for problem in reading.problems if problem.severity == "error"]
