"""One study typed twice stops, in tables and from Python, in every command, until somebody says they differ.

Source: Cochrane Handbook, section 5.2.1 (multiple reports of one study are linked, never counted twice); the
spellings are common practice, no source.
"""

from __future__ import annotations

import pytest

from metakit.errors import DataError
from metakit.measures.cells import raw_table
from metakit.measures.tables import effect_sizes
from metakit.measures.twins import folded, twins

SPELLINGS = [
    "smith 2001",
    "Smith2001",
    "Smith-2001",
    "SMITH\u20142001",
    "Smíth 2001",
    "Smith\u00a02001",
    "Smith_2001",
    "Ｓmith 2001",
    "Smith 2001.",
    "Smith, 2001",
    "\u0405m\u0456th 2001",
    "Smi\u03a4h 2001",
]


@pytest.mark.parametrize("name", SPELLINGS)
def test_spellings_are_one_name(name: str) -> None:
    assert folded(name) == folded("Smith 2001")
    table = {
        "study": ["Smith 2001", name], "events_1": [3, 4], "total_1": [40, 50], "events_2": [5, 6], "total_2": [40, 50],
    }  # fmt: skip
    with pytest.raises(DataError) as error:
        effect_sizes(table, measure="risk_ratio")
    (problem,) = error.value.problems
    assert problem.line == 2 and "row 1" in problem.what and "apart" in problem.hint
    assert effect_sizes(table, measure="risk_ratio", rows_differ=True).study == ("Smith 2001", name)
    assert len(effect_sizes({**table, "apart": ["women", "men"]}, measure="risk_ratio").study) == 2


@pytest.mark.parametrize("name", ["Smith 2002", "Smith 2001a", "Smith 2001²", "Smithe 2001", "Smith 200.1"])
def test_other_names_are_others(name: str) -> None:
    assert folded(name) != folded("Smith 2001")


def test_rows_with_the_same_numbers_stop_and_two_numbers_are_a_note() -> None:
    table = {
        "study": ["A", "B"],
        "events_1": [3, "3.0"],
        "total_1": [40, 40],
        "events_2": [5, 5],
        "total_2": [41, 41],
    }
    with pytest.raises(DataError, match=r"every number is that of row 1 \(A\)"):
        effect_sizes(table, measure="risk_ratio")
    assert len(effect_sizes({**table, "year": [2001, 2003]}, measure="risk_ratio").study) == 2
    two = effect_sizes({"study": ["A", "B"], "events": [0, 0], "total": [20, 20]}, measure="proportion")
    assert any("B has the same few numbers as A" in note for note in two.notes)


def test_letters_with_strokes_are_spellings() -> None:
    assert (
        folded("Østby") == folded("Ostby") and folded("Łuk") == folded("Luk") and folded("Æ") == folded("ae")
    )


def test_the_spelling_is_shown_only_where_it_differs() -> None:
    def said(first: str, second: str) -> str:
        table = raw_table({"study": [first, second], "events": [1, 2], "total": [9, 8]})
        (problem,) = twins(table, [first, second])[0]
        return problem.what

    assert said("Alder 2014", "Alder 2014") == "this study stands in row 1 already"
    assert said("Alder 2014", "alder-2014") == "this study stands in row 1 already, spelt 'Alder 2014'"
