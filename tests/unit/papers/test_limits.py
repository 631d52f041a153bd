"""Bytes that are no paper are refused before anybody reads them."""

from __future__ import annotations

import copy

import pytest

from metakit.papers.limits import LARGEST_FILE, PaperError, refuse_other_files
from tests import hostile_papers as made


def test_a_sound_file_passes() -> None:
    refuse_other_files(made.sound(), "a.pdf")
    refuse_other_files(b"\xef\xbb\xbf\n" + made.sound(), "a.pdf")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "the file is empty"),
        (b"PK\x03\x04 a workbook", "this is no PDF"),
        (b"x" * 2000 + made.sound(), "this is no PDF"),
        (b"%PDF-1.7" + b"\0" * LARGEST_FILE, "50 MB; a paper may have 50 MB"),
    ],
)
def test_other_files_are_refused_in_words(content: bytes, said: str) -> None:
    with pytest.raises(PaperError, match=said):
        refuse_other_files(content, "a.pdf")


def test_a_refusal_travels_between_processes() -> None:
    error = copy.copy(PaperError("a.pdf", "the file is empty", "choose another"))
    assert str(error) == "a.pdf: error: the file is empty; hint: choose another"
