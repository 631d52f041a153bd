"""Nouns of another joint: exchanged where names are read and where text leaves, nowhere else."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator

import pytest

from metakit.core.nouns import Nouns, nouns, use

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
