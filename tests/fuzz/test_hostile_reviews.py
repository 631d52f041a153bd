"""A review from a stranger: formulas and control characters in every text, links in the place of every file.

Sources: CWE-1236 (formulas in CSV files), CWE-150 (control characters), CWE-59 (links), CWE-22 (paths).
"""

from __future__ import annotations

import csv
import io
import re
import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.fuzz.forked import Ended, Forks
from tests.fuzz.judging import contents, left_over
from tests.fuzz.writers import WRITERS, Writer, make_states

FORMULA = "＝cmd|' /C calc'!A0"
OTHERS = (FORMULA[1:], f"={FORMULA[1:]}", f"@SUM(1) {FORMULA}")
SIGNS = tuple("=+-@＝＋－＠\t\r")
CONTROLS = re.compile("[\x00-\x08\x0b-\x1f\x7f\x80-\x9f\u202a-\u202e\u2066-\u2069]")
_NUMBER = re.compile(r"[-+−]?[\d.,]+(e[-+]?\d+)?( ?%)?")
_TEXT = re.compile(r'^(\s*(?:- \{?)?)((?:title|question|label|technique_label|comparator_label|authors|journal|note|source|why|what|'
                   r'funding|competing_interests|registration|name|care|therapy)): .*$', re.MULTILINE)  # fmt: skip


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Forks, dict[str, Path], Path]]:
    home = tmp_path_factory.mktemp("hostile")
    forks = Forks()

    def run(arguments: list[str], folder: Path) -> None:
        assert forks.run(arguments, folder).status == 0, arguments

    yield forks, make_states(home, run), home
    forks.close()


def with_texts(state: Path, folder: Path, text: str) -> Path:
    """Copy a state with a text in the place of what people typed: titles, labels, names, notes."""
    shutil.copytree(state, folder)
    for path in [
        *folder.glob("rev/**/*.yaml"),
        *folder.glob("given/*.yaml"),
        *folder.glob("given/records/*.yaml"),
    ]:
        before = path.read_text(encoding="utf-8")
        path.write_text(_TEXT.sub(lambda found: f'{found[1]}{found[2]}: "{text}"', before), encoding="utf-8")
    for path in folder.glob("given/*.csv"):
        before = path.read_text(encoding="utf-8-sig")
        for name in ("Alder", "Bram", "Ligament", "Quillmere", "Fusion"):
            before = before.replace(name, f"{text} {name}", 1)
        path.write_text(before, encoding="utf-8")
    return folder


def formulas_in(name: str, content: bytes) -> list[str]:
    """Return the cells of a file that a spreadsheet program would carry out."""
    if name.endswith(".csv"):
        rows = csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""))
        cells = [cell for row in rows for cell in row]
        return [cell for cell in cells if cell.startswith(SIGNS) and not _NUMBER.fullmatch(cell.strip())]
    if name.endswith(".xlsx"):
        with zipfile.ZipFile(io.BytesIO(content)) as package:
            sheets = [part for part in package.namelist() if part.startswith("xl/worksheets/")]
            return [part for part in sheets if b"<f>" in package.read(part)]
    return []


def ran(forks: Forks, writer: Writer, folder: Path) -> Ended:
    said = forks.run(list(writer.arguments), folder)
    assert said.status in (0, 1, 2, 3) and "Traceback" not in said.err, (writer.name, said.err[-600:])
    return said


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(FORMULA, marks=pytest.mark.walk),
        *(pytest.param(text, marks=pytest.mark.slow) for text in OTHERS),
    ],
)
def test_no_file_holds_a_formula(bench: tuple[Forks, dict[str, Path], Path], text: str) -> None:
    forks, states, home = bench
    done = 0
    for writer in WRITERS:
        folder = with_texts(states[writer.state], home / "texts", text)
        before = contents(folder)
        said = ran(forks, writer, folder)
        done += said.status == 0
        written = {name: found for name, found in contents(folder).items() if found != before.get(name)}
        formulas = {
            name: formulas_in(name, found)
            for name, found in written.items()
            if not name.startswith("rev/selection/searches/")
        }
        assert {name: cells[:3] for name, cells in formulas.items() if cells} == {}, writer.name
        shutil.rmtree(folder)
    assert done > len(WRITERS) // 2  # most are carried out, not only refused


@pytest.mark.parametrize(
    "sign",
    [
        pytest.param("\\e[2J", marks=pytest.mark.walk),
        *(pytest.param(sign, marks=pytest.mark.slow) for sign in ("\\x9b2J", "\\r", "\\u202e", "\\0")),
    ],
)
def test_no_control_character_reaches_the_terminal(
    bench: tuple[Forks, dict[str, Path], Path], sign: str
) -> None:
    forks, states, home = bench
    for writer in WRITERS:
        folder = with_texts(states[writer.state], home / "signs", f"a{sign}b")
        said = ran(forks, writer, folder)
        assert not CONTROLS.search(said.out + said.err), (writer.name, said.err[-300:])
        shutil.rmtree(folder)


@pytest.mark.slow
def test_nothing_is_written_through_a_link(bench: tuple[Forks, dict[str, Path], Path]) -> None:
    """Each file or folder that a command writes in a review is a link to a place outside; that stays as it is."""
    forks, states, home = bench
    tried = 0
    for writer in WRITERS:
        whole = home / "whole"
        shutil.copytree(states[writer.state], whole)
        before = contents(whole)
        ran(forks, writer, whole)
        written = [name for name, found in contents(whole).items() if found != before.get(name)]
        shutil.rmtree(whole)
        within = sorted({part for name in written if name.startswith("rev/") for part in _ways(name)})
        for name in [name for name in within if name.count("/") < 3][:14]:
            folder, outside = home / "links", home / "outside"
            shutil.copytree(states[writer.state], folder)
            target = folder / name
            if target.is_dir():
                shutil.move(target, outside)
            elif target.exists():
                outside.mkdir()
                shutil.move(target, outside / "a")
            else:
                outside.mkdir()
                (outside / "a").write_bytes(b"not ours\n")
            there = contents(outside)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.symlink_to(outside / "a" if (outside / "a").is_file() else outside)
            ran(forks, writer, folder)
            assert contents(outside) == there and left_over(outside) == [], (writer.name, name)
            tried += 1
            shutil.rmtree(folder)
            shutil.rmtree(outside)
    print(f"{tried} links")
    assert tried > 40


def _ways(name: str) -> Iterator[str]:
    parts = name.split("/")
    for length in range(2, len(parts) + 1):
        yield "/".join(parts[:length])
