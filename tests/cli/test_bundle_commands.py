"""`metakit report` with --bundle, --since and --verify, as a person types them. Invented studies."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from metakit.cli.app import app
from metakit.cli.support.running import run
from metakit.report.folders.bundle import BUNDLE
from tests.unit.report.folders.test_bundle import repacked, small_review


@pytest.fixture(scope="module")
def written(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("commands")
    small_review(folder / "review")
    assert run(app, ["report", str(folder / "review"), "--out", str(folder / "first"), "--bundle"]) == 0
    return folder


@pytest.mark.walk
def test_a_bundle_is_written_and_verified(written: Path, capsys) -> None:
    files = {path: path.stat().st_mtime_ns for path in written.rglob("*")}
    assert run(app, ["report", "--verify", str(written / "first" / BUNDLE)]) == 0
    said = capsys.readouterr()
    assert said.out.startswith("The bundle is sound") and "to the last bit" in said.out
    assert {path: path.stat().st_mtime_ns for path in written.rglob("*")} == files
    assert run(app, ["report", "--verify", str(written / "first" / BUNDLE), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["sound"] and answer["compared"] > 100 and answer["differences"] == []


@pytest.mark.walk
def test_two_runs_in_two_places_give_the_same_bundle(
    written: Path, tmp_path: Path, monkeypatch, capsys
) -> None:
    small_review(tmp_path / "elsewhere")
    monkeypatch.chdir(tmp_path)
    assert run(app, ["report", "elsewhere", "--bundle"]) == 0
    capsys.readouterr()
    assert (tmp_path / "elsewhere/report" / BUNDLE).read_bytes() == (written / "first" / BUNDLE).read_bytes()


@pytest.mark.walk
def test_a_difference_ends_with_1_and_shows_all(written: Path, tmp_path: Path, capsys) -> None:
    def change(files: dict[str, bytes]) -> None:
        numbers = json.loads(files["report/findings.json"])
        for analysis in numbers["analyses"]:
            analysis["result"]["estimate"] += 0.25
        files["report/findings.json"] = json.dumps(numbers).encode()

    path = tmp_path / "changed.zip"
    path.write_bytes(repacked((written / "first" / BUNDLE).read_bytes(), change))
    assert run(app, ["report", "--verify", str(path)]) == 1
    said = capsys.readouterr()
    assert (
        "analyses[complications_lrti].result.estimate" in said.err
        and "analyses[pinch_lrti].result.estimate" in said.err
    )
    assert "not sound: 0 problems of its files and 2 differences" in said.out


@pytest.mark.walk
def test_what_is_no_bundle_ends_with_2(written: Path, tmp_path: Path, capsys) -> None:
    path = tmp_path / "x.zip"
    path.write_bytes(b"nothing")
    assert run(app, ["report", "--verify", str(path)]) == 2
    assert "this is no bundle" in capsys.readouterr().err
    for arguments in (["report"], ["report", str(written / "review"), "--verify", str(path)]):
        assert run(app, arguments) == 2
    assert "stands alone" in capsys.readouterr().err


@pytest.mark.walk
def test_a_study_more_is_told_on_the_screen_and_on_the_page(written: Path, tmp_path: Path, capsys) -> None:
    review = small_review(tmp_path / "review")
    record = next((review / "records").glob("DEMO-05*"))
    record.unlink()
    out = tmp_path / "out"
    assert run(app, ["report", str(review), "--out", str(out)]) == 0
    capsys.readouterr()
    small_review(tmp_path / "again")
    assert (
        run(app, ["report", str(tmp_path / "again"), "--out", str(out), "--since", str(out), "--bundle"]) == 0
    )
    said = capsys.readouterr().err
    assert "Changed since out" in said and "New studies: DEMO-05" in said
    assert 'id="changes"' in (out / "report.html").read_text(encoding="utf-8")
    assert run(app, ["report", "--verify", str(out / BUNDLE)]) == 0
    assert run(app, ["report", str(review), "--since", str(tmp_path / "none")]) == 2
