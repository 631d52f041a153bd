"""The same work by command line and workbook: commands run, cells typed and seconds of the machine are counted."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from openpyxl import load_workbook


def filled(path: Path) -> int:
    """Return how many cells of a workbook hold something."""
    book = load_workbook(path)
    found = sum(cell.value is not None for sheet in book for row in sheet.iter_rows() for cell in row)
    book.close()
    return found


class Workbooks:
    """Somebody who works by workbook."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir()
        self.commands = self.cells = 0
        self.seconds = 0.0

    @property
    def cost(self) -> str:
        return f"{self.cells} cells, {self.commands} commands; {self.seconds:.0f} s of the machine"

    def run(self, *words: str | Path, counts: bool = True) -> str:
        start = time.monotonic()
        command = [sys.executable, "-m", "metakit", *map(str, words)]
        done = subprocess.run(command, cwd=self.folder, capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{words}: {done.stdout[-800:]} {done.stderr[-800:]}"
        if counts:
            self.commands += 1
            self.seconds += time.monotonic() - start
        return done.stdout

    def typed(self, empty: Path, full: Path) -> Path:
        """Count the cells that somebody types into an empty workbook so that it says what a full one says."""
        self.cells += filled(full) - filled(empty)
        return full

    def new_review(self, like: Path) -> Path:
        """Make a review whose protocol is typed as in another review."""
        self.run("new", "review")
        made = self.folder / "review"
        full = self.folder / "protocol.xlsx"
        self.run("sheet", full, "--protocol", like, counts=False)
        self.run("collect", self.typed(made / "protocol.xlsx", full), "--into", "review")
        for record in (made / "records").glob("*.yaml"):
            record.unlink()  # the empty one, which the desk does not make
        return made

    def study(self, record: Path, *more: str) -> None:
        """Type one study as a record says it, and give it back."""
        name = record.stem
        self.run("sheet", f"{name}_empty.xlsx", "--review", "review")
        full = self.folder / f"{name}.xlsx"
        self.run("sheet", full, "--record", record, "--review", "review", "--replace", counts=False)
        self.run("collect", self.typed(self.folder / f"{name}_empty.xlsx", full), "--into", "review", *more)


def values(plain: Any, left_out: tuple[str, ...] = ()) -> Any:
    """Return what a record says: no empty field, no empty entry."""
    if isinstance(plain, dict):
        kept = {name: values(one) for name, one in plain.items() if name not in left_out}
        return {name: one for name, one in kept.items() if one not in ("", [], {})}
    if isinstance(plain, list):
        return [one for one in map(values, plain) if one not in ("", [], {})]
    return plain
