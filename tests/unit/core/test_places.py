"""What a shared review says about where files are never leads outside of it, for reading or for writing.

Source: CWE-22 (path traversal), CWE-59 (link following); the names of devices are those of Windows' file naming
rules (Microsoft, 'Naming Files, Paths, and Namespaces').
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import zipfile
from pathlib import Path
from typing import Any

import pytest

from metakit.core.files import remove_leftovers, write_atomically
from metakit.core.places import WrongPlaceError, name_fault, place_within
from metakit.errors import DataError, UnreadableError
from metakit.report.folders.bundle_files import name_faults
from metakit.report.folders.output_folder import LIST, write_folder
from metakit.review.history import START, append, history_questions, read_history, sound_history

HOSTILE = [
    "../outside.yaml", "records/../../outside.yaml", "/etc/passwd", "//server/share", "C:\\outside.yaml",
    "records\\..\\outside.yaml", "records/nul\0.yaml", "records/a\nb.yaml", "records/NUL.yaml", "records/com1",
    "records/aux.tar.yaml", "records/" + "x" * 5_000 + ".yaml", "records/" + "é" * 130 + ".yaml", "", ".", "..",
    "records/", "records//a.yaml", "records/a.", "records/ a.yaml", "records/\u202eabc.yaml", "records/\udce9.yaml",
    "~/x.yaml\x1b[2J",
]  # fmt: skip
ELSEWHERE = [
    *HOSTILE,
    "protocol.yaml",
    "records/deep/a.yaml",
    "records/.hidden.yaml",
    "extractors/A/a.yaml",
    7,
    None,
]


def line_of(event: dict[str, Any], previous: str = START) -> bytes:
    return json.dumps({"previous": previous, **event}).encode() + b"\n"


def reconciled(record: object, **more: object) -> dict[str, Any]:
    return {"event": "reconciled", "study": "S", "date": "2026-01-01", "record": record, "sha256": "0"} | more


@pytest.mark.parametrize("name", HOSTILE, ids=lambda name: ascii(name)[:30])
def test_a_hostile_name_is_told_in_words(name: str) -> None:
    assert name_fault(name)


@pytest.mark.parametrize(
    "name", ["records/DEMO-01_quillmere.yaml", "records/Müller 2001.yaml", "figures/a.b.svg"]
)
def test_an_honest_name_is_none(name: str) -> None:
    assert name_fault(name) == ""


@pytest.mark.parametrize("name", ELSEWHERE, ids=lambda name: ascii(name)[:30])
def test_history_names_records_alone(tmp_path: Path, name: object) -> None:
    with pytest.raises(WrongPlaceError):
        place_within(tmp_path, name, ("records/*.yaml",))
    (tmp_path / "history.jsonl").write_bytes(line_of(reconciled(name)))
    events, (problem,) = read_history(tmp_path)
    assert events == () and problem.severity == "error" and problem.line == 1
    assert problem.found.isprintable() and len(problem.found) <= 80
    with pytest.raises(DataError):
        sound_history(tmp_path)
    with pytest.raises(DataError):
        append(tmp_path, [reconciled("records/S.yaml")])


@pytest.mark.parametrize("name", ELSEWHERE[:-2], ids=lambda name: ascii(name)[:30])
def test_extractors_and_files_of_a_selection_too(tmp_path: Path, name: str) -> None:
    if name != "extractors/A/a.yaml":
        (tmp_path / "history.jsonl").write_bytes(
            line_of(reconciled("records/S.yaml", extractors={name: "0"}))
        )
        assert read_history(tmp_path)[1]
    (tmp_path / "history.jsonl").write_bytes(
        line_of({"event": "search_imported", "file": name, "sha256": "0"})
    )
    assert read_history(tmp_path)[1]


@pytest.mark.parametrize(
    "event",
    [
        reconciled("records/S.yaml", extractors=["x"]),
        reconciled("records/S.yaml", extractors={"extractors/A/S.yaml": None}),
        reconciled("records/S.yaml", decisions=[3]),
        reconciled("records/S.yaml", study={}),
    ],
)
def test_a_line_of_another_shape_stops(tmp_path: Path, event: dict[str, Any]) -> None:
    (tmp_path / "history.jsonl").write_bytes(line_of(event))
    (problem,) = history_questions(tmp_path)
    assert problem.severity == "error" and "cannot be read" in problem.what


def test_a_broken_chain_stops_with_the_line(tmp_path: Path) -> None:
    first = line_of(reconciled("records/A.yaml"))
    second = line_of(reconciled("records/B.yaml"), hashlib.sha256(first[:-1]).hexdigest())
    (tmp_path / "history.jsonl").write_bytes(first + second)
    assert len(sound_history(tmp_path)) == 2
    (tmp_path / "history.jsonl").write_bytes(first.replace(b"2026", b"2027") + second)
    with pytest.raises(DataError) as error:
        sound_history(tmp_path)
    assert [problem.line for problem in error.value.problems] == [2]


def test_a_place_behind_a_link_is_refused(tmp_path: Path) -> None:
    outside, review = tmp_path / "outside", tmp_path / "review"
    outside.mkdir()
    review.mkdir()
    (review / "records").symlink_to(outside)
    with pytest.raises(WrongPlaceError, match="symbolic link"):
        place_within(review, "records/a.yaml", ("records/*.yaml",))
    with pytest.raises(UnreadableError, match="nothing is written through it"):
        write_atomically(review / "records" / "a.yaml", "x", within=review)
    (review / "a.yaml").symlink_to(outside / "a.yaml")
    with pytest.raises(UnreadableError):
        write_atomically(review / "a.yaml", "x", within=review)
    assert list(outside.iterdir()) == []


def test_leftovers_are_those_of_this_file_alone(tmp_path: Path) -> None:
    names = [
        ".*.yaml.abcd1234",
        ".a.yaml.abcd1234",
        ".b.yaml.note",
        ".b.yaml.abcd12345",
        "b.yaml",
        ".b.yaml.abcd_234",
    ]
    for name in names:
        (tmp_path / name).write_text("x")
    remove_leftovers(tmp_path / "*.yaml")
    remove_leftovers(tmp_path / "b.yaml")
    left = {path.name for path in tmp_path.iterdir()}
    assert left == set(names) - {".*.yaml.abcd1234", ".b.yaml.abcd_234"}


@pytest.mark.parametrize("name", HOSTILE, ids=lambda name: ascii(name)[:30])
def test_a_bundle_with_a_hostile_name_is_refused(name: str) -> None:
    assert name_faults([name])


@pytest.mark.parametrize(
    "name", [*HOSTILE[:5], "protocol.yaml", "history.jsonl"], ids=lambda name: ascii(name)[:30]
)
def test_a_list_of_written_files_deletes_nothing_else(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "report"
    folder.mkdir()
    for victim in (tmp_path / "outside.yaml", folder / "protocol.yaml", folder / "history.jsonl"):
        victim.write_bytes(b"mine")
    digest = hashlib.sha256(b"mine").hexdigest()
    (folder / LIST).write_text(json.dumps({"files": {name: [digest]}}))
    write_folder(folder, {"report.html": b"x"})
    for victim in (tmp_path / "outside.yaml", folder / "protocol.yaml", folder / "history.jsonl"):
        assert victim.read_bytes() == b"mine"


def test_a_report_is_not_written_through_a_link(tmp_path: Path) -> None:
    folder, outside = tmp_path / "report", tmp_path / "outside"
    folder.mkdir()
    outside.mkdir()
    (folder / "figures").symlink_to(outside)
    with pytest.raises(UnreadableError, match="symbolic link"):
        write_folder(folder, {"figures/a.svg": b"x"})
    assert list(outside.iterdir()) == []


ROOT = Path(__file__).resolve().parents[3]


@pytest.mark.lengthy
def test_reconcile_neither_deletes_nor_overwrites_outside(tmp_path: Path) -> None:
    """The attack that was found: the history's record is '../victim.yaml' with a chain that holds."""
    from metakit.review.reconciling.reconcile import reconcile
    from metakit.review.reconciling.reconcile_review import compare_review

    review, victim = tmp_path / "review", tmp_path / "victim.yaml"
    shutil.copytree(ROOT / "demo_studies", review)
    victim.write_bytes(b"precious: yes\n")
    (tmp_path / ".victim.yaml.keep").write_bytes(b"x")
    digest = hashlib.sha256(victim.read_bytes()).hexdigest()
    study = "DEMO-01"
    (review / "history.jsonl").write_bytes(line_of(reconciled("../victim.yaml", study=study, sha256=digest)))
    with pytest.raises(DataError) as error:
        reconcile(compare_review(review), review / "reconcile" / "decisions.csv")
    assert error.value.problems[0].line == 1
    assert victim.read_bytes() == b"precious: yes\n" and (tmp_path / ".victim.yaml.keep").exists()


