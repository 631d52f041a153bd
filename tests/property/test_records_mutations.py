"""Random damage to a sound record: never a traceback, always a place, never a silent change."""

from __future__ import annotations

import random
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from metakit.errors import Problem
from metakit.forms.library import shipped
from metakit.forms.reading import read_fields
from metakit.forms.rules.registry import run_rules
from metakit.forms.yaml_nodes import read_bytes
from metakit.review.typed import study_record

RECORD = Path(__file__).parents[1] / "reference" / "forms" / "review" / "records" / "test_01.yaml"
SOUND = RECORD.read_bytes()
SNIPPETS = [
    b"[", b"]", b"{", b"}", b":", b": ", b"- ", b"\n", b"\t", b"'", b'"', b"#", b"&a ", b"*a", b"!x ", b",", b"\n---\n", b"~", b"null",
    b"\xff", b"\x00", b"\xe2\x80\xae", b"\xe2\x88\x92", b"1:30", b"012", b"1e3", b"no", b"9" * 400, b"-1", b"nan", b"3,2", b"not_reported",
    b"<script>alert(1)</script>", b"\n  year: 1", b"\xf0\x9f\x98\x80", b"%", b"|", b">", b"? ", b"\r", b"events: 99",
]  # fmt: skip


def check(content: bytes) -> list[Problem]:
    """Read, check, and build the typed view where there is no error; every problem must have a place."""
    document = read_bytes(content, "record.yaml")
    problems = list(document.problems)
    if document.root is None:
        assert problems
    else:
        form = shipped().form("study")
        group, found = read_fields(document.root, form)
        problems += found + run_rules(group, form)
        if not any(problem.severity == "error" for problem in problems):
            study_record(group, form, file="record.yaml", sha256=document.sha256)
    whole_file = ("UTF-16", "empty", "zero bytes", "too large", "workbook")
    for problem in problems:
        assert problem.what
        assert (problem.line and problem.column) or any(word in problem.what for word in whole_file), problem
        assert problem.line is None or problem.line <= content.count(b"\n") + content.count(b"\r") + 2
        assert "Traceback" not in str(problem)
    return problems


def mutated(content: bytes, source: random.Random) -> bytes:
    lines = content.split(b"\n")
    kind = source.randrange(7)
    at = source.randrange(len(content))
    if kind == 0:
        return content[:at] + content[at + source.randint(1, 40) :]
    if kind == 1:
        return content[:at] + source.choice(SNIPPETS) + content[at:]
    if kind == 2:
        return content[:at] + bytes([source.randrange(256)]) + content[at + 1 :]
    if kind == 3:
        del lines[source.randrange(len(lines))]
    elif kind == 4:
        lines.insert(source.randrange(len(lines)), lines[source.randrange(len(lines))])
    elif kind == 5:
        line = source.randrange(len(lines))
        lines[line] = b" " * source.randint(0, 7) + lines[line].lstrip()
    else:
        words = content.split(b" ")
        words[source.randrange(len(words))] = source.choice(SNIPPETS)
        return b" ".join(words)
    return b"\n".join(lines)


@pytest.mark.parametrize("seed", range(100))
def test_mutations(seed: int) -> None:
    source = random.Random(seed)
    content = SOUND
    for _ in range(source.randint(1, 4)):
        content = mutated(content, source) or b"x"
    check(content)


VALUE = re.compile(rb"(?<=[:\[,] )(-?\d+(?:\.\d+)?|[A-Za-z_]+)(?=[,}\]\n])")
SLIPS = (
    b"99999",
    b"-7",
    b"3,2",
    b"03",
    b"4/46",
    b"2026-02-30",
    b"yes",
    b"not_reported",
    b"lrti",
    b"''",
    b"[1]",
    b"{a: 1}",
)


def plain(content: bytes) -> dict[str, object]:
    """Return every value of a record by its path."""
    root = read_bytes(content, "record.yaml").root
    found: dict[str, object] = {}

    def walk(value: object, path: str) -> None:
        if isinstance(value, dict):
            for name, part in value.items():
                walk(part, f"{path}.{name}")
        elif isinstance(value, list):
            found[f"{path}#"] = len(value)
            for number, part in enumerate(value):
                walk(part, f"{path}[{number}]")
        else:
            found[path] = value

    if root is not None:
        walk(read_fields(root, shipped().form("study"))[0].plain(), "")
    return found


