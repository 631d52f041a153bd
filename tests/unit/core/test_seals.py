"""Files that carry their own seal: what is ours is replaced, what somebody changed stays."""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path

import pytest
from PIL import Image

from metakit.core.seals import seal_holds, sealed, write_sealed


def picture(kind: str, colour: int = 200) -> bytes:
    """A file of each kind, made by Pillow where that can."""
    if kind == ".svg":
        return f"<?xml version='1.0'?>\n<svg xmlns='http://www.w3.org/2000/svg' id='c{colour}'/>\n".encode()
    if kind == ".txt":
        return f"Figure {colour}\n".encode()
    if kind == ".json":
        return (json.dumps({"type": "object", "colour": colour}, indent=2) + "\n").encode()
    stream = io.BytesIO()
    if kind == ".xlsx":
        with zipfile.ZipFile(stream, "w") as package:
            package.writestr("sheet.xml", f"<sheet>a{colour}</sheet>")
        return stream.getvalue()
    Image.new("L", (8, 8), colour).save(stream, format={".tif": "tiff"}.get(kind, kind[1:]))
    return stream.getvalue()


KINDS = (".svg", ".pdf", ".png", ".tif", ".tiff", ".json", ".xlsx", ".txt")


@pytest.mark.parametrize("kind", KINDS)
def test_a_seal_breaks_with_any_byte(kind: str) -> None:
    whole = sealed(picture(kind), kind)
    assert seal_holds(whole, kind)
    assert not seal_holds(picture(kind), kind)
    assert not seal_holds(b"", kind)
    for at in range(0, len(whole), max(1, len(whole) // 97)):
        changed = bytearray(whole)
        changed[at] ^= 1
        assert not seal_holds(bytes(changed), kind), at
    assert not seal_holds(whole + b"\n", kind)


@pytest.mark.parametrize("kind", (".png", ".tif"))
def test_a_sealed_picture_is_the_same_picture_and_sound(kind: str) -> None:
    before, after = picture(kind), sealed(picture(kind), kind)
    with Image.open(io.BytesIO(after)) as found, Image.open(io.BytesIO(before)) as wanted:
        found.load()  # Pillow checks the sums of all chunks
        assert found.tobytes() == wanted.tobytes()
        assert kind != ".png" or "sha256" in found.text["Comment"]


def test_sealed_text_reads_as_before() -> None:
    from xml.dom import minidom

    drawn = minidom.parseString(sealed(picture(".svg"), ".svg"))  # noqa: S318 - made above
    assert drawn.documentElement.getAttribute("id") == "c200"
    found = json.loads(sealed(picture(".json"), ".json"))
    assert found.pop("$comment").startswith("written by metakit")
    assert found == json.loads(picture(".json"))


def test_a_sealed_pdf_opens() -> None:
    pdfium = pytest.importorskip("pypdfium2")
    document = pdfium.PdfDocument(sealed(picture(".pdf"), ".pdf"))
    assert len(document) == 1


@pytest.mark.parametrize("kind", KINDS)
def test_ours_is_replaced_and_edited_ones_stay(tmp_path: Path, kind: str) -> None:
    target = tmp_path / f"figure{kind}"
    assert write_sealed(target, picture(kind)).beside == ""
    other = picture(kind, 10)  # made once: some kinds carry the second in which they were made
    again = write_sealed(target, other)
    assert again.path == target
    assert target.read_bytes() == sealed(other, kind)
    edited = target.read_bytes().replace(b"a", b"b")
    target.write_bytes(edited)
    beside = write_sealed(target, picture(kind))
    assert beside.path == tmp_path / f"figure-2{kind}"
    assert str(target) in beside.beside
    assert target.read_bytes() == edited
    assert write_sealed(target, picture(kind, 10)).path == beside.path  # ours, so replaced
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"figure-2{kind}", f"figure{kind}"]


def test_a_table_of_text_carries_no_seal_and_is_never_written_over(tmp_path: Path) -> None:
    target = tmp_path / "answer.csv"
    assert write_sealed(target, b"a,b\n").path == target
    assert write_sealed(target, b"a,b\n").path == target
    assert target.read_bytes() == b"a,b\n"
    assert write_sealed(target, b"a,c\n").path == tmp_path / "answer-2.csv"


def test_what_somebody_put_there_stays(tmp_path: Path) -> None:
    target, elsewhere = tmp_path / "figure.svg", tmp_path / "mine.svg"
    elsewhere.write_text("mine")
    target.symlink_to(elsewhere)
    assert write_sealed(target, picture(".svg")).path.name == "figure-2.svg"
    assert elsewhere.read_text() == "mine"
    assert target.is_symlink()


def test_a_sealed_workbook_is_a_sound_archive_and_loses_its_seal_when_saved(tmp_path: Path) -> None:
    import openpyxl

    stream = io.BytesIO()
    openpyxl.Workbook().save(stream)
    path = tmp_path / "book.xlsx"
    path.write_bytes(sealed(stream.getvalue(), ".xlsx"))
    assert zipfile.ZipFile(path).testzip() is None
    openpyxl.load_workbook(path).save(path)
    assert not seal_holds(path.read_bytes(), ".xlsx")
