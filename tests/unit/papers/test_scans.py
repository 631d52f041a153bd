"""A picture of a place is read by a program where one is installed; a person types what it cannot be trusted with."""

from __future__ import annotations

import io
import shutil
import stat
import time
from pathlib import Path

import pytest
from PIL import Image, ImageDraw, ImageFont

from metakit.papers.scans import PROGRAM, ScanRead, read_scan


def standing_in(folder: Path, monkeypatch: pytest.MonkeyPatch, script: str) -> None:
    """Put a program of this name on the path, and nothing else."""
    program = folder / PROGRAM
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", f"{folder}:/usr/bin:/bin")


def picture(text: str) -> bytes:
    import matplotlib

    font = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSerif.ttf"
    drawn = Image.new("RGB", (60 + 24 * len(text), 80), "white")
    ImageDraw.Draw(drawn).text((20, 16), text, fill="black", font=ImageFont.truetype(str(font), 40))
    content = io.BytesIO()
    drawn.save(content, "PNG")
    return content.getvalue()


def test_without_the_program_nothing_is_read(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert read_scan(picture("4/29")) is None


@pytest.mark.parametrize(
    ("script", "found"),
    [
        ("cat >/dev/null; echo ' 4/29  (13.8 %)'", ScanRead("4/29 (13.8 %)", alone=False)),
        ("cat >/dev/null; echo '18.2 + 2.88'", ScanRead("18.2 ± 2.88", alone=False)),
        ("cat >/dev/null; echo 'ray'", ScanRead("ray", alone=False)),
        ("cat >/dev/null; echo '(0)'", ScanRead("(0)", alone=True)),
        ("cat >/dev/null; echo 37", ScanRead("37", alone=True)),
        ("cat >/dev/null; echo", None),
        ("cat >/dev/null; echo 4/29; exit 1", None),
        ("exit 0", None),
        (
            "cat >/dev/null; printf '\\377\\376\\033[31m12 of 30'",
            ScanRead("\ufffd\ufffd[31m12 of 30", alone=False),
        ),
    ],
)
def test_what_the_program_says(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, script: str, found: ScanRead | None
) -> None:
    standing_in(tmp_path, monkeypatch, script)
    assert read_scan(b"no picture at all") == found


def test_a_program_that_goes_on_and_on_is_ended(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    standing_in(tmp_path, monkeypatch, "exec sleep 600")
    start = time.monotonic()
    assert read_scan(b"x", seconds=0.2) is None
    assert time.monotonic() - start < 60


def test_it_writes_no_file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    standing_in(
        tmp_path, monkeypatch, f"cat >/dev/null; sleep 0.3; echo 12345678 > {tmp_path}/made; echo 4/29"
    )
    read_scan(b"x")
    made = tmp_path / "made"
    assert not made.exists() or made.stat().st_size == 0


@pytest.mark.lengthy
@pytest.mark.skipif(shutil.which(PROGRAM) is None, reason=f"{PROGRAM} is not installed; it never has to be")
@pytest.mark.parametrize("text", ["4/29 (13.8 %)", "62.0 ± 7.8", "12.7 (11.0 to 15.5)"])
def test_printed_numbers_are_read(text: str) -> None:
    found = read_scan(picture(text), seconds=60)
    assert found == ScanRead(text, alone=False)