def test_the_lock_truncates_nothing_behind_a_link(tmp_path: Path) -> None:
    from metakit.review.lock import LOCK_FILE, review_lock

    victim = tmp_path / "victim"
    victim.write_bytes(b"precious")
    (tmp_path / "review").mkdir()
    (tmp_path / "review" / LOCK_FILE).symlink_to(victim)
    with pytest.raises(UnreadableError), review_lock(tmp_path / "review"):
        pass
    assert victim.read_bytes() == b"precious"


@pytest.mark.parametrize("name", ["../reference_lists.csv", "/etc/passwd", "reference_lists.csv/..", "NUL"])
def test_a_search_names_a_file_beside_it(tmp_path: Path, name: str) -> None:
    from metakit.review.selection.reading import read_selection

    review = tmp_path / "review"
    shutil.copytree(ROOT / "demo_studies", review)
    log = review / "selection" / "searches" / "reference_lists.yaml"
    text = log.read_text(encoding="utf-8")
    assert "reference_lists.csv" in text
    log.write_text(text.replace("reference_lists.csv", name), encoding="utf-8")
    found = [p for p in _problems(read_selection, review) if p.file.endswith("reference_lists.yaml")]
    assert any(p.field == "file" and p.severity == "error" and p.line for p in found), found


def _problems(read: Any, review: Path) -> list[Any]:
    from metakit.forms.library import shipped

    try:
        return list(read(review, shipped(), []).problems)
    except DataError as error:
        return list(error.problems)


def test_zip_names_are_the_bundles(tmp_path: Path) -> None:
    from metakit.report.folders.bundle_files import unpack

    path = tmp_path / "b.zip"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("../../outside.yaml", "x")
        packed.writestr("review/NUL.yaml", "x")
    with pytest.raises(UnreadableError) as error:
        unpack(path)
    assert {problem.found for problem in error.value.problems} == {"../../outside.yaml", "review/NUL.yaml"}
    assert not os.path.lexists(tmp_path.parent / "outside.yaml")
