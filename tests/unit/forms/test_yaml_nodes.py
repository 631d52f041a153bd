"""YAML read as text with positions: hostile and broken files, with either of the two parsers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from metakit.forms.yaml_nodes import Document, MapNode, ScalarNode, read_bytes, read_document


@pytest.fixture(params=["compiled parser", "python parser"], autouse=True)
def parser(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    if request.param == "python parser":
        monkeypatch.delattr(yaml, "CSafeLoader", raising=False)
    elif not hasattr(yaml, "CSafeLoader"):
        pytest.skip("this PyYAML has no compiled parser")
    yield request.param


def read(text: str) -> Document:
    return read_bytes(text.encode("utf-8", "surrogatepass"), "f.yaml")


def scalar(document: Document, key: str) -> ScalarNode:
    assert document.root is not None, document.problems
    node = document.root.get(key)
    assert isinstance(node, ScalarNode)
    return node


@pytest.mark.parametrize(
    "text",
    ["no", "NO", "on", "1:30", "012", "1e3", "1_000", "1.10", "2012-01-15", "null", "~", "0x1F", "true"],
)
def test_scalars_stay_texts(text: str) -> None:
    node = scalar(read(f"a: {text}\n"), "a")
    assert (node.text, node.quoted) == (text, False)


def test_quotes_are_told_from_plain_text() -> None:
    assert scalar(read('a: "no"\n'), "a").quoted
    assert scalar(read("a: 'no'\n"), "a").quoted
    assert not scalar(read("a:\n"), "a").quoted
    assert scalar(read("a:\n"), "a").text == ""


def test_places_count_from_one_and_in_characters() -> None:
    document = read("é: ü€😀\nb: {c: x, déf: y}\n")
    assert str(scalar(document, "é").place) == "f.yaml:1:4"
    assert document.root is not None
    inner = document.root.get("b")
    assert isinstance(inner, MapNode)
    assert [str(key.place) for key, _ in inner.entries] == ["f.yaml:2:5", "f.yaml:2:11"]


SYNTAX = [
    ("components: [a, b\nmp: none\n", "1:13", "bracket '[' opened on line 1, column 13 is not closed"),
    ("arms:\n  - id: A\n    parts: [a, b\n    mp: none\n", "3:12", "opened on line 3, column 12"),
    ("o:\n  - {a: 1, t: {v: 12, u: m}\n  - {a: 2}\n", "2:5", "bracket '{' opened on line 2, column 5"),
    ("a: {b: [1, 2\nc: 3\n", "1:8", "bracket '[' opened on line 1, column 8"),
    ("a: [1, 2", "1:4", "not closed"),
    ("a: [1, 2]]\n", "1:10", "closing ']' without an opening one"),
    ("a: {b: 1}}\n", "1:10", "closing '}' without an opening one"),
    ("a: [1, 2}\n", "1:9", "']' expected"),
    ("a: [1, 2,, 3]\n", "1:10", "a comma without a value"),
    ("a: {b: c: d}\n", "1:9", "inside the '{'"),
    ('x: 1\na: "hello\nb: 1\n', "2:4", 'quotation mark " opened here'),
    ("a: 'it's here'\n", "1:8", "text behind a closing quotation mark"),
    ("a:\n\tb: 1\n", "2:1", "tab"),
    ("a: trap: simple\n", "1:8", "colon inside a text"),
    ("a: 1\nb\nc: 2\n", "2:1", "line without a colon"),
    ("a:1\nb: 2\n", "1:2", "space is missing after a colon"),
    ("a:\n    b: 1\n  c: 2\n", "3:3", "indentation"),
    ("a: 1\n  b: 2\n", "2:3", "indented deeper than line 1"),
    ("a:\n  - x: 1\n   y: 2\n", "3:4", "indentation"),
    ("a: @x\n", "1:4", "cannot start with @"),
    ("a: - b\n", "1:4", "list entry"),
    ("a: > x\n", "1:6", "text behind the sign"),
    ('a: "\\q"\n', "1:", "backslash"),
    ("a: \x07\n", "1:4", "control character"),
    ("a: 1\n---\nb: 1\n", "2:1", "second document"),
    ("%YAML 1.1\n---\na: 1\n", "1:1", "directives"),
    ("a: &x 1\n", "1:4", "anchor"),
    ("a: *x\n", "1:4", "alias"),
    ("a: !!python/object/apply:os.system [ls]\n", "1:4", "tag"),
    ("a: !x 1\n", "1:4", "tag"),
    ("? [a, b]\n: 1\n", "1:3", "plain word"),
    ("- a\n- b\n", "1:1", "no form"),
    ("hello\n", "1:1", "no form"),
    ("# only a remark\n", "1:1", "no form"),
    ("[" * 300, "1:21", "too deep"),
    ("[" * 900_000, "1:", "too deep"),
    ("\n".join(" " * i + "a:" for i in range(30)), "20:20", "too deep"),
    ("a: [" + ",".join("1" * 60_000) + "]", "1:", "too many values"),
]


@pytest.mark.parametrize(("text", "place", "words"), SYNTAX, ids=lambda value: repr(value)[:25])
def test_broken_text_is_one_problem_with_its_place(text: str, place: str, words: str) -> None:
    document = read(text)
    assert document.root is None
    assert document.unreadable
    (problem,) = document.problems
    assert words in problem.what
    assert str(problem).startswith(f"f.yaml:{place}")


def test_windows_line_ends_do_not_move_places() -> None:
    (problem,) = read("a: 1\r\nb: [2\r\nc: 3\r\n").problems
    assert (problem.line, problem.column) == (2, 4)


def test_alias_bomb_is_refused_at_once() -> None:
    bomb = "a: &a [x, x]\n" + "".join(
        f"{b}: &{b} [*{a}, *{a}]\n" for a, b in zip("abcdefgh", "bcdefghi", strict=True)
    )
    (problem,) = read(bomb).problems
    assert "anchor" in problem.what


def test_duplicate_keys_name_both_lines_and_all_are_found() -> None:
    document = read("a: 1\nb:\n  c: 1\n  c: 2\na: 3\n")
    assert document.root is not None
    assert [(p.field, p.line) for p in document.problems] == [("c", 4), ("a", 5)]
    assert "line 3" in document.problems[0].what
    assert "line 1" in document.problems[1].what


@pytest.mark.parametrize("text", ['a: "x\\0y"\n', 'a: "x\\u202ey"\n', "a: x\u200by\n", "a: \u2066x\n"])
def test_invisible_characters_are_problems_and_do_not_get_through(text: str) -> None:
    document = read(text)
    assert [problem.found[:2] for problem in document.problems] == ["U+"]
    assert scalar(document, "a").text in ("xy", "x")


def test_text_is_composed() -> None:
    assert scalar(read("a: Mu\u0308ller\n"), "a").text == "M\u00fcller"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b" \n\n", "empty"),
        ("a: Müller\n".encode("latin-1"), "not UTF-8"),
        ("a: 1\n".encode("utf-16"), "UTF-16"),
        (b"a: \x00\x01", "zero bytes"),
        (b"PK\x03\x04rest", "workbook"),
        (b"a: 1\n" + b"#" * 1_000_001, "too large"),
    ],
    ids=["empty", "blank", "latin-1", "utf-16", "binary", "workbook", "large"],
)
def test_other_files_are_refused_clearly(content: bytes, words: str) -> None:
    document = read_bytes(content, "f.yaml")
    assert document.root is None
    assert words in document.problems[0].what


def test_latin_1_is_placed() -> None:
    (problem,) = read_bytes("a: 1\nb: Müller\n".encode("latin-1"), "f.yaml").problems
    assert (problem.line, problem.column) == (2, 5)


def test_byte_order_mark_is_tolerated() -> None:
    assert str(scalar(read_bytes(b"\xef\xbb\xbfa: 1\n", "f.yaml"), "a").place) == "f.yaml:1:4"


def test_missing_file_and_folder(tmp_path: Path) -> None:
    assert "no such file" in read_document(tmp_path / "none.yaml").problems[0].what
    assert "folder" in read_document(tmp_path).problems[0].what
