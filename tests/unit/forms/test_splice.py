"""Values changed in a text: that value and nothing else. Expected texts are written by hand."""

import random
from pathlib import Path

import pytest
import yaml

from metakit.errors import UsageError
from metakit.forms.splice import add_entry, plain_of, remove_value, set_value

TEXT = """# a comment on top
study:   # about the study
  id: DEMO-01
  label: "Quillmere, a 'small' trial"   # as printed
  note: |
    two
    lines

arms:
  # the first arm
  - id: A
    thumbs: {allocated: 40, analysed: 38}   # page 3
    components: [kwire, lr_fcr]

  - id: B
    thumbs: {allocated: 42}
    partly:
      - one
      - two
    mp_option:
outcomes: []
"""


@pytest.mark.parametrize(
    ("path", "value", "old", "new"),
    [
        (("study", "id"), "DEMO-02", "id: DEMO-01\n", "id: DEMO-02\n"),
        (("study", "label"), "It's 5 %: new", "\"Quillmere, a 'small' trial\"", '"It\'s 5 %: new"'),
        (("study", "note"), "one line", "|\n    two\n    lines\n", '"one line"\n'),
        (("arms", 0, "thumbs", "analysed"), "37", "analysed: 38", "analysed: 37"),
        (("arms", 1, "thumbs", "analysed"), "41", "{allocated: 42}", "{allocated: 42, analysed: 41}"),
        (("arms", 1, "mp_option"), "mp_none", "mp_option:\n", "mp_option: mp_none\n"),
        (("arms", 0, "components"), ["kwire"], "[kwire, lr_fcr]", "[kwire]"),
        (("arms", 1, "partly"), ["three"], "partly:\n      - one\n      - two", "partly: [three]"),
        (("arms", 0, "age", "mean"), "61.4", "lr_fcr]\n", "lr_fcr]\n    age: {mean: 61.4}\n"),
    ],
)
def test_one_place_changes(path, value, old, new):
    assert TEXT.count(old) == 1
    assert set_value(TEXT, path, value) == TEXT.replace(old, new)


def test_a_new_field_stands_in_the_order_of_its_form():
    order = {(): (), ("arms", 0): ("id", "label", "thumbs", "age", "components"), ("study",): ("first", "id")}
    changed = set_value(TEXT, ("arms", 0, "age", "mean"), "61.4", order=order.__getitem__)
    assert changed == TEXT.replace("# page 3\n", "# page 3\n    age: {mean: 61.4}\n")
    changed = set_value(TEXT, ("arms", 0, "label"), "Pin", order=order.__getitem__)
    assert changed == TEXT.replace("- id: A\n", "- id: A\n    label: Pin\n")
    changed = set_value(TEXT, ("study", "first"), "x", order=order.__getitem__)
    assert changed == TEXT.replace("  id: DEMO-01", "  first: x\n  id: DEMO-01")


def test_entries_are_added_and_removed():
    one = add_entry(TEXT, ("outcomes",), {"arm": "A", "events": "3"})
    assert one == TEXT.replace("outcomes: []", "outcomes: [{arm: A, events: 3}]")
    arm = add_entry(TEXT, ("arms",), {"id": "C"})
    assert arm == TEXT.replace("    mp_option:\n", "    mp_option:\n  - {id: C}\n")
    assert remove_value(arm, ("arms", 2)) == TEXT
    assert "id: A" not in remove_value(TEXT, ("arms", 0)) and "# the first arm" in remove_value(
        TEXT, ("arms", 0)
    )
    assert remove_value(TEXT, ("arms", 0, "thumbs", "allocated")) == TEXT.replace("allocated: 40, ", "")
    assert remove_value(TEXT, ("arms", 1, "partly", 0)) == TEXT.replace("      - one\n", "")
    assert remove_value(TEXT, ("arms", 0, "id")) == TEXT.replace("id: A\n    thumbs", "thumbs")


