"""Every command that writes, run again after somebody edited each file that it wrote: the edits stand."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from pathlib import Path

import openpyxl
import pytest

from tests.short_plan import with_only
from tests.unit.review.two_extractors import PLANTED, make_review

ROOT = Path(__file__).parents[2]
LISTS = ("written_files.json", "unit_files.json", ".metakit.lock")
"""The lists by which metakit knows its own files, and the lock."""
TECHNIQUES = """study,technique,events,total
Alderwick,trapeziectomy,6,30
Alderwick,trapeziectomy+suspension,4,29
Bramhope,trapeziectomy,9,40
Bramhope,trapeziectomy+ball,8,41
Cawdale,trapeziectomy+suspension,5,52
Cawdale,trapeziectomy+ball,7,50
"""
RETURNS = """study,cause,thumbs,total
Alderwick,residual bone,4,80
Bramhope,residual bone,3,60
"""


@pytest.fixture
def review(tmp_path: Path) -> Path:
    """A review of two invented studies and one analysis."""
    folder = tmp_path / "review"
    (folder / "records").mkdir(parents=True)
    plan = (ROOT / "demo_studies" / "protocol.yaml").read_text(encoding="utf-8")
    (folder / "protocol.yaml").write_text(with_only(plan, {"complications_lrti"}), encoding="utf-8")
    for record in sorted((ROOT / "demo_studies" / "records").glob("DEMO-0[12]*.yaml")):
        shutil.copy(record, folder / "records")
    return folder


def files_of(folder: Path) -> dict[Path, bytes]:
    return {
        path: path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name not in LISTS
    }


def edit(path: Path) -> None:
    """Change a file as a person with a program for it would: some of its bytes, or what a save changes."""
    if path.suffix == ".xlsx":
        book = openpyxl.load_workbook(path)
        book.worksheets[-1]["Z99"].value = "mine"
        book.save(path)
    else:
        content = path.read_bytes()
        path.write_bytes(content[:-20] + b" " + content[-20:])


def edits_stand(folder: Path, run: Callable[[], object], *, at_least: int) -> None:
    """Run, edit everything, run again, and once more: each edited file is as edited, nothing lies half-done."""
    run()
    written = files_of(folder)
    assert len(written) >= at_least, sorted(written)
    foreign = folder / "my_notes.docx"
    foreign.write_text("mine")
    for path in written:
        edit(path)
    edited = files_of(folder)
    for _ in range(2):
        run()
        assert {path: (path.read_bytes() if path.exists() else b"gone") for path in edited} == edited
    assert not [path for path in folder.rglob(".*") if path.name not in LISTS]


TABLE = "study,events_1,total_1,events_2,total_2\nA,4,29,6,30\nB,3,41,9,40\nC,0,22,2,24\n"


@pytest.mark.walk
@pytest.mark.parametrize("kind", ("svg", "pdf", "png", "tif"))
def test_drawings(metakit_command, tmp_path: Path, kind: str) -> None:
    table, out = tmp_path / "table.csv", tmp_path / "out"
    table.write_text(TABLE)
    target = out / f"forest.{kind}"
    said: list[str] = []

    def run() -> None:
        done = metakit_command("draw", table, "--measure", "risk_ratio", "--to", target)
        assert done.status == 0, done.err
        said.append(done.err)

    edits_stand(out, run, at_least=1)
    assert "was edited or is not ours" not in said[0]
    assert f"{target} was edited or is not ours: it stays as it is" in said[1]
    assert sorted(path.name for path in out.iterdir()) == [
        f"forest-2.{kind}", f"forest.{kind}", "my_notes.docx",
    ]  # fmt: skip


COMMANDS: dict[str, tuple[Sequence[str], int]] = {
    "a size of a journal": (
        ("draw", "table.csv", "--measure", "risk_ratio", "--preset", "single_column", "--to", "out/figure"),
        3,
    ),
    "causes": (("draw", "returns.csv", "--figure", "causes", "--to", "out/causes.svg"), 1),
    "a network": (
        ("network", "techniques.csv", "--measure", "risk_ratio", "--reference", "trapeziectomy", "--figure",
         "geometry", "--to", "out/network.svg"),
        1,
    ),
    "a form as schema": (("check", "--form", "study", "--json-schema", "out/study.json"), 1),
}  # fmt: skip


@pytest.mark.walk
@pytest.mark.parametrize("name", COMMANDS)
def test_single_files(metakit_command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    monkeypatch.chdir(tmp_path)
    for table, text in (("table", TABLE), ("techniques", TECHNIQUES), ("returns", RETURNS)):
        Path(f"{table}.csv").write_text(text)
    arguments, number = COMMANDS[name]

    def run() -> None:
        said = metakit_command(*arguments)
        assert said.status == 0, said.err

    edits_stand(tmp_path / "out", run, at_least=number)


@pytest.mark.walk
def test_a_report_with_word_sizes_and_bundle(metakit_command, review: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    edits_stand(
        out,
        lambda: metakit_command("report", review, "--out", out, "--word", "--bundle", "--figures", "slide"),
        at_least=18,
    )
    assert (out / "report-2.docx").is_file() and (out / "review_bundle-2.zip").is_file()


@pytest.mark.walk
def test_a_units_page(metakit_command, tmp_path: Path) -> None:
    out, demo = tmp_path / "out", ROOT / "demo_studies"
    edits_stand(
        out, lambda: metakit_command("decide", demo, demo / "unit.yaml", "--out", out), at_least=4
    )  # fmt: skip


@pytest.mark.walk
def test_workbooks_and_unit_files_refuse(metakit_command, review: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    commands = {
        out / "one.xlsx": ("sheet", out / "one.xlsx", "--replace"),
        out / "one.zip": ("sheet", out / "one.zip", "--replace"),
        out / "unit.yaml": ("decide", review, out / "unit.yaml", "--empty"),
    }
    for path, command in commands.items():
        assert metakit_command(*command).status == 0
        if path.suffix != ".yaml":
            assert metakit_command(*command).status == 0  # nobody touched it
        edit(path)
        before = path.read_bytes()
        said = metakit_command(*command)
        assert (said.status, path.read_bytes()) == (2, before)
        assert path.name in said.err
    csv = ("sheet", out / "tables", "--csv", "--replace")
    assert metakit_command(*csv).status == 0
    assert metakit_command(*csv).status == 0
    edit(out / "tables" / "study.csv")
    before = files_of(out)
    assert metakit_command(*csv).status == 2
    assert files_of(out) == before


def test_refusals_come_before_computing(
    metakit_command, review: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import metakit.workbench

    def computing(*_: object, **__: object) -> None:
        raise AssertionError("computed before it was refused")

    monkeypatch.setattr(metakit.workbench, "open_review", computing)
    taken = tmp_path / "taken"
    taken.write_text("mine")
    table = tmp_path / "table.csv"
    table.write_text(TABLE)
    half = tmp_path / "half"
    half.mkdir()
    (half / "figures").write_text("mine")
    assert metakit_command("report", review, "--out", half).status == 2
    for command in (
        ("report", review, "--out", taken),
        ("report", review, "--out", taken / "below"),
        ("decide", review, ROOT / "demo_studies" / "unit.yaml", "--out", taken),
        ("draw", table, "--measure", "risk_ratio", "--to", taken / "a.svg"),
        ("draw", table, "--measure", "risk_ratio", "--to", tmp_path),
    ):
        said = metakit_command(*command)
        assert said.status == 2, (command, said.err)
        assert str(taken if taken in map(Path, command) else tmp_path) in said.err
    assert taken.read_text() == "mine"


@pytest.mark.lengthy
def test_reconcile(metakit_command, tmp_path: Path) -> None:
    review = make_review(tmp_path / "review", PLANTED)
    home = review / "reconcile"
    metakit_command("reconcile", review)
    for name in ("disagreements.html", "agreement.csv"):
        edit(home / name)
    edited = {name: (home / name).read_bytes() for name in ("disagreements.html", "agreement.csv")}
    said = metakit_command("reconcile", review)
    assert "disagreements-2.html" in said.err and "agreement-2.csv" in said.err
    metakit_command("reconcile", review)
    assert {name: (home / name).read_bytes() for name in edited} == edited
    assert not (home / "disagreements-3.html").exists()
    (home / "disagreements.html").unlink()
    assert "disagreements-2" not in metakit_command("reconcile", review).err
