"""Record -> workbook -> record, and -> CSV -> record, and -> YAML -> record, is the identity."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from metakit.core.values import Place
from metakit.forms.library import shipped
from metakit.forms.record_text import record_text, same_nodes
from metakit.forms.record_workbooks.assembling import assemble
from metakit.forms.record_workbooks.csv_writing import csv_texts
from metakit.forms.record_workbooks.layout import layout_of
from metakit.forms.record_workbooks.reading import read_book
from metakit.forms.record_workbooks.writing import workbook_bytes
from metakit.forms.specs import GROUP, FieldSpec
from metakit.forms.tree import MISSING_CODES
from metakit.forms.yaml_nodes import ListNode, MapNode, Node, ScalarNode, read_bytes, read_document

ROOT = Path(__file__).resolve().parents[2]
RECORDS = sorted((ROOT / "demo_studies" / "records").glob("*.yaml"))
STUDY, PROTOCOL = layout_of(shipped().form("study")), layout_of(shipped().form("protocol"))
HERE = Place(file="made", line=1, column=1)


def scalar(text: str) -> ScalarNode:
    return ScalarNode(text, HERE, quoted=True)


def map_node(entries: Mapping[str, Node]) -> MapNode:
    return MapNode(tuple((scalar(key), value) for key, value in entries.items()), HERE)


# Letters of several scripts, signs that spreadsheets, CSV and YAML treat in their own way, line breaks.
LETTERS = st.sampled_from("abcXYZ019 _-=+@'\"#:;,|{}[]%&<>*!?\\/äßé漢字Ω€\u2028\n\t.")
TEXTS = (
    st.text(LETTERS, min_size=1, max_size=20)
    .map(str.strip)
    .filter(lambda text: bool(text) and "x005F_" not in text)
)
NUMBERS = st.one_of(
    st.integers(-(10**14), 10**14).map(str),
    st.decimals(-1000, 1000, places=2).map(lambda number: format(number, "f")),
    st.floats(allow_nan=False, allow_infinity=False, width=64).map(repr),
)


def leaf(spec: FieldSpec) -> st.SearchStrategy[Node]:
    if spec.terms:
        one = st.sampled_from(sorted(spec.terms))
    elif spec.type in ("number", "integer", "percent"):
        one = NUMBERS
    else:
        one = TEXTS.filter(lambda text: text not in MISSING_CODES)
    if spec.type in ("choices", "list"):
        items = st.lists(one.filter(lambda text: not text.startswith("(")), max_size=3, unique=True)
        return items.map(lambda texts: ListNode(tuple(map(scalar, texts)), HERE))
    codes = st.sampled_from(sorted(MISSING_CODES)) if spec.may_be_missing else st.nothing()
    return st.one_of(one, codes).map(scalar)


def group(form, specs, *, named: str = "") -> st.SearchStrategy[MapNode]:
    optional = {}
    fixed = {}
    for spec in specs:
        if spec.type == GROUP:
            inner = form.fields_of(spec)
            if spec.repeats:
                ids = next(
                    (f.name for f in inner if f.type == "identifier" and f.required and not f.refers_to), ""
                )
                rows = st.lists(
                    group(form, inner, named=ids).filter(lambda node: bool(node.entries)), max_size=2
                )
                optional[spec.name] = rows.map(lambda items, ids=ids: ListNode(numbered(items, ids), HERE))
            else:
                optional[spec.name] = group(form, inner)
        elif spec.name == named:
            fixed[spec.name] = st.just(scalar("0"))
        else:
            optional[spec.name] = leaf(spec)
    return st.fixed_dictionaries(fixed, optional=optional).map(map_node)


def numbered(items, ids: str) -> tuple[MapNode, ...]:
    """Give the entries distinct identifiers."""
    if not ids:
        return tuple(items)
    return tuple(
        MapNode(tuple((k, scalar(f"A{n}") if k.text == ids else v) for k, v in item.entries), HERE)
        for n, item in enumerate(items)
    )


def whole(layout) -> st.SearchStrategy[MapNode]:
    head = map_node({"form": scalar(layout.form.name), "form_version": scalar(str(layout.form.version))})
    return group(layout.form, layout.form.sections).map(
        lambda node: MapNode((*head.entries, *node.entries), HERE)
    )


def back(layout, record: MapNode, folder: Path, *, batch: bool) -> MapNode:
    path = folder / "book.xlsx"
    path.write_bytes(workbook_bytes(layout, {"one": record}, batch=batch))
    return assemble(read_book(path), layout).records["one" if batch else ""]


@pytest.mark.grid
@pytest.mark.parametrize("path", RECORDS, ids=lambda path: path.stem)
def test_demo_records_come_back(path, tmp_path):
    record = read_document(path).root
    assert record is not None
    collected = back(STUDY, record, tmp_path, batch=False)
    assert same_nodes(collected, record)
    assert same_nodes(read_bytes(record_text(record).encode(), "made").root, record)


def test_demo_protocol_comes_back(tmp_path):
    record = read_document(ROOT / "demo_studies" / "protocol.yaml").root
    assert record is not None
    assert same_nodes(back(PROTOCOL, record, tmp_path, batch=False), record)


@pytest.mark.walk
def test_all_demo_records_come_back_from_one_workbook_and_from_csv(tmp_path):
    records = {path.stem: read_document(path).root for path in RECORDS}
    (tmp_path / "all.xlsx").write_bytes(workbook_bytes(STUDY, records, batch=True))
    folder = tmp_path / "csv"
    folder.mkdir()
    for name, text in csv_texts(STUDY, records).items():
        (folder / name).write_text(text, encoding="utf-8-sig", newline="")
    for source in (tmp_path / "all.xlsx", folder):
        collected = assemble(read_book(source), STUDY)
        assert collected.sound
        assert collected.records.keys() == records.keys()
        for name, record in records.items():
            assert same_nodes(collected.records[name], record), name


def round_trip(layout, record, tmp_path_factory) -> None:
    folder = tmp_path_factory.mktemp("trip")
    for batch in (False, True):
        assert same_nodes(back(layout, record, folder, batch=batch), record)
    for name, text in csv_texts(layout, {"one": record}).items():
        (folder / name).write_text(text, encoding="utf-8", newline="")
    assert same_nodes(assemble(read_book(folder), layout).records["one"], record)
    assert same_nodes(read_bytes(record_text(record).encode(), "made").root, record)


CALM = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much]
PHASES = [
    Phase.generate
]  # shrinking a record of 150 fields takes minutes; the failing record is printed whole


@pytest.mark.walk
@given(record=whole(STUDY))
@settings(max_examples=4, deadline=None, suppress_health_check=CALM, derandomize=True, phases=PHASES)
def test_made_study_records_come_back(record, tmp_path_factory):
    round_trip(STUDY, record, tmp_path_factory)


@pytest.mark.lengthy
@given(record=whole(PROTOCOL))
@settings(max_examples=4, deadline=None, suppress_health_check=CALM, derandomize=True, phases=PHASES)
def test_made_protocols_come_back(record, tmp_path_factory):
    round_trip(PROTOCOL, record, tmp_path_factory)


@pytest.mark.slow
@given(record=st.one_of(whole(STUDY).map(lambda r: (STUDY, r)), whole(PROTOCOL).map(lambda r: (PROTOCOL, r))))
@settings(max_examples=100, deadline=None, suppress_health_check=CALM, phases=PHASES)
def test_many_made_records_come_back(record, tmp_path_factory):
    round_trip(*record, tmp_path_factory)
