"""A plain table of causes: what is read, added up, assumed and refused."""

from __future__ import annotations

from typing import Any

import pytest

from metakit.errors import DataError
from metakit.forms.library import vocabulary
from metakit.measures.cells import raw_table
from metakit.models.causes_of_return.causes_table import cause_words, returns_of_table


def read(*rows: tuple[Any, ...], columns: str = "study cause thumbs total") -> Any:
    names = columns.split()
    return returns_of_table(
        raw_table({name: [row[place] for row in rows] for place, name in enumerate(names)})
    )


def problems(*rows: tuple[Any, ...], columns: str = "study cause thumbs total") -> list[str]:
    with pytest.raises(DataError) as caught:
        read(*rows, columns=columns)
    return [str(problem) for problem in caught.value.problems]


def test_every_word_of_the_vocabulary_is_read() -> None:
    known = cause_words()
    for term in vocabulary("return_causes"):
        for words in (term.id, term.label, *term.synonyms):
            assert known[" ".join(words.replace("_", " ").replace("-", " ").casefold().split())] == term.id, (
                words
            )


def test_two_words_of_one_cause_are_added_up_and_said() -> None:
    found = read(("A", "trapezium remnant", 2, 50), ("A", "loose body", 1, 50))
    assert found.studies[0].counts == {"residual_bone": 3}
    assert "added up" in str(found.assumptions[0])


def test_what_stands_under_no_cause_is_not_stated() -> None:
    found = read(("A", "all causes", 5, 50), ("A", "infection", 3, 50))
    assert (found.studies[0].returned, found.studies[0].not_stated) == (5, 2)
    assert "3 of 5" in str(found.assumptions[0])


def test_all_problems_come_at_once_with_their_lines() -> None:
    found = problems(
        ("A", "infektion", 2, 50),
        ("", "infection", 1.5, 50),
        ("B", "infection", "", 50),
    )
    assert len(found) == 4
    assert "did you mean infection" in found[0]
    assert [text.split(":")[1] for text in found] == ["1", "2", "2", "3"]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([("A", "infection", 2, 50), ("A", "infection", 3, 50)], "stands twice"),
        ([("A", "infection", 2, 50), ("A", "nerve", 3, 40)], "not the same in all rows"),
        ([("A", "infection", 60, 50)], "more thumbs came back than were operated"),
        ([("A", "all_causes", 3, 50), ("A", "infection", 2, 50), ("A", "nerve", 2, 50)], "write overlap yes"),
    ],
)
def test_what_cannot_be_is_refused(rows: list[tuple[Any, ...]], words: str) -> None:
    assert any(words in text for text in problems(*rows))


def test_overlap_needs_the_number_that_came_back() -> None:
    columns = "study cause thumbs total overlap"
    assert "all_causes" in problems(("A", "infection", 2, 50, "yes"), columns=columns)[0]
    assert "neither yes nor no" in problems(("A", "infection", 2, 50, "perhaps"), columns=columns)[0]
    too_many = problems(("A", "all_causes", 1, 50, "yes"), ("A", "infection", 2, 50, "yes"), columns=columns)
    assert "one cause has more thumbs" in too_many[0]


def test_a_missing_column_is_named() -> None:
    assert "lacks this column" in problems(("A", 3, 50), columns="study thumbs total")[0]


def test_columns_that_are_not_used_are_said() -> None:
    found = read(("A", "infection", 2, 50, "x"), columns="study cause thumbs total colour")
    assert "colour" in found.notes[0]


def test_a_study_spelt_otherwise_and_more_thumbs_than_there_are_stop() -> None:
    (told,) = problems(("Smith A", "implant_loosening", 3, 40), ("smith-a", "implant_loosening", 4, 40))
    assert "stands in row 1 already, spelt 'Smith A'" in told and "smith-a" in told
    (told,) = problems(("A", "implant_loosening", 1, 99_999_999_999))
    assert "more thumbs than there are" in told and "at most 1,000,000" in told


def test_a_thumb_without_a_stated_cause_cannot_stand_under_one() -> None:
    columns = "study cause thumbs total overlap"
    rows = [("A", "all_causes", 8, 90, "yes"), ("A", "infection", 6, 90, "yes"), ("A", "nerve", 5, 90, "yes")]
    assert read(*rows, ("A", "not_stated", 2, 90, "yes"), columns=columns).studies[0].not_stated == 2
    found = problems(*rows, ("A", "not_stated", 3, 90, "yes"), columns=columns)
    assert "more thumbs than have a stated cause" in found[0]
    assert "6 and 3 not stated, 8 came back" in found[0]
