"""Papers read in a child process: sound ones, scans, and files that want to harm their reader."""

from __future__ import annotations

import hashlib
import io
import os
import signal
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from metakit.papers.limits import PaperError
from metakit.papers.reader import Paper, PaperReader
from metakit.papers.words import quote_of, words_in
from tests import hostile_papers as made


@pytest.fixture(scope="module")
def reader() -> Iterator[PaperReader]:
    with PaperReader() as found:
        yield found


def kept(folder: Path, content: bytes, name: str = "paper.pdf") -> Paper:
    path = folder / name
    path.write_bytes(content)
    return Paper(path=path, sha256=hashlib.sha256(content).hexdigest(), shown=name)


def test_words_and_their_places(reader: PaperReader, tmp_path: Path) -> None:
    paper = kept(tmp_path, made.sound())
    assert reader.pages(paper) == 1
    found = reader.words(paper, 1)
    assert quote_of(found.words) == "Any complication 4/29 (13.8 %)"
    assert found.note == ""
    count = words_in(found.words, (160, 690, 195, 715))
    assert quote_of(count) == "4/29"
    picture = reader.place(paper, 1, count[0].box)
    assert Image.open(io.BytesIO(picture.content)).size == (picture.width, picture.height)
    assert reader.words(paper, 1) is found  # kept


def test_a_page_as_a_picture_has_the_size_asked_for(reader: PaperReader, tmp_path: Path) -> None:
    picture = reader.page(kept(tmp_path, made.sound()), 1, dpi=72)
    assert (picture.width, picture.height) == (595, 842)
    assert picture.content.startswith(b"\xff\xd8")


def test_a_turned_page_has_the_same_words_at_the_same_places(reader: PaperReader, tmp_path: Path) -> None:
    upright = kept(tmp_path, made.sound())
    turned = kept(
        tmp_path, made.pdf(made.page_objects("Any complication 4/29 (13.8 %)", page=b"/Rotate 90")), "t.pdf"
    )
    one, other = reader.words(upright, 1), reader.words(turned, 1)
    assert [(word.text, word.box) for word in one.words] == [(word.text, word.box) for word in other.words]
    assert other.frame.rotation == 90
    assert reader.page(turned, 1, dpi=72).width == 842
    # The place is the same piece of paper: what stands in its frame, turned back, has the same dots.
    box = one.words[2].box
    first = framed(reader.place(upright, 1, box).content)
    second = framed(reader.place(turned, 1, box).content)
    assert abs(first.shape[0] - second.shape[1]) <= 2 and abs(first.shape[1] - second.shape[0]) <= 2
    assert (first < 128).sum() > 200
    assert (second < 128).sum() == pytest.approx((first < 128).sum(), rel=0.1)


def framed(content: bytes) -> np.ndarray:
    """Return the grey values within the frame of a picture of a place."""
    picture = Image.open(io.BytesIO(content)).convert("RGB")
    ys, xs = np.nonzero((np.asarray(picture) == (20, 70, 120)).all(axis=2))
    return np.asarray(picture.convert("L"))[ys.min() + 3 : ys.max() - 2, xs.min() + 3 : xs.max() - 2]


def test_a_scan_says_so(reader: PaperReader, tmp_path: Path) -> None:
    found = reader.words(kept(tmp_path, made.scan()), 1)
    assert found.words == ()
    assert "a scan" in found.note
    assert "the place is kept" in found.note


def test_an_empty_page_is_no_scan(reader: PaperReader, tmp_path: Path) -> None:
    assert reader.words(kept(tmp_path, made.of_pages(1)), 1).note == "This page has no text."


def test_no_such_page_and_no_such_place(reader: PaperReader, tmp_path: Path) -> None:
    paper = kept(tmp_path, made.sound())
    with pytest.raises(PaperError, match=r"paper.pdf: error: there is no page 2; the paper has 1"):
        reader.page(paper, 2)
    with pytest.raises(PaperError, match="the place lies outside the page"):
        reader.place(paper, 1, (5000, 5000, 5100, 5100))


