"""The demonstration review with hostile words in every text that a form lets a person type.

Ids, choices and numbers stay, so that every analysis, network, exploration and judgement is still carried out.
"""

from __future__ import annotations

import csv
import io
import itertools
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import yaml
from yaml.emitter import Emitter
from yaml.representer import SafeRepresenter
from yaml.resolver import BaseResolver
from yaml.serializer import Serializer

from metakit.forms.library import shipped
from metakit.forms.specs import FieldSpec, Form

ROOT = Path(__file__).resolve().parents[3]
WORDS = (
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)> & &amp; &lt;",
    "</style></script></svg></title><svg onload=alert(1)>",
    '" onmouseover="alert(1)" x=\' \\ %s %(a)s {0}',
    "{{ 7*7 }}{% raw %}${7*7}",
    "US$5 vs US$6 $\\frac{a}{b}$ _{x} ^2",
    "👍🏽 thumbs ✌️ 🦴 👩‍⚕️",
    "שלום מרחבא عملية الإبهام",
    "手外科 第一腕手骨関節 Ω≈ç√∫ Z̵̡a̷l̸g̶o̸",
    "=HYPERLINK(1+1) @SUM +1 -1",
    "A title that never ends and never ends " * 5,
    "x" * 200,
)
"""The last two have 200 characters: with places to break, and without."""
KEPT = {
    "plan_hash",
    "doi",
    "pubmed_id",
    "file",
    "sha256",
    "field",
    "values",
    "analysis",
    "answer",
    "page",
    "whole",
    "part",
}
"""Texts that other things hang on: hashes, identifiers, names of fields."""


class Typed(str):
    """A text that somebody typed: quoted when written."""

    __slots__ = ()


class _Dumper(Emitter, Serializer, SafeRepresenter, BaseResolver):
    """Writes every other scalar bare, as it was read."""

    def __init__(self, stream: Any, **options: Any) -> None:
        Emitter.__init__(self, stream, width=100_000, allow_unicode=True)
        Serializer.__init__(self)
        SafeRepresenter.__init__(self, sort_keys=False)
        BaseResolver.__init__(self)

    def ignore_aliases(self, data: Any) -> bool:
        return True


_Dumper.add_representer(
    Typed, lambda dumper, text: dumper.represent_scalar("tag:yaml.org,2002:str", str(text), style='"')
)


def hostile(tree: Any, form: Form, words: Iterator[str]) -> Any:
    """Return a record with hostile words before every typed text, and as every note that may be written."""

    def group(entry: dict[str, Any], specs: Sequence[FieldSpec]) -> dict[str, Any]:
        known = {spec.name: spec for spec in specs}
        done = {
            name: value(content, known[name]) if name in known else content for name, content in entry.items()
        }
        if known.get("note") and known["note"].type == "text" and "note" not in done:
            done["note"] = Typed(next(words))
        return done

    def value(content: Any, spec: FieldSpec) -> Any:
        if isinstance(content, dict):
            return group(content, form.fields_of(spec))
        if isinstance(content, list):
            return [value(one, spec) for one in content]
        if spec.type == "text" and content and spec.name not in KEPT and content != "not_reported":
            return Typed(f"{next(words)} {content}")
        return Typed(content) if content == "" else content

    return group(tree, form.sections)


def _write_record(path: Path, form: Form, words: Iterator[str]) -> None:
    tree = yaml.load(path.read_text(encoding="utf-8"), yaml.CBaseLoader)  # noqa: S506 - text only, our own file
    text = yaml.dump(hostile(tree, form, words), Dumper=_Dumper)
    path.write_text(text, encoding="utf-8")


def _write_table(path: Path, names: Sequence[str], words: Iterator[str]) -> None:
    """Put hostile words into the named columns of a table, below its lines of comment."""
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    rows = csv.DictReader([line for line in lines if not line.startswith("#")])
    out = io.StringIO()
    writer = csv.DictWriter(out, rows.fieldnames or [], lineterminator="\n")
    writer.writeheader()
    for row in rows:
        changed = {name: f"{next(words)} {row[name]}" for name in names if row.get(name)}
        writer.writerow(row | changed)
    path.write_text(out.getvalue(), encoding="utf-8")


def write_hostile_review(folder: Path) -> Path:
    """Copy the demonstration review to a folder, hostile; its unit stands in `unit.yaml`."""
    shutil.copytree(ROOT / "demo_studies", folder)
    words = itertools.cycle(WORDS)
    library = shipped()
    for name, pattern in {
        "study": "**/*.yaml",
        "search": "selection/searches/*.yaml",
        "protocol": "protocol.yaml",
        "certainty": "certainty.yaml",
        "unit": "unit.yaml",
    }.items():
        for path in sorted(folder.glob(pattern)):
            if name != "study" or path.parent.parent.name == "extractors" or path.parent.name == "records":
                _write_record(path, library.form(name), words)
    selection = folder / "selection"
    _write_table(selection / "citations.csv", ("title", "authors", "journal"), words)
    _write_table(selection / "removed.csv", ("reason",), words)
    for path in sorted(selection.glob("screening_*.csv")):
        _write_table(path, ("note", "decided_by"), words)
    return folder