def slip(seed: int) -> str:
    """Damage one value of the sound record; only that value may differ, unless something is reported."""
    source = random.Random(seed)
    at = source.choice(list(VALUE.finditer(SOUND)))
    typed = source.choice((*SLIPS, at[0][::-1], at[0] + b"0", at[0].upper()))
    content = SOUND[: at.start()] + typed + SOUND[at.end() :]
    problems = check(content)
    before, after = plain(SOUND), plain(content)
    differing = {path for path in before.keys() | after.keys() if before.get(path) != after.get(path)}
    if any(problem.severity == "error" for problem in problems):
        line = SOUND[: at.start()].count(b"\n") + 1
        # Most name the very line; the others name the line whose values contradict it.
        return "reported at its line" if any(p.line == line for p in problems) else "reported elsewhere"
    assert len({path.partition("#")[0].rpartition("[")[0] or path for path in differing}) <= 2, differing
    if typed == at[0] or not differing:
        return "same"
    return "asked" if problems else "read as typed"


@pytest.mark.walk
def test_slips_in_values() -> None:
    assert "reported at its line" in {slip(seed) for seed in range(60)}


@pytest.mark.slow
def test_five_hundred_slips_in_values() -> None:
    outcomes = [slip(seed) for seed in range(1_000, 1_500)]
    counts = {kind: outcomes.count(kind) for kind in sorted(set(outcomes))}
    print(counts)
    assert sum(counts.values()) == 500
    assert counts["reported at its line"] > 200


@pytest.mark.slow
def test_five_hundred_mutations_of_the_file() -> None:
    """Count what 500 mutations of the bytes of a record lead to."""
    counts = {"reported": 0, "no complaint": 0}
    for seed in range(500):
        source = random.Random(seed)
        content = SOUND
        for _ in range(source.randint(1, 4)):
            content = mutated(content, source) or b"x"
        counts["reported" if check(content) else "no complaint"] += 1
    print(counts)
    assert counts["reported"] > 250


@pytest.mark.slow
@pytest.mark.parametrize("block", range(20))
def test_many_mutations(block: int) -> None:
    for seed in range(1000 + block * 500, 1500 + block * 500):
        source = random.Random(seed)
        content = SOUND
        for _ in range(source.randint(1, 6)):
            content = mutated(content, source) or b"x"
        check(content)


def test_mutations_do_find_something() -> None:
    found = [bool(check(mutated(SOUND, random.Random(seed)))) for seed in range(60)]
    assert sum(found) > 30


@given(st.binary(max_size=200))
@settings(max_examples=100, deadline=None)
def test_any_bytes(content: bytes) -> None:
    check(content)


@pytest.mark.walk
@given(
    st.recursive(
        st.text(max_size=8),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
        max_leaves=8,
    ),
    st.sampled_from(["study", "arms", "outcomes", "extraction", "appraisal", "funding", "note"]),
)
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_value_in_the_place_of_a_section(value: object, section: str) -> None:
    import json

    text = SOUND.decode()
    start = text.index(f"\n{section}:") if f"\n{section}:" in text else len(text)
    end = next(
        (i for i in range(start + 1, len(text)) if text[i - 1] == "\n" and text[i].isalpha()), len(text)
    )
    replaced = f"{text[:start]}\n{section}: {json.dumps(value, ensure_ascii=True)}\n{text[end:]}"
    check(replaced.encode("utf-8", "replace"))


NUMBERS = [
    "age: {mean: 61.2",
    "women: 25",
    "events: 4",
    "total: 30",
    "mean: 20.5",
    "standard_deviation: 14.2",
    "bilateral: 3",
    "year: 2016",
]


@pytest.mark.lengthy
@given(
    st.sampled_from(NUMBERS),
    st.sampled_from(
        ["3,2", "1:30", "012", "1_000", "inf", "nan", "5 kg", "<0.1", "1 000", "0x10", "4-6", "٣"]
    ),
)
@settings(max_examples=100, deadline=None)
def test_a_number_that_is_none_is_always_an_error(old: str, typed: str) -> None:
    text = SOUND.decode()
    name = old.rpartition(":")[0]
    problems = check(text.replace(old, f"{name}: '{typed}'", 1).encode())
    line = text[: text.index(old)].count("\n") + 1
    assert any(
        p.severity == "error" and p.line == line and p.field.endswith(name.rpartition("{")[2].strip())
        for p in problems
    )
