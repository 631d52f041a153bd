"""What a picture of a place seems to say, read by the program `tesseract` where it is there; never needed.

It reads a cell of a table in half a second. One sign alone it reads badly ("0" as "ray"), so such a place is
always typed by a person; all else it reads is a proposal to be held against the picture.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from dataclasses import dataclass

PROGRAM = "tesseract"
DPI = 300
"""Dots per inch of the picture that it is given."""
MOST_SECONDS = 5.0
_MOST_MEMORY = 1 << 30
_MOST_SIGNS = 300
_PLUS = re.compile(r"(?<=\d) ?\+ ?(?=\d)")
"""How it reads the sign of plus and minus; nobody adds up two numbers in a table."""
_FEWEST_SIGNS = 3
"""Letters and digits; with fewer, the program is not believed."""


@dataclass(frozen=True, slots=True)
class ScanRead:
    """The text that a picture seems to hold, and whether that is too little to be believed."""

    text: str
    alone: bool


def read_scan(picture: bytes, *, seconds: float = MOST_SECONDS) -> ScanRead | None:
    """Read a picture of a place.

    Parameters
    ----------
    picture : bytes
        PNG.
    seconds : float
        What it may take.

    Returns
    -------
    ScanRead or None
        None where the program is not installed, finds nothing, fails or takes too long.
    """
    program = shutil.which(PROGRAM)
    if program is None:
        return None
    surroundings = {
        name: os.environ[name] for name in ("PATH", "TESSDATA_PREFIX", "SYSTEMROOT") if name in os.environ
    }
    try:
        with subprocess.Popen(  # noqa: S603 - the program by its full path, no shell
            [program, "stdin", "stdout", "--dpi", str(DPI), "--psm", "6"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            env=surroundings | {"OMP_THREAD_LIMIT": "1"},
        ) as child:  # fmt: skip
            _limit(child.pid, seconds)
            try:
                said, _ = child.communicate(picture, timeout=seconds)
            except subprocess.TimeoutExpired:
                child.kill()
                return None
            if child.returncode:
                return None
    except OSError:
        return None
    text = " ".join(said.decode("utf-8", "replace").split())[:_MOST_SIGNS]
    text = _PLUS.sub(" ± ", "".join(sign for sign in text if sign.isprintable()))
    return ScanRead(text=text, alone=len(re.findall(r"\w", text)) < _FEWEST_SIGNS) if text else None


def _limit(process: int, seconds: float) -> None:
    """Set what the system can hold the program to; elsewhere the time of the parent remains."""
    try:
        import resource

        wanted = {
            "RLIMIT_AS": _MOST_MEMORY,
            "RLIMIT_CORE": 0,
            "RLIMIT_FSIZE": 0,
            "RLIMIT_CPU": int(seconds) + 1,
        }
        for name, most in wanted.items():
            resource.prlimit(process, getattr(resource, name), (most, most))
    except (ImportError, AttributeError, ValueError, OSError):
        return
