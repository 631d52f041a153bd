"""Fields changed by address: groups made and emptied, keys that move, entries added and removed."""

from __future__ import annotations

import pytest

from metakit.desk.changes import Change, ConflictError, with_changes, with_entry, without_entry
from metakit.errors import UsageError
from metakit.forms.library import shipped
from metakit.forms.splice import plain_of

TEXT = """form: study
form_version: 1
study:
  id: S-1   # ours
arms:
  - id: A
    thumbs: {analysed: 30}   # table 1
    age: {mean: 61}
  - label: no id yet
outcomes:
  - arm: A
    outcome: any_complication
    time: {value: 12, unit: months}
    events: 4
answered_questions:
  - {rule: r, field: "outcomes[A/any_complication/12/months].events", values: "4"}
places:
  - {field: "outcomes[A/any_complication/12/months].events", page: 4}
"""
FORM = shipped().form("study")


def changed(address: str, old: str, new: str, *, text: str = TEXT, seen: bool = True):
    return with_changes(text, FORM, [Change(address=address, old=old, new=new)], seen=seen)


def test_a_new_field_stands_where_the_form_has_it() -> None:
    text, _ = changed("study.year", "", "2016")
    assert text == TEXT.replace("# ours\n", "# ours\n  year: 2016\n")
    text, _ = changed("design.type", "", "randomised")
    assert text == TEXT.replace("arms:\n", "design:\n  type: randomised\narms:\n", 1)
    text, _ = changed("arms[A].thumbs.allocated", "", "33")
    assert text == TEXT.replace("{analysed: 30}", "{allocated: 33, analysed: 30}")


def test_a_list_is_typed_below_each_other() -> None:
    text, _ = changed("arms[A].components", "", "kwire_fixation\r\n\r\nti_fcr ")
    assert plain_of(text)["arms"][0]["components"] == ["kwire_fixation", "ti_fcr"]
    back, _ = changed("arms[A].components", "kwire_fixation\nti_fcr", "", text=text)
    assert plain_of(back)["arms"][0]["components"] == ""


def test_the_last_value_of_a_small_group_takes_the_group_along() -> None:
    text, _ = changed("arms[A].age.mean", "61", "")
    assert text == TEXT.replace("{mean: 61}", "")
    text, _ = changed("arms[A].thumbs.analysed", "30", "")
    assert "thumbs: {analysed: }" in text  # a required group stays, so that it is asked for


def test_a_comment_keeps_the_group_that_it_stands_in() -> None:
    commented = TEXT.replace("age: {mean: 61}", "age:\n      median:\n      # as printed\n      mean: 61")
    text, _ = changed("arms[A].age.mean", "61", "", text=commented)
    assert "# as printed" in text
    assert plain_of(text)["arms"][0]["age"] == {"median": "", "mean": ""}


def test_what_is_kept_under_an_address_follows_its_entry() -> None:
    text, moved = changed("outcomes[A/any_complication/12/months].time.value", "12", "24")
    new = "outcomes[A/any_complication/24/months]"
    assert moved == (("outcomes[A/any_complication/12/months]", new),)
    assert plain_of(text)["answered_questions"][0]["field"] == f"{new}.events"
    assert plain_of(text)["places"][0]["field"] == f"{new}.events"
    assert text == TEXT.replace("value: 12", "value: 24").replace("/12/months]", "/24/months]")


def test_an_entry_without_a_key_is_only_changed_in_the_file_that_was_seen() -> None:
    text, moved = changed("arms[2].id", "", "B")
    assert moved == (("arms[2]", "arms[B]"),)
    assert "label: no id yet" in text
    with pytest.raises(ConflictError):
        changed("arms[2].label", "no id yet", "x", seen=False)
    text, _ = changed("arms[A].thumbs.analysed", "30", "31", seen=False)
    assert text == TEXT.replace("analysed: 30", "analysed: 31")


