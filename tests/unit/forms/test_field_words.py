"""Names of fields as words: abbreviations as surgeons write them, on the desk's forms and in workbooks alike."""

import pytest

from metakit.forms.field_words import begun, plain_words
from metakit.forms.library import shipped
from metakit.forms.record_workbooks.layout import key_of


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("mp_option", "MP option"),
        ("st_option", "ST option"),
        ("stt_arthritis", "STT arthritis"),
        ("mp_preoperative", "MP preoperative"),
        ("icc", "ICC"),
        ("doi", "DOI"),
        ("eaton_stage", "Eaton stage"),
        ("pubmed_id", "PubMed id"),
        ("first_stage", "first stage"),
        ("stiff", "stiff"),
    ],
)
def test_abbreviations_are_written_as_the_field_writes_them(name, words):
    assert plain_words(name) == words
    assert key_of(words) == name  # a workbook is read back by the same heading, an older one too


def test_a_beginning_leaves_abbreviations_alone():
    assert begun("MP option") == "MP option"
    assert begun("second operations: DOI") == "Second operations: DOI"
    assert begun("") == ""


def test_no_field_of_a_shipped_form_is_called_by_a_lower_case_abbreviation():
    seen = set()

    def walk(form, specs, depth=0):
        for spec in specs:
            seen.add(spec.label)
            if depth < 6:
                walk(form, form.fields_of(spec) if spec.type == "group" else (), depth + 1)

    for name in shipped().form_names():
        form = shipped().form(name)
        walk(form, form.sections)
    wrong = {"mp", "st", "stt", "icc", "doi", "dash", "ci", "cmc", "sd", "se"}
    assert {"MP option", "ST option", "STT arthritis"} <= seen
    assert not [label for label in seen if wrong & set(label.split())]
