"""A new review folder: whole or not at all, never over something."""

from __future__ import annotations

from pathlib import Path

import pytest

import metakit.review.new as new_module
from metakit.errors import UsageError
from metakit.review.check import check_paths
from metakit.review.new import copy_of_demonstration, new_review


def test_new_folder(tmp_path: Path) -> None:
    folder = new_review(tmp_path / "deep" / "Éclair review 1")
    assert sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*")) == [
        "protocol.xlsx",
        "protocol.yaml",
        "records",
        "records/study_01.yaml",
    ]
    text = (folder / "protocol.yaml").read_text(encoding="utf-8")
    assert "  id: clair_review_1\n" in text
    assert "identifiable patients" in text
    assert [p.name for p in folder.parent.iterdir()] == [folder.name]
    report = check_paths([folder])
    # The empty template is no broken record: one error says what is missing, the steps say what to do.
    assert report.exit_status == 1
    assert [p.what for p in report.problems] == [
        "the protocol is not filled in yet",
        "there is no record to analyse yet",
    ]
    assert [step.partition(":")[0] for step in report.steps] == [
        "Fill in the protocol", "For each study", "Look for slips", "Let the plan be carried out",
    ]  # fmt: skip
    assert "protocol.xlsx" in report.steps[0]


def test_an_empty_folder_is_fine(tmp_path: Path) -> None:
    (tmp_path / "review").mkdir()
    assert (new_review(tmp_path / "review") / "protocol.yaml").is_file()


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    new_review(tmp_path / "review")
    (tmp_path / "review" / "protocol.yaml").write_text("mine")
    with pytest.raises(UsageError, match="not empty"):
        new_review(tmp_path / "review")
    assert (tmp_path / "review" / "protocol.yaml").read_text() == "mine"
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match="is a file"):
        new_review(tmp_path / "file")


def test_a_failure_half_way_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = new_module.write_atomically

    def fail_at_the_record(path: Path, content: str) -> Path:
        if path.parent.name == "records":
            raise OSError("disk full")
        return real(path, content)

    monkeypatch.setattr(new_module, "write_atomically", fail_at_the_record)
    with pytest.raises(OSError, match="disk full"):
        new_review(tmp_path / "review")
    assert list(tmp_path.iterdir()) == []


def test_filling_the_empty_record_in_makes_a_sound_one(tmp_path: Path) -> None:
    """What the template asks for is enough: fill the blanks of a fresh folder, and the check is clean."""
    folder = new_review(tmp_path / "review")
    answers = {
        "protocol.yaml": {
            "title": "T", "question": "Q", "date": "2026-01-02", "population": "P", "unit_of_analysis": "thumbs", "icc": "0.3",
            "- outcome": "crps", "importance": "critical", "window": "12_months", "- id": "a", "outcome": "crps", "measure": "proportion",
            "# techniques": "[denervation]", "# techniques_label": "denervation",
        },
        "records/study_01.yaml": {
            "id": "S-01", "label": "L", "citation": "C", "year": "2001", "report_type": "abstract", "cohort": "c", "extractor": "AB",
            "date": "2026-01-02", "status": "single", "type": "case_series", "- id": "A", "technique": "denervation", "mp_option": "mp_none",
            "st_option": "st_none", "patients": "{analysed: 20}", "thumbs": "{analysed: 21}", "unit": "months", "- arm": "A", "outcome": "crps",
            "time": "{value: 12, unit: months}", "unit_of_analysis": "thumbs", "reporting": "reported_zero", "# events": "0", "# total": "21",
            "funder": "not_reported", "implant_company_tie": "unclear", "# definition": "crps",
        },
    }  # fmt: skip
    for name, filled in answers.items():
        lines = []
        for line in (folder / name).read_text(encoding="utf-8").splitlines():
            key = line.strip().removesuffix(":")
            if line.rstrip().endswith(":") and not line.lstrip().startswith("#:") and key in filled:
                line = line.replace("# ", "") + " " + filled[key]
                if key.startswith("# "):
                    del filled[key]  # optional: where the template asks first, not in every later section
            lines.append(line)
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    report = check_paths([folder])
    assert [str(problem) for problem in report.problems] == []


@pytest.mark.parametrize("at", ["mkdtemp", "copy"])
def test_a_full_disk_is_told_of_the_folder_that_was_meant(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    import errno
    import shutil
    import tempfile

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", "elsewhere")

    monkeypatch.setattr(tempfile if at == "mkdtemp" else shutil, at, full)
    with pytest.raises(OSError, match="No space left") as error:
        copy_of_demonstration(tmp_path / "mine")
    assert error.value.filename == str(tmp_path / "mine") and list(tmp_path.iterdir()) == []
