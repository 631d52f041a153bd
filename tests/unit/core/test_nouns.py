"""Nouns of another joint: exchanged where names are read and where text leaves, nowhere else."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator

import pytest

from metakit.core.nouns import Nouns, nouns, use
from metakit.forms.splice import set_value

TOES = Nouns({"thumb": "toe", "thumbs": "toes", "thumb base": "first MTP joint"})


@pytest.fixture(autouse=True)
def ours_again() -> Iterator[None]:
    yield
    use({})


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("Of 100 thumbs, one thumb. Thumbs and THUMBS", "Of 100 toes, one toe. Toes and TOES"),
        ("thumb-years and thumb_years of the thumb base", "toe-years and toe_years of the first MTP joint"),
        ("thumb-base surgery", "first-MTP-joint surgery"),
        ("a thumbnail, Thumbelina, athumb", "a thumbnail, Thumbelina, athumb"),
    ],
)
def test_words_are_exchanged_whole(ours: str, theirs: str) -> None:
    assert TOES.said(ours) == theirs
    assert Nouns({}).said(ours) == ours


@pytest.mark.parametrize(
    ("theirs", "ours"),
    [("toes", "thumbs"), ("toe_years", "thumb_years"), ("toes_a_year", "thumbs_a_year"), ("arms.toes.analysed",
     "arms.thumbs.analysed"), ("Both toes hurt", "Both toes hurt"), ("TOE-1", "TOE-1"), ("tiptoe", "tiptoe")],
)  # fmt: skip
def test_only_names_are_read_back(theirs: str, ours: str) -> None:
    assert TOES.read(theirs) == ours


def test_yaml_keeps_every_value_that_a_person_typed() -> None:
    text = b"thumbs: {analysed: 3}\nnote: 'her thumb: sore'\nlabel: Thumb unit\n"
    assert (
        TOES.written("a.yaml", text) == b"toes: {analysed: 3}\nnote: 'her thumb: sore'\nlabel: Thumb unit\n"
    )
    assert TOES.written("a.html", b"<p>thumb</p>") == b"<p>toe</p>"
    assert TOES.written("a.png", b"thumb") == b"thumb"


def test_documents_are_opened_and_closed_again() -> None:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as package:
        package.writestr("word/document.xml", "<t>thumbs</t>")
        package.writestr("media/a.png", b"thumbs")
    with zipfile.ZipFile(io.BytesIO(TOES.written("a.docx", stream.getvalue()))) as package:
        assert package.read("word/document.xml") == b"<t>toes</t>"
        assert package.read("media/a.png") == b"thumbs"


def test_nothing_is_in_force_until_it_is_named() -> None:
    assert nouns().said("thumb") == "thumb"
    use({"thumb": "toe"})
    assert nouns().said("thumb") == "toe"


def test_pages_are_exchanged_where_somebody_reads() -> None:
    page = (
        '<p title="Thumbs" name="thumbs">thumbs <b>x</b> thumb</p><textarea name="a">a thumb</textarea>'
        '<input aria-label="thumbs here" value="thumb"><script>thumb()</script>'
    )
    assert TOES.said_in_html(page) == (
        '<p title="Toes" name="thumbs">toes <b>x</b> toe</p><textarea name="a">a thumb</textarea>'
        '<input aria-label="toes here" value="thumb"><script>thumb()</script>'
    )
    assert Nouns({}).said_in_html(page) == page


@pytest.mark.parametrize(
    ("theirs", "ours"),
    [("toes", "thumbs"), ("per_toe", "per_thumb"), ("arms.toes.analysed", "arms.thumbs.analysed"),
     ("my_toes", "my_toes"), ("toes_study", "toes_study"), ("Toes", "Toes")],
)  # fmt: skip
def test_identifiers_that_a_person_chose_stay(theirs: str, ours: str) -> None:
    assert TOES.chosen(theirs) == ours


def test_values_that_are_a_noun_go_out_as_they_came_in() -> None:
    ours = b"id: my_thumbs\nunit_of_analysis: thumbs\nouter: {counted: per_thumb, note: one thumb}\n"
    assert TOES.written("plan.yaml", ours) == (
        b"id: my_thumbs\nunit_of_analysis: toes\nouter: {counted: per_toe, note: one thumb}\n"
    )


def test_headings_of_a_table_are_read_in_both_words() -> None:
    assert TOES.ours("n toes") == "n thumbs" and TOES.ours("toenails") == "toenails"


def test_a_file_is_changed_in_its_own_words() -> None:
    use({"thumb": "toe", "thumbs": "toes"})
    text = "id: my_toes\narms:\n  - {id: A, toes: {analysed: 3}}\n"
    assert set_value(text, ("arms", 0, "thumbs", "analysed"), "4") == text.replace("3", "4")