def test_entries_are_spread_over_lines_where_the_text_is():
    arm = {"id": "C", "thumbs": {"analysed": "3"}, "note": ""}
    lines = "  - id: C\n    thumbs: {analysed: 3}\n    note:\n"
    assert add_entry(TEXT, ("arms",), arm, spread=True) == TEXT.replace("outcomes", f"{lines}outcomes")
    entry = {"arm": "A", "events": "3"}
    made = add_entry(TEXT, ("outcomes",), entry, spread=True)
    assert made == TEXT.replace("outcomes: []", "outcomes:\n  - arm: A\n    events: 3")
    bare = TEXT.replace("outcomes: []", "outcomes:   # none yet")
    made = add_entry(bare, ("outcomes",), entry, spread=True)
    assert plain_of(made)["outcomes"] == [entry]
    order = {(): ("study", "contrasts", "outcomes")}.__getitem__
    new = add_entry(TEXT, ("contrasts",), entry, order=order, spread=True)
    assert plain_of(new) == {**plain_of(TEXT), "contrasts": [entry]}
    assert "contrasts:\n  - arm: A\n    events: 3\n" in new
    flow = add_entry("a: {b: [{c: 1}]}\n", ("a", "b"), {"c": "2"}, spread=True)
    assert flow == "a: {b: [{c: 1}, {c: 2}]}\n"


def test_a_new_section_is_spread_over_lines():
    changed = set_value(TEXT, ("care", "therapy"), "splint")
    assert (
        changed == TEXT + "care:\n  therapy: splint\n"
        or changed == TEXT.rstrip("\n") + "\ncare:\n  therapy: splint\n"
    )


def test_line_ends_and_byte_order_mark_stay():
    text = "\ufeff" + TEXT.replace("\n", "\r\n")
    changed = set_value(text, ("study", "year"), "2014")
    assert changed.startswith("\ufeff#") and changed.count("\r\n") == text.count("\r\n") + 1
    assert "\n" not in changed.replace("\r\n", "")


@pytest.mark.parametrize(
    ("path", "why"),
    [(("arms", 2, "id"), "no entry 3"), (("study", "id", "deep"), "not a single value")],
)
def test_what_is_not_there_is_refused(path, why):
    with pytest.raises(UsageError, match=why):
        set_value(TEXT, path, "x")


def test_what_cannot_be_read_is_refused():
    with pytest.raises(UsageError, match="cannot be read"):
        set_value("a: [1", ("a",), "2")


ODD = [
    "4/29",
    "no",
    "1:30",
    "# not a comment",
    "a: b",
    "- x",
    "{a",
    "é ” ’",
    "007",
    " lead",
    "null",
    "two\nlines",
    "’\u2028",
]


def _paths(node, path=()):
    if isinstance(node, dict):
        for key, value in node.items():
            yield from _paths(value, (*path, key))
    elif isinstance(node, list):
        for at, value in enumerate(node):
            yield from _paths(value, (*path, at))
    else:
        yield path


def _other_lines_stay(text, changed, most=4):
    before, after = text.split("\n"), changed.split("\n")
    same_head = next((i for i, (a, b) in enumerate(zip(before, after, strict=False)) if a != b), len(before))
    same_tail = next(
        (i for i, (a, b) in enumerate(zip(reversed(before), reversed(after), strict=False)) if a != b),
        len(before),
    )
    return same_head + same_tail >= max(len(before), len(after)) - most


@pytest.mark.walk
def test_every_value_of_every_invented_record_can_be_changed():
    """Read back by the parser itself (PyYAML), which knows nothing of how the text was changed."""
    chance = random.Random(7)
    files = sorted(Path("demo_studies").rglob("*.yaml"))
    assert len(files) > 40
    for file in chance.sample(files, 15):
        text = file.read_text(encoding="utf-8")
        paths = sorted(_paths(plain_of(text)), key=str)
        for path in chance.sample(paths, min(12, len(paths))):
            value = chance.choice(ODD)
            changed = set_value(text, path, value)
            found = yaml.load(changed, Loader=yaml.CBaseLoader)  # noqa: S506 - gives texts alone
            for step in path:
                found = found[step]
            assert found == value
            assert set_value(changed, path, _at(plain_of(text), path)) is not None
            lines = _at(plain_of(text), path).count("\n")
            assert _other_lines_stay(text, changed, 4 + lines), (file, path, value)


def _at(node, path):
    for step in path:
        node = node[step]
    return node