HOSTILE = {
    "pages": (made.of_pages(10_000), "10,000 pages; a paper may have 500"),
    "locked": (made.locked(), "locked by a password"),
    "no_pages": (
        made.pdf([b"<< /Type /Catalog /Pages 2 0 R >>", b"<< /Type /Pages /Kids [] /Count 0 >>"]),
        "the file has no pages",
    ),
    "text": (b"hello", "damaged: it cannot be opened"),
    "huge_page": (made.pdf(made.page_objects("x", box=b"0 0 900000 900000")), "no page of a paper"),
    "thin_page": (made.pdf(made.page_objects("x", box=b"0 0 595 0.5")), "no page of a paper"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_what_is_no_paper_is_a_sentence(reader: PaperReader, tmp_path: Path, name: str) -> None:
    content, said = HOSTILE[name]
    paper = kept(tmp_path, content, f"{name}.pdf")
    with pytest.raises(PaperError, match=said) as caught:
        reader.pages(paper)
        reader.page(paper, 1)
    assert str(caught.value).startswith(f"{name}.pdf: error: ")
    assert "Traceback" not in str(caught.value)


def outcome(reader: PaperReader, paper: Paper) -> str:
    try:
        pages = reader.pages(paper)
        reader.page(paper, 1)
        return f"{pages}: {quote_of(reader.words(paper, 1).words)}"
    except PaperError as refusal:
        return str(refusal)


def test_fifty_damaged_files_are_each_read_or_a_sentence(reader: PaperReader, tmp_path: Path) -> None:
    said = [
        outcome(reader, kept(tmp_path, content, f"{number}.pdf"))
        for number, content in enumerate(made.damaged(made.sound(), 50))
    ]
    assert len(said) == 50
    assert all(text and "\n" not in text for text in said)
    refused = [text for text in said if ": error: " in text]
    assert 5 <= len(refused) <= 45  # both kinds occur, or the damage shows nothing


@pytest.mark.parametrize("bomb", ["bomb_of_text", "bomb_of_an_image", "bomb_of_drawing", "of_itself"])
@pytest.mark.lengthy
def test_bombs_end_in_time_and_the_next_paper_is_read(tmp_path: Path, bomb: str) -> None:
    with PaperReader(seconds=3) as short:
        said = outcome(short, kept(tmp_path, getattr(made, bomb)(), "bomb.pdf"))
        assert said.startswith(("1: ", "2: ", "bomb.pdf: error: ")), said
        assert "4/29" in outcome(short, kept(tmp_path, made.sound(), "next.pdf"))


def test_nothing_in_a_paper_acts(reader: PaperReader, tmp_path: Path) -> None:
    import socket

    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()
        listener.settimeout(0.5)
        content = made.that_acts().replace(b"127.0.0.1:9", b"127.0.0.1:%d" % listener.getsockname()[1])
        before = set(tmp_path.iterdir())
        paper = kept(tmp_path, content)
        assert outcome(reader, paper) == "1: It says 4/29"
        with pytest.raises(TimeoutError):
            listener.accept()
    assert set(tmp_path.iterdir()) - before == {paper.path}


def test_a_child_that_dies_is_replaced(reader: PaperReader, tmp_path: Path) -> None:
    paper = kept(tmp_path, made.sound())
    reader.pages(paper)
    assert reader._child is not None
    os.kill(reader._child.process.pid, signal.SIGKILL)
    reader._child.process.wait()
    with pytest.raises(PaperError, match="page 1 cannot be read"):
        reader.page(paper, 1, dpi=50)
    assert reader.page(paper, 1, dpi=51).width > 0


@pytest.mark.skipif(os.name != "posix", reason="limits of a process are set on POSIX systems")
def test_the_child_has_its_limits(reader: PaperReader, tmp_path: Path) -> None:
    if not Path("/proc").is_dir():
        pytest.skip("no /proc to read the limits of a process from")
    reader.pages(kept(tmp_path, made.sound()))
    assert reader._child is not None
    limits = Path(f"/proc/{reader._child.process.pid}/limits").read_text(encoding="utf-8")
    by_name = {line[:25].strip(): line[26:].split() for line in limits.splitlines()}
    assert by_name["Max address space"][:2] == [str(1 << 30)] * 2
    assert by_name["Max file size"][:2] == ["0", "0"]
    assert by_name["Max core file size"][:2] == ["0", "0"]
