"""What words at a place may mean: offered, checked against the percentage, never filled in."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metakit.papers.proposals import LONGEST_QUOTE, WordsRead, proposals_for

OUTCOME = (
    "events", "total", "percent", "n", "mean", "standard_deviation", "standard_error", "median", "minimum",
    "maximum", "interval.lower", "interval.upper", "quartiles.first", "quartiles.third",
)  # fmt: skip


def read(quote: str, field: str = "events", fields: tuple[str, ...] = OUTCOME, total: str = "") -> WordsRead:
    return proposals_for(quote, field=field, fields=fields, total=total)


def values(found: WordsRead) -> list[dict[str, str]]:
    return [dict(proposal.values) for proposal in found.proposals]


def test_a_count_with_its_percentage_that_agrees() -> None:
    found = read("4/29 (13.8 %)")
    assert values(found) == [{"events": "4", "total": "29", "percent": "13.8"}]
    assert found.proposals[0].because == "13.8 % agrees with 4 of 29"
    assert found.question == ""


def test_a_percentage_that_does_not_agree_is_told() -> None:
    found = read("1/29 (4.3 %)")
    assert found.question == "1/29 is 3.45 %, not 4.3 %"
    assert found.proposals[0].because == "1 of 29 is 3.45 %, not 4.3 %"


def test_a_number_in_brackets_asks_and_is_held_against_the_total() -> None:
    found = read("5 (17)", total="29")
    assert "a count with its percentage, a mean with its standard deviation" in found.question
    assert values(found)[0] == {"events": "5", "percent": "17"}
    assert found.proposals[0].because == "17 % agrees with 5 of 29"
    assert {"mean": "5", "standard_error": "17"} in values(found)


def test_plus_minus_asks_what_it_means() -> None:
    found = read("18.2 ± 2.88ᶜ", field="mean")
    assert found.question == "is 2.88 the standard deviation or the standard error?"
    assert values(found) == [
        {"mean": "18.2", "standard_deviation": "2.88"},
        {"mean": "18.2", "standard_error": "2.88"},
    ]
    assert any("ᶜ" in told for told in found.told)


def test_limits_in_brackets_ask_unless_the_entry_is_about_an_estimate() -> None:
    assert len(values(read("18.2 (16.1 to 20.3)", field="mean"))) == 4
    contrast = ("estimate", "interval.lower", "interval.upper", "p_value")
    found = read("0.52 (0.28 to 0.98)", field="estimate", fields=contrast)
    assert values(found) == [{"estimate": "0.52", "interval.lower": "0.28", "interval.upper": "0.98"}]
    assert values(read("P<0.001", field="estimate", fields=contrast)) == [{"p_value": "<0.001"}]


def test_a_dash_is_neither_zero_nor_missing_until_a_person_says_so() -> None:
    assert values(read("–")) == []
    assert read("–").question.endswith("none, or not reported?")
    assert values(read("NR")) == [{"events": "not_reported"}]


def test_a_comma_asks_and_counts_have_no_decimals() -> None:
    assert values(read("18,2 ± 2,9", field="mean"))[0] == {"mean": "18.2", "standard_deviation": "2.9"}
    assert read("18,2 ± 2,9", field="mean").question.startswith("is 18,2 the number 18.2?")
    assert values(read("1,050/1,234 (85 %)")) == [{"events": "1050", "total": "1234", "percent": "85"}]


def test_words_are_a_quotation_and_nothing_else() -> None:
    assert read("no complication was seen").proposals == ()
    assert read("no complication was seen").question == ""


def test_a_count_beside_another_kind_of_entry_gives_its_own_field() -> None:
    assert values(read("21 (72 %)", field="women", fields=("women", "bilateral"))) == [{"women": "21"}]


@pytest.mark.parametrize("field", ["events", "mean"])
@given(quote=st.one_of(st.text(max_size=400), st.text("0123456789.,/%()±<- abc−–", max_size=40)))
def test_any_text_is_read_without_a_fault(field: str, quote: str) -> None:
    found = read(quote, field=field, total="29")
    assert len(found.quote) <= LONGEST_QUOTE
    for proposal in found.proposals:
        assert proposal.values
        assert set(proposal.values) <= set(OUTCOME)
        assert all(text for text in proposal.values.values())
