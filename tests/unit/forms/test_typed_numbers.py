"""Numbers as people type them (project's standards, section 7 'Numbers')."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metakit.forms.typed_numbers import Refused, parse_integer, parse_number, parse_percent, plain_form


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("3.2", 3.2),
        (" 7 ", 7),
        ("-0.5", -0.5),
        ("+4", 4),
        (".5", 0.5),
        ("5.", 5),
        ("1e3", 1000),
        ("2.5E-3", 0.0025),
        ("0", 0),
        ("0.0", 0),
    ],
)
def test_plain_numbers(text: str, value: float) -> None:
    read = parse_number(text)
    assert (read.value, read.note) == (value, "")


@pytest.mark.parametrize(
    ("text", "value", "note"),
    [
        ("\u22123", -3, "U+2212"),
        ("\u20133.5", -3.5, "U+2013"),
        ("\uff19", 9, "read as 9"),
        ("\u2212 4", -4, "minus"),
    ],
)
def test_unusual_characters_are_read_with_a_note(text: str, value: float, note: str) -> None:
    read = parse_number(text)
    assert read.value == value
    assert note in read.note


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("3,2", "write 3.2"),
        ("1,234", "write 1.234 for a decimal comma, 1234 for thousands"),
        ("-0,5", "write -0.5"),
        ("1:30", "write 90"),
        ("012", "write 12"),
        ("-007", "write -7"),
        ("00.5", "write 0.5"),
        ("1_000", "write 1000"),
        ("1 234", "write 1234"),
        ("1\u202f234", "write 1234"),
        ("1,234,567", "write 1234567"),
        ("5%", "write 5"),
        ("<0.001", "as_reported"),
        (">= 30", "as_reported"),
        ("inf", "not_reported"),
        ("-Infinity", "not_reported"),
        ("NaN", "not_reported"),
        ("NA", "not_reported"),
        ("", "not_reported"),
        ("3/40", "events and total apart"),
        ("3 of 40", "events and total apart"),
        ("61 (8)", "mean and standard deviation apart"),
        ("61.2 ± 8.0", "mean and standard deviation apart"),
        ("4-6", "minimum and maximum apart"),
        ("9.9 kg", "write 9.9"),
    ],
)
def test_refused_with_what_to_write(text: str, hint: str) -> None:
    with pytest.raises(Refused) as refused:
        parse_number(text)
    assert hint in refused.value.hint


@pytest.mark.parametrize(
    "text",
    [
        "0x10",
        "1e",
        "..",
        "1.2.3",
        "\u0661",
        "1e400",
        "1e-400",
        "9" * 5000,
        "9" * 20,
        "1e5000",
        "½",
        "--3",
        "a",
        "1" + "0" * 16,
    ],
)
def test_refused_without_a_guess(text: str) -> None:
    with pytest.raises(Refused):
        parse_number(text)


@pytest.mark.parametrize(("text", "value"), [("40", 40), ("40.0", 40), ("-3", -3)])
def test_integers(text: str, value: int) -> None:
    assert parse_integer(text).value == value


@pytest.mark.parametrize(("text", "hint"), [("40.5", "percent"), ("1e3", "write 1000"), ("012", "write 12")])
def test_refused_integers(text: str, hint: str) -> None:
    with pytest.raises(Refused) as refused:
        parse_integer(text)
    assert hint in refused.value.hint


@pytest.mark.parametrize("text", ["12.5", "12.5%", "12.5 %", "12.5％"])
def test_percent_sign_is_fine_in_a_percentage(text: str) -> None:
    assert parse_percent(text).value == 12.5


@given(st.floats(min_value=-9e14, max_value=9e14, allow_nan=False))
def test_what_python_writes_is_read_back_exactly(value: float) -> None:
    assert parse_number(repr(value)).value == value


@pytest.mark.lengthy
@given(st.text(max_size=30))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        read = parse_number(text)
    except Refused as refused:
        assert refused.what
    else:
        assert abs(read.value) < 1e15


def test_every_kind_of_space_around_a_number_is_one() -> None:
    for space in (0xA0, *range(0x2000, 0x200B), 0x202F, 0x205F, 0x3000):
        assert plain_form(f"1{chr(space)}2")[0] == "1 2", hex(space)
