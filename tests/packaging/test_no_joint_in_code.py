"""The code holds no outcome, technique or word of one joint: those stand in forms, so that another joint has its own."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

from metakit.core.nouns import Nouns
from metakit.forms.bundled import forms_folder

ROOT = Path(__file__).resolve().parents[2]
OF_METHOD = {
    "appraisal_domains", "appraisal_instruments", "appraisal_levels", "certainty_domains", "effect_measures",
    "exclusion_reasons", "moderators", "nouns", "search_kinds", "sensitivity_kinds", "study_designs", "units",
}  # fmt: skip
"""Vocabularies whose terms the code carries out, one entry of a registry each, whatever joint is operated on."""
EXCEPTIONS = {
    "not_stated": "a cause or an operation that no report names: what every vocabulary of them has",
    "other": "a cause that no term fits: what every vocabulary of them has",
    "last_follow_up": "the study form's own word for a time without months",
    "implant": "a fact of components, before it is an operation of the example",
    "age": "a column of study tables and a moderator, before it is a kind of case mix",
}
MODERATORS = {"metakit/synthesis/exploring/moderator_values.py": {"mp_hyperextension"}}
"""A moderator is a function of that module under its own name (a term of `moderators`)."""
pytestmark = pytest.mark.lengthy
THUMBS = Nouns({"thumb": "toe", "thumbs": "toes", "thumb base": "first MTP joint"})


@cache
def literals() -> tuple[tuple[str, int, str], ...]:
    """Return file, line and text of every string in the code that is no docstring."""
    found = []
    for path in sorted((ROOT / "metakit").rglob("*.py")):
        source = path.read_text(encoding="utf-8")
        if "thumb" not in source.lower() and not set(re.findall("[a-z0-9_]+", source)) & ids().keys():
            continue
        tree = ast.parse(source)
        told = {
            id(line.value)
            for node in ast.walk(tree)
            if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef))
            for line in node.body
            if isinstance(line, ast.Expr)
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told:
                found.append((path.relative_to(ROOT).as_posix(), node.lineno, node.value))
    return tuple(found)


@cache
def ids() -> dict[str, set[str]]:
    """Return every id of every vocabulary of the forms, with the vocabularies that have it."""
    found: dict[str, set[str]] = {}
    for path in sorted(forms_folder().rglob("vocabularies/*.yaml")):
        if path.stem not in OF_METHOD:
            for name in re.findall(r"(?m)^  - \{?id: ([a-z0-9_]+)", path.read_text(encoding="utf-8")):
                found.setdefault(name, set()).add(path.stem)
    return found


def found_in(text: str) -> set[str]:
    """Return the ids in a string: whole, or (where an id has parts) as a word of it."""
    words = set(re.findall(r"[a-z0-9]+(?:_[a-z0-9]+)+", text))
    return {text} & ids().keys() | words & ids().keys()


def test_no_term_of_a_joint_stands_in_code() -> None:
    assert len(ids()) > 250 and {"revision_index", "lrti", "foot_score", "mp_arthrodesis"} <= ids().keys()
    held = [
        f"{file}:{line}: {name} of {', '.join(sorted(ids()[name]))}"
        for file, line, text in literals()
        for name in found_in(text) - EXCEPTIONS.keys() - MODERATORS.get(file, set())
    ]
    assert held == []


def test_no_exception_is_about_an_outcome_and_none_is_idle() -> None:
    used = {name for _, _, text in literals() for name in found_in(text)}
    for name in EXCEPTIONS:
        assert name in used
        assert "outcomes" not in ids()[name]


def test_nouns_of_another_joint_replace_every_thumb_of_the_code() -> None:
    left = [
        f"{file}:{line}: {text!r}"
        for file, line, text in literals()
        if "thumb" in THUMBS.said(text).lower() and not re.search("thumbnail", text)
    ]
    assert left == []


@pytest.mark.parametrize("text", ["dash", "of revision_index within", "outcomes.key_pinch"])
def test_the_look_finds_them(text: str) -> None:
    assert found_in(text)
