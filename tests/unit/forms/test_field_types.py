"""Field types: what they accept, what they answer to the rest."""

from __future__ import annotations

import datetime

import pytest

from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.specs import FieldSpec, Term
from metakit.forms.typed_numbers import Refused

TERMS = {
    "lrti": Term(id="lrti", label="LRTI", synonyms=("ligament reconstruction and tendon interposition",)),
    "haematoma_distraction": Term(id="haematoma_distraction", label="Haematoma", synonyms=("HDA",)),
    "yes": Term(id="yes"),
}


def convert(kind: str, text: str, **facts: object) -> object:
    spec = FieldSpec(name="f", type=kind, terms=TERMS if kind.startswith("choice") else {}, **facts)  # type: ignore[arg-type]
    return FIELD_TYPES[kind].convert(text, spec).value


@pytest.mark.parametrize(
    ("text", "value"), [("yes", True), ("No", False), ("false", False), ("TRUE", True), ("y", True)]
)
def test_yes_no(text: str, value: bool) -> None:
    assert convert("yes_no", text) is value


@pytest.mark.parametrize("text", ["on", "off", "1", "0", "maybe", ""])
def test_yes_no_refuses_the_rest(text: str) -> None:
    with pytest.raises(Refused, match="neither yes nor no"):
        convert("yes_no", text)


def test_dates() -> None:
    assert convert("date", "2024-02-29") == datetime.date(2024, 2, 29)
    assert convert("partial_date", "2012") == "2012"
    assert convert("partial_date", "2012-06") == "2012-06"


@pytest.mark.parametrize(
    ("kind", "text", "words"),
    [
        ("date", "2023-02-29", "no such day"),
        ("date", "15/03/2024", "mixed up"),
        ("date", "3.4.24", "mixed up"),
        ("date", "2024-3-5", "write 2024-03-05"),
        ("date", "2024", "year-month-day"),
        ("date", "٢٠٢٤-٠١-٠١", "year-month-day"),
        ("partial_date", "2012-13", "no such day"),
        ("partial_date", "June 2012", "2024-05"),
    ],
)
def test_refused_dates(kind: str, text: str, words: str) -> None:
    with pytest.raises(Refused) as refused:
        convert(kind, text)
    assert words in f"{refused.value.what} {refused.value.allowed} {refused.value.hint}"


@pytest.mark.parametrize("text", ["lrti", "LRTI", " Lrti "])
def test_choices_ignore_case(text: str) -> None:
    assert convert("choice", text) == "lrti"


@pytest.mark.parametrize(
    ("text", "term"),
    [("HDA", "haematoma_distraction"), ("ligament reconstruction and tendon interposition", "lrti")],
)
def test_a_synonym_is_taken_and_told(text: str, term: str) -> None:
    spec = FieldSpec(name="f", type="choice", terms=TERMS)
    converted = FIELD_TYPES["choice"].convert(text, spec)
    assert (converted.value, converted.note) == (term, f"read as {term}")


def test_an_unknown_choice_gets_the_nearest() -> None:
    with pytest.raises(Refused) as refused:
        convert("choice", "hematoma_distraction")
    assert "haematoma_distraction" in refused.value.hint


@pytest.mark.parametrize(
    ("text", "fine"),
    [
        ("A", True),
        ("TEST-01_b", True),
        ("", False),
        ("a b", False),
        ("../x", False),
        ("-a", False),
        ("é", False),
        ("a" * 61, False),
    ],
)
def test_identifiers(text: str, fine: bool) -> None:
    if fine:
        assert convert("identifier", text) == text
    else:
        with pytest.raises(Refused):
            convert("identifier", text)


def test_limits() -> None:
    assert convert("number", "3", hard_minimum=3) == 3.0
    with pytest.raises(Refused, match="too low"):
        convert("number", "2.9", hard_minimum=3)
    with pytest.raises(Refused, match="too high"):
        convert("integer", "9", hard_maximum=8)
    with pytest.raises(Refused, match="too high"):
        convert("percent", "101")
    assert convert("percent", "101", hard_maximum=250) == 101.0


def test_integers_are_whole_and_numbers_are_not_taken_for_yes() -> None:
    assert convert("integer", "12.0") == 12
    assert isinstance(convert("integer", "12.0"), int)
