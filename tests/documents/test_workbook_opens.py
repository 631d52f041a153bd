"""Workbooks in another program: LibreOffice opens them, and saves them without loss. Skipped where it is missing."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from metakit.forms.library import shipped
from metakit.forms.record_text import same_nodes
from metakit.forms.record_workbooks.assembling import assemble
from metakit.forms.record_workbooks.layout import layout_of
from metakit.forms.record_workbooks.reading import read_book
from metakit.forms.yaml_nodes import read_document
from metakit.review.sheets import write_sheets

RECORDS = Path(__file__).resolve().parents[2] / "demo_studies" / "records"
OFFICE = shutil.which("soffice")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        OFFICE is None, reason="soffice (Debian: libreoffice-calc) is not installed; nothing was opened"
    ),
]


def convert(path: Path, kind: str, folder: Path) -> Path:
    command = [
        str(OFFICE),
        f"-env:UserInstallation=file://{folder}/profile",
        "--headless",
        "--convert-to",
        kind,
    ]
    done = subprocess.run(
        [*command, "--outdir", str(folder), str(path)], capture_output=True, text=True, timeout=120
    )
    made = folder / f"{path.stem}.{kind}"
    assert made.is_file(), done.stderr
    return made


@pytest.mark.parametrize(
    "arguments", [{}, {"blank": 3}, {"form": "protocol"}], ids=["study", "batch", "protocol"]
)
def test_empty_workbooks_open(tmp_path, arguments):
    (path,) = write_sheets(tmp_path / "empty.xlsx", **arguments)
    (tmp_path / "out").mkdir()
    assert convert(path, "pdf", tmp_path / "out").stat().st_size > 20_000


def test_saved_by_another_program_it_says_the_same(tmp_path):
    source = RECORDS / "DEMO-13_lanternby.yaml"
    (path,) = write_sheets(tmp_path / "lanternby.xlsx", records=[source])
    (tmp_path / "out").mkdir()
    collected = assemble(
        read_book(convert(path, "xlsx", tmp_path / "out")), layout_of(shipped().form("study"))
    )
    record = read_document(source).root
    assert record is not None
    assert collected.sound
    assert same_nodes(collected.records[""], record)
