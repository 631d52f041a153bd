"""Papers as the rest of metakit sees them: asked of a child process, which is replaced when it dies."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
from collections import OrderedDict
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from metakit.core.boxes import Box
from metakit.errors import UsageError
from metakit.papers.geometry import PageFrame
from metakit.papers.limits import MOST_SECONDS, PaperError
from metakit.papers.words import Word

PAGE_DPI = 110
PLACE_DPI = 200
MOST_CACHED = 40_000_000
"""Bytes of pictures that are kept."""
MOST_PAGES_OF_WORDS = 60
INSTALL = 'pip install "metakit[desk]"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture and its size in pixels; JPEG of a page, PNG of a place."""

    content: bytes
    width: int
    height: int
    frame: PageFrame


@dataclass(frozen=True, slots=True, kw_only=True)
class PageWords:
    """The words of a page.

    `note` says what a person must know about them, such as that the page is a scan.
    """

    words: tuple[Word, ...]
    frame: PageFrame
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A PDF on disk; `sha256` of its bytes names it in caches, `shown` in messages."""

    path: Path
    sha256: str
    shown: str


class PaperReader:
    """Reads papers, one request after the other, in one child process; safe to share between threads.

    Parameters
    ----------
    seconds : float
        What one request may take; then the child is ended and the next request gets a new one.
    """

    def __init__(self, *, seconds: float = MOST_SECONDS) -> None:
        self.seconds = seconds
        self._lock = threading.Lock()
        self._child: _Child | None = None
        self._pictures: OrderedDict[tuple[Any, ...], Picture] = OrderedDict()
        self._words: OrderedDict[tuple[str, int], PageWords] = OrderedDict()
        self._keeping = threading.Lock()

    def start(self) -> None:
        """Start the child process, so that it is ready when the first page is asked for."""
        with self._lock:
            if self._child is None:
                self._child = _Child()

    def pages(self, paper: Paper) -> int:
        """Return the number of pages.

        Raises
        ------
        PaperError
            When the file is damaged, locked, or has too many.
        """
        return int(self._ask(paper, {"do": "facts"})[0]["pages"])

    def page(self, paper: Paper, page: int, *, dpi: int = PAGE_DPI) -> Picture:
        """Return a page, counted from 1, as a JPEG; raises as `pages`."""
        return self._picture(paper, (paper.sha256, page, dpi), {"do": "picture", "page": page, "dpi": dpi})

    def place(self, paper: Paper, page: int, box: Box, *, dpi: int = PLACE_DPI) -> Picture:
        """Return the surroundings of a place, framed, as a PNG; raises as `pages`."""
        asked = {"do": "picture", "page": page, "dpi": dpi, "place": list(box)}
        return self._picture(paper, (paper.sha256, page, dpi, *box), asked)

    def cut_out(self, paper: Paper, page: int, box: Box, *, dpi: int) -> bytes:
        """Return a place alone, without a frame, as a PNG; raises as `pages`."""
        asked = {"do": "picture", "page": page, "dpi": dpi, "place": list(box), "bare": True}
        return self._ask(paper, asked)[1]

    def words(self, paper: Paper, page: int) -> PageWords:
        """Return the words of a page with their boxes; raises as `pages`."""
        key = (paper.sha256, page)
        with self._keeping:
            if key in self._words:
                self._words.move_to_end(key)
                return self._words[key]
        reply, _ = self._ask(paper, {"do": "words", "page": page})
        words = tuple(
            Word(text=text, box=(left, bottom, right, top), cell=cell, line=line)
            for text, left, bottom, right, top, cell, line in reply["words"]
        )
        note = ""
        if not words:
            note = (
                "This page is a picture without text (a scan): draw a box around the number and type it; the "
                "place is kept all the same."
                if reply["images"]
                else "This page has no text."
            )
        elif reply["cut"]:
            note = "This page has more text than is read: words are missing at its end."
        found = PageWords(words=words, frame=_frame(reply), note=note)
        with self._keeping:
            self._words[key] = found
            while len(self._words) > MOST_PAGES_OF_WORDS:
                self._words.popitem(last=False)
        return found

    def close(self) -> None:
        """End the child process."""
        with self._lock:
            self._end()

    def __enter__(self) -> PaperReader:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _picture(self, paper: Paper, key: tuple[Any, ...], asked: dict[str, Any]) -> Picture:
        with self._keeping:
            if key in self._pictures:
                self._pictures.move_to_end(key)
                return self._pictures[key]
        reply, content = self._ask(paper, asked)
        picture = Picture(content=content, width=reply["width"], height=reply["height"], frame=_frame(reply))
        with self._keeping:
            self._pictures[key] = picture
            while sum(len(kept.content) for kept in self._pictures.values()) > MOST_CACHED:
                self._pictures.popitem(last=False)
        return picture

    def _ask(self, paper: Paper, asked: dict[str, Any]) -> tuple[dict[str, Any], bytes]:
        what = f"page {asked['page']}" if "page" in asked else "the file"
        with self._lock:
            if self._child is None:
                self._child = _Child()
            try:
                reply, content = self._child.ask({**asked, "path": str(paper.path)}, self.seconds)
            except TimeoutError:
                self._end()
                raise PaperError(
                    paper.shown, f"{what} takes longer than {self.seconds:g} s to read"
                ) from None
            except EOFError:
                self._end()
                raise PaperError(
                    paper.shown,
                    f"{what} cannot be read: it needs more memory than a paper may take, or is damaged",
                ) from None
        if "refused" in reply:
            raise PaperError(paper.shown, str(reply["refused"]))
        return reply, content

    def _end(self) -> None:
        if self._child is not None:
            self._child.end()
        self._child = None


def _frame(reply: dict[str, Any]) -> PageFrame:
    left, bottom, right, top = reply["box"]
    return PageFrame(box=(left, bottom, right, top), rotation=reply["rotation"])


class _Child:
    """One child process and a thread that waits for its replies."""

    def __init__(self) -> None:
        if find_spec("pypdfium2") is None:
            raise UsageError(f"to read papers, install the desk: {INSTALL}")
        # What a child needs to find Python and metakit, and nothing else of the user's surroundings.
        names = ("PATH", "PYTHONPATH", "PYTHONHOME", "SYSTEMROOT", "LD_LIBRARY_PATH", "LANG")
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-m", "metakit.papers.child"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={name: os.environ[name] for name in names if name in os.environ}
            | {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path)},
        )
        self.replies: queue.Queue[tuple[dict[str, Any], bytes] | None] = queue.Queue()
        self.thread = threading.Thread(target=self._listen, daemon=True, name="papers")
        self.thread.start()

    def ask(self, asked: dict[str, Any], seconds: float) -> tuple[dict[str, Any], bytes]:
        """Return the reply; TimeoutError when there is none in time, EOFError when the child has died."""
        assert self.process.stdin is not None  # noqa: S101  opened above
        try:
            self.process.stdin.write(json.dumps(asked).encode() + b"\n")
            self.process.stdin.flush()
            reply = self.replies.get(timeout=seconds)
        except queue.Empty:
            raise TimeoutError from None
        except OSError:
            raise EOFError from None
        if reply is None:
            raise EOFError
        return reply

    def end(self) -> None:
        """End the process and its thread."""
        self.process.kill()
        self.process.wait()
        self.thread.join(timeout=5)
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()

    def _listen(self) -> None:
        assert self.process.stdout is not None  # noqa: S101  opened above
        stream = self.process.stdout
        try:
            while line := stream.readline():
                reply = json.loads(line)
                content = stream.read(int(reply["bytes"]))
                if len(content) < int(reply["bytes"]):
                    break
                self.replies.put((reply, content))
        except (OSError, ValueError):
            pass
        self.replies.put(None)
