"""Printed cells, read or asked about. Expected readings are written by hand from how journals print them."""

import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as some

from metakit.forms.sheets.printed_numbers import counts_that_fit, is_mark, percent_agrees, read_printed


@pytest.mark.parametrize(
    ("text", "shape", "values"),
    [
        ("12", "number", {"value": "12"}),
        ("−3.2", "number", {"value": "-3.2"}),
        ("1 204", "number", {"value": "1204"}),
        ("12\u2009345.5", "number", {"value": "12345.5"}),
        ("1,234,567", "number", {"value": "1234567"}),
        ("0·84", "number", {"value": "0.84"}),
        ("13.8 %", "percent", {"percent": "13.8"}),
        ("4/29", "count_of", {"events": "4", "total": "29"}),
        ("4 of 29", "count_of", {"events": "4", "total": "29"}),
        ("4/29 (13.8 %)", "count_of", {"events": "4", "total": "29", "percent": "13.8"}),
        ("4/29 (14)", "count_of", {"events": "4", "total": "29", "percent": "14"}),
        ("13.8% (4/29)", "count_of", {"events": "4", "total": "29", "percent": "13.8"}),
        ("1 (2.5 %)", "count_percent", {"events": "1", "percent": "2.5"}),
        ("2.5% (1)", "count_percent", {"events": "1", "percent": "2.5"}),
        ("18.2 ± 2.88ᶜ", "mean_spread", {"mean": "18.2", "spread": "2.88"}),
        ("18.2 +/- 2.9", "mean_spread", {"mean": "18.2", "spread": "2.9"}),
        ("18.2 (SD 2.9)", "mean_spread", {"mean": "18.2", "spread": "2.9", "what": "sd"}),
        ("18.2 [SE 0.4]", "mean_spread", {"mean": "18.2", "spread": "0.4", "what": "standard_error"}),
        ("0.52 (0.28 to 0.98)", "estimate_interval", {"estimate": "0.52", "lower": "0.28", "upper": "0.98"}),
        ("0.52 [0.28–0.98]", "estimate_interval", {"estimate": "0.52", "lower": "0.28", "upper": "0.98"}),
        ("0.52 (95 % CI 0.28, 0.98)", "estimate_interval", {"estimate": "0.52", "lower": "0.28", "upper": "0.98"}),
        ("-1.2 (-3.4 to 1.0)", "estimate_interval", {"estimate": "-1.2", "lower": "-3.4", "upper": "1.0"}),
        ("7–9", "range", {"lower": "7", "upper": "9"}),
        ("<0.001", "bound", {"sign": "<", "value": "0.001"}),
        ("p = 0.04", "number", {"value": "0.04"}),
        ("NR", "missing", {}),
        ("–", "missing", {}),
        ("", "missing", {}),
        ("Alderwick 2014", "text", {}),
    ],
)  # fmt: skip
def test_a_cell_with_one_reading_is_read(text, shape, values):
    read = read_printed(text)
    assert (read.shape, dict(read.values), read.question) == (shape, values, "")


@pytest.mark.parametrize(
    ("text", "question"),
    [
        ("1/29 (4.3 %)", "1/29 is 3.45 %, not 4.3 %"),
        ("30/29", "30 of 29 is more than all"),
        ("5 (17)", "is 5 (17) a count with its percentage"),
        ("1,234", "is 1,234 the number 1.234 or 1234?"),
        ("3,2", "is 3,2 the number 3.2?"),
        ("0.52 (0.98 to 0.28)", "runs from 0.98 down to 0.28"),
        ("0.12 (0.28 to 0.98)", "0.12 lies outside"),
    ],
)
def test_a_cell_with_two_readings_asks(text, question):
    assert question in read_printed(text).question


def test_a_column_of_decimal_commas_is_read_so():
    assert dict(read_printed("3,2 ± 1,05", decimal_comma=True).values) == {"mean": "3.2", "spread": "1.05"}
    assert "decimal comma" in " ".join(read_printed("3,2", decimal_comma=True).told)