@pytest.mark.parametrize(
    "address", ["arms[Z].label", "nowhere", "arms", "arms[A].thumbs", "arms[A].thumbs.nothing", ""]
)
def test_what_is_no_field_is_refused(address: str) -> None:
    with pytest.raises(UsageError, match="no field"):
        changed(address, "", "x")


def test_an_entry_is_added_once() -> None:
    keys = {"arm": "A", "outcome": "key_pinch", "time.value": "12", "time.unit": "months", "time.label": ""}
    text, address = with_entry(TEXT, FORM, "outcomes", keys)
    assert address == "outcomes[A/key_pinch/12/months]"
    assert "  - arm: A\n    outcome: key_pinch\n    time: {value: 12, unit: months}\n" in text
    assert plain_of(text)["outcomes"][0] == plain_of(TEXT)["outcomes"][0]
    with pytest.raises(UsageError, match="already"):
        with_entry(text, FORM, "outcomes", keys)
    with pytest.raises(UsageError, match="what the new entry"):
        with_entry(TEXT, FORM, "outcomes", {"arm": " "})
    with pytest.raises(UsageError, match="no list"):
        with_entry(TEXT, FORM, "study", {"id": "x"})
    with pytest.raises(UsageError, match="apart"):
        with_entry(TEXT, FORM, "arms", {"label": "x"})


def test_an_entry_is_added_within_an_entry() -> None:
    text, address = with_entry(TEXT, FORM, "arms[A].partly_given", {"component": "kwire_fixation"})
    assert address == "arms[A].partly_given[kwire_fixation]"
    assert plain_of(text)["arms"][0]["partly_given"] == [{"component": "kwire_fixation"}]
    again, _ = with_changes(text, FORM, [Change(address=f"{address}.thumbs", old="", new="7")], seen=False)
    assert plain_of(again)["arms"][0]["partly_given"] == [{"component": "kwire_fixation", "thumbs": "7"}]
    assert plain_of(without_entry(again, FORM, address))["arms"][0]["partly_given"] == ""


def test_an_entry_goes_with_what_was_kept_about_it() -> None:
    text = without_entry(TEXT, FORM, "outcomes[A/any_complication/12/months]")
    plain = plain_of(text)
    assert not plain["outcomes"]
    assert not plain["answered_questions"]
    assert not plain["places"]
    assert plain["arms"] == plain_of(TEXT)["arms"]
    with pytest.raises(UsageError, match="no such entry"):
        without_entry(TEXT, FORM, "outcomes[B/any_complication/12/months]")


def test_an_entry_within_an_entry_is_found_after_its_key_changed() -> None:
    text, address = with_entry(TEXT, FORM, "arms[A].partly_given", {"component": "kwire_fixation"})
    key = Change(address=f"{address}.component", old="kwire_fixation", new="lr_fcr_slip")
    text, moved = with_changes(text, FORM, [key], seen=True)
    assert moved == ((address, "arms[A].partly_given[lr_fcr_slip]"),)
    text, _ = with_changes(text, FORM, [Change(address=f"{moved[0][1]}.thumbs", old="", new="7")], seen=True)
    assert plain_of(text)["arms"][0]["partly_given"] == [{"component": "lr_fcr_slip", "thumbs": "7"}]


def test_several_terms_of_a_new_entry_become_a_list() -> None:
    """As they are typed into a field with terms, parted by commas."""
    form = shipped().form("protocol")
    text = "form: protocol\nform_version: 1\ncomparisons:\n"
    keys = {"id": "tendon", "label": "Tendon, or none", "technique": "lrti, trapeziectomy"}
    text, _ = with_entry(text, form, "comparisons", keys)
    assert plain_of(text)["comparisons"] == [{**keys, "technique": ["lrti", "trapeziectomy"]}]


def test_a_small_group_is_emptied_with_a_value_that_looks_like_a_comment() -> None:
    entry = "outcomes[A/any_complication/12/months]"
    text, _ = changed(f"{entry}.limit.as_reported", "", "under # 3")
    text, _ = changed(f"{entry}.limit.as_reported", "under # 3", "", text=text)
    assert "as_reported" not in text
