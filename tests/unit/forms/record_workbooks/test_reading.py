"""Files that are no workbook, or one that could do harm."""

from __future__ import annotations

import zipfile

import openpyxl
import pytest

from metakit.errors import UnreadableError
from metakit.forms.record_workbooks.csv_writing import csv_texts
from metakit.forms.record_workbooks.reading import read_book


def refused(path) -> str:
    with pytest.raises(UnreadableError) as caught:
        read_book(path)
    assert len(caught.value.problems) == 1
    return str(caught.value)


@pytest.mark.parametrize("lock", ["~$book.xlsx", ".~lock.book.xlsx#"])
def test_open_elsewhere(filled, tmp_path, lock):
    path = tmp_path / "book.xlsx"
    path.write_bytes(filled)
    (tmp_path / lock).write_bytes(b"x")
    assert "close the file in the spreadsheet program and try again" in refused(path)
    assert path.read_bytes() == filled


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"0" * 600, "save it as .xlsx"),
        ("a.xlsx", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"0" * 600, "password"),
        ("a.xlsx", b"", "no .xlsx workbook"),
        ("a.xlsx", b"PK\x03\x04broken", "damaged"),
        ("a.xlsm", b"PK\x03\x04", "macros"),
        ("a.zip", b"PK\x03\x04", "damaged"),
    ],
)
def test_other_files(tmp_path, name, content, words):
    path = tmp_path / name
    path.write_bytes(content)
    assert words in refused(path)


def test_macros_inside_are_refused(filled, tmp_path):
    path = tmp_path / "book.xlsx"
    path.write_bytes(filled)
    with zipfile.ZipFile(path, "a") as package:
        package.writestr("xl/vbaProject.bin", b"x")
    assert "macros" in refused(path)


def test_bomb_is_refused_before_it_is_unpacked(filled, tmp_path):
    path = tmp_path / "book.xlsx"
    path.write_bytes(filled)
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as package:
        package.writestr("xl/media/zeros", b"\0" * 60_000_000)
    assert "unpack" in refused(path)


def test_entity_bomb_is_refused(filled, tmp_path):
    path, bomb = tmp_path / "book.xlsx", tmp_path / "bomb.xlsx"
    path.write_bytes(filled)
    head = b'<?xml version="1.0"?><!DOCTYPE b [<!ENTITY a "aaaa"><!ENTITY c "&a;&a;&a;">]>'
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(bomb, "w") as new:
        for member in old.infolist():
            content = old.read(member)
            if member.filename.endswith("sharedStrings.xml"):
                content = head + content.split(b"?>", 1)[1].replace(b"Lanternby", b"&c;", 1)
            new.writestr(member, content)
    assert "damaged" in refused(bomb)


def test_workbook_of_somebody_else(tmp_path):
    path = tmp_path / "other.xlsx"
    book = openpyxl.Workbook()
    book.active.append(["study", "events"])
    book.save(path)
    assert "which form" in refused(path)


@pytest.mark.lengthy
def test_value_far_below_is_not_lost(filled, tmp_path):
    path = tmp_path / "book.xlsx"
    path.write_bytes(filled)
    book = openpyxl.load_workbook(path)
    book["outcomes"].cell(9_000, 3).value = 4
    book.save(path)
    assert "outcomes!C9000" in refused(path)


def test_two_files_of_one_name_in_an_archive_are_not_chosen_between(layout, record, tmp_path):
    files = csv_texts(layout, {"lanternby": record})
    path = tmp_path / "book.zip"
    with zipfile.ZipFile(path, "w") as package:
        for name, content in files.items():
            package.writestr(name, content)
        package.writestr("older/study.csv", files["study.csv"])
    with pytest.raises(UnreadableError, match=r"study\.csv: error: the archive holds two files of this name"):
        read_book(path)