@pytest.mark.parametrize(
    ("text", "value", "marks"),
    [
        ("3²", "3", ("²",)),
        ("12⁵", "12", ("⁵",)),
        ("12a", "12", ("a",)),
        ("12*†", "12", ("*†",)),
        ("41①", "41", ("①",)),
    ],
)
def test_a_mark_is_never_a_digit(text, value, marks):
    read = read_printed(text)
    assert (read.values["value"], read.marks) == (value, marks) and "left out" in read.told[0]


def test_no_character_with_a_numeric_value_joins_a_number_in_silence():
    """Walks the Unicode character database of Python (unicodedata): only ASCII digits are digits."""
    for code in range(128, sys.maxunicode + 1):
        character = chr(code)
        if unicodedata.numeric(character, None) is None:
            continue
        for text in (f"3{character}", f"{character}3", f"3/4{character}"):
            read = read_printed(text)
            taken = "".join(read.values.values())
            assert not taken or is_mark(character), (hex(code), read)
            assert all(c in "0123456789" for c in taken), (hex(code), read)
            assert read.shape == "text" or any("left out" in line for line in read.told)


@given(some.integers(1, 2000), some.data(), some.integers(0, 3))
def test_percentages_as_printed_agree_with_their_counts(total, data, decimals):
    events = data.draw(some.integers(0, total))
    percent = f"{100 * events / total:.{decimals}f}"
    assert percent_agrees(events, total, percent)
    assert events in counts_that_fit(percent, total)
    assert all(
        f"{100 * count / total:.{decimals}f}" == percent
        or abs(100 * count / total - float(percent)) <= 0.5 * 10**-decimals + 1e-9
        for count in counts_that_fit(percent, total)
    )


def test_the_percentage_of_a_small_total_names_one_count():
    assert counts_that_fit("13.8", 29) == (4,)
    assert counts_that_fit("14", 29) == (4,)
    assert counts_that_fit("13", 29) == ()
    assert len(counts_that_fit("2", 1000)) == 11


@pytest.mark.parametrize(
    ("text", "question"),
    [
        ("4/29 (13,8 %)", "is 13,8 the number 13.8?"),
        ("1/29 (4,3 %)", "1/29 is 3.45 %, not 4,3 %"),
        ("4/1,234", "is 1,234 the number 1.234 or 1234?"),
    ],
)
def test_counts_with_commas_ask_and_never_fail(text: str, question: str) -> None:
    assert read_printed(text).question == question


@pytest.mark.parametrize(
    ("text", "comma", "told"),
    [
        ("12", False, ()),
        ("-3.2", False, ()),
        ("4/29 (13.8 %)", False, ()),
        ("3.2", True, ()),
        ("−3.2", False, ("the sign in −3.2 is read as minus",)),
        ("1 204", False, ("1 204 is read with spaces between thousands",)),
        ("0·84", False, ("the raised point in 0·84 is read as a decimal point",)),
        ("3,2", True, ("3,2 is read with a decimal comma",)),
        ("1,234,567", False, ("1,234,567 is read with commas between thousands",)),
        ("NR", False, ("NR is read as no number (not reported)",)),
    ],
)
def test_each_change_is_told_and_nothing_else(text: str, comma: bool, told: tuple[str, ...]) -> None:
    assert read_printed(text, decimal_comma=comma).told == told


def test_no_percentage_is_that_of_nothing():
    for total in (0, -1):
        assert not percent_agrees(0, total, "0")
        assert counts_that_fit("0", total) == ()
    assert percent_agrees(0, 1, "0") and counts_that_fit("100", 1) == (1,)


@pytest.mark.parametrize("text", ["0.28 (0.28 to 0.98)", "0.98 (0.28 to 0.98)", "0.5 (0.5 to 0.5)"])
def test_an_estimate_may_lie_on_its_limit(text):
    assert read_printed(text).question == ""
