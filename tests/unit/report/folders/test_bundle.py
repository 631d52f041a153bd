"""Bundles: the same bytes twice, every damage told, hostile zip files refused, numbers computed again. Invented studies."""

from __future__ import annotations

import io
import json
import math
import os
import random
import shutil
import stat
import zipfile
from hashlib import sha256
from pathlib import Path

import pytest

from metakit.errors import DataError, UnreadableError
from metakit.report.folders import bundle_checking, bundle_files
from metakit.report.folders.bundle import ABOUT, MANIFEST, bundle_bytes, read_bundle, standing
from metakit.report.folders.bundle_checking import verify_bundle
from metakit.report.folders.bundle_files import name_faults, pack, unpack
from metakit.report.write import numbers_text
from metakit.review.folder import open_folder
from metakit.synthesis.run import synthesise
from metakit.workbench import open_review

ROOT = Path(__file__).parents[4]
RECORDS = ("DEMO-01*", "DEMO-02*", "DEMO-05*")


def small_review(folder: Path) -> Path:
    """Make a review of three invented trials, with one analysis."""
    (folder / "records").mkdir(parents=True)
    text = (ROOT / "demo_studies/protocol.yaml").read_text(encoding="utf-8")
    start, stop = text.index("\nanalyses:\n"), text.index("\nexplorations:\n")
    lines = [
        line
        for line in text[start:stop].splitlines()
        if "complications_lrti," in line or "pinch_lrti," in line
    ]
    head = text[:start]
    (folder / "protocol.yaml").write_text(f"{head}\nanalyses:\n" + "\n".join(lines) + "\n", encoding="utf-8")
    for pattern in RECORDS:
        for record in (ROOT / "demo_studies/records").glob(pattern):
            shutil.copy(record, folder / "records")
    return folder


def made(review: Path) -> bytes:
    findings = synthesise(open_folder(review))
    report = {
        "findings.json": numbers_text(findings).encode(),
        "report.html": b"<p>page</p>",
        "figures/a.svg": b"<svg/>",
    }
    return bundle_bytes(review, report, versions=findings.versions, inputs=findings.inputs)


@pytest.fixture(scope="module")
def review(tmp_path_factory) -> Path:
    return small_review(tmp_path_factory.mktemp("bundles") / "review")


@pytest.fixture(scope="module")
def content(review: Path) -> bytes:
    return made(review)


@pytest.fixture
def bundle(content: bytes, tmp_path: Path) -> Path:
    path = tmp_path / "review_bundle.zip"
    path.write_bytes(content)
    return path


def repacked(content: bytes, change) -> bytes:
    """Change the files of a bundle and its manifest's hashes with them, as somebody with intent would."""
    import hashlib

    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        files = {name: packed.read(name) for name in packed.namelist()}
    change(files)
    manifest = json.loads(files[MANIFEST])
    manifest["files"] = {
        name: {"size": len(text), "sha256": hashlib.sha256(text).hexdigest()}
        for name, text in files.items()
        if name != MANIFEST
    }
    files[MANIFEST] = json.dumps(manifest).encode()
    return pack(files)


@pytest.mark.lengthy
def test_two_runs_anywhere_give_the_same_bytes(
    review: Path, content: bytes, tmp_path: Path, monkeypatch
) -> None:
    other = tmp_path / "somewhere else" / "copy"
    shutil.copytree(review, other)
    for path in other.rglob("*"):
        os.utime(path, (10**9, 10**9))
        path.chmod(0o700)
    monkeypatch.chdir(other.parent)
    assert made(Path("copy")) == content
    assert str(tmp_path).encode() not in content and b"/root" not in content and b"/home/" not in content
    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        infos = packed.infolist()
    assert [info.filename for info in infos] == sorted(info.filename for info in infos)
    assert {(info.date_time, info.external_attr >> 16) for info in infos} == {
        ((1980, 1, 1, 0, 0, 0), stat.S_IFREG | 0o644)
    }
    names = {info.filename for info in infos}
    assert {MANIFEST, ABOUT, "review/protocol.yaml", "report/findings.json", "report/report.html"} <= names


@pytest.mark.lengthy
def test_papers_stay_on_their_computer(review: Path, content: bytes, tmp_path: Path) -> None:
    other = Path(shutil.copytree(review, tmp_path / "copy"))
    (other / "reports").mkdir()
    (other / "reports" / "paper.pdf").write_bytes(b"%PDF-1.7 somebody's copyright")
    (other / "reports" / "reports.csv").write_text("study,file,sha256,pages\n", encoding="utf-8")
    assert made(other) == content


@pytest.mark.lengthy
def test_a_sound_bundle_is_computed_again_to_the_last_bit_and_nothing_changes(
    bundle: Path, monkeypatch
) -> None:
    before = {path: path.stat().st_mtime_ns for path in bundle.parent.rglob("*")}
    found = verify_bundle(bundle)
    assert found.sound and found.differences == () and found.damage == () and found.other_versions == {}
    assert found.compared > 200
    assert "to the last bit" in found.sentences[0]
    assert {path: path.stat().st_mtime_ns for path in bundle.parent.rglob("*")} == before


@pytest.mark.lengthy
def test_a_number_that_does_not_follow_from_the_records_is_named(bundle: Path, content: bytes) -> None:
    def change(files: dict[str, bytes]) -> None:
        numbers = json.loads(files["report/findings.json"])
        result = numbers["analyses"][0]["result"]
        result["estimate"] = math.nextafter(result["estimate"], 9)
        result["k"] += 1
        numbers["analyses"][1]["result"]["tau2"] = 0.5
        files["report/findings.json"] = json.dumps(numbers).encode()

    bundle.write_bytes(repacked(content, change))
    found = verify_bundle(bundle)
    assert found.damage == () and not found.sound
    assert [d.place for d in found.differences] == [
        "analyses[complications_lrti].result.k",
        "analyses[complications_lrti].result.estimate",
        "analyses[pinch_lrti].result.tau2",
    ]


@pytest.mark.walk
def test_a_record_changed_with_its_hash_gives_other_numbers(bundle: Path, content: bytes) -> None:
    def change(files: dict[str, bytes]) -> None:
        name = next(name for name in files if "records/DEMO-01" in name)
        assert b"events: 13" in files[name]
        files[name] = files[name].replace(b"events: 13", b"events: 12", 1)

    bundle.write_bytes(repacked(content, change))
    found = verify_bundle(bundle)
    assert any(d.place.startswith("analyses[complications_lrti].result.estimate") for d in found.differences)
    assert any(d.place.startswith("inputs.records/DEMO-01") for d in found.differences)


@pytest.mark.lengthy
def test_other_versions_are_named_and_compared_to_a_tolerance(bundle: Path, content: bytes) -> None:
    def change(files: dict[str, bytes], size: float = 1e-12) -> None:
        manifest = json.loads(files[MANIFEST])
        manifest["versions"]["numpy"] = "1.0"
        files[MANIFEST] = json.dumps(manifest).encode()
        numbers = json.loads(files["report/findings.json"])
        numbers["analyses"][0]["result"]["estimate"] *= 1 + size
        numbers["analyses"][0]["sentences"][0] = "worded otherwise"
        files["report/findings.json"] = json.dumps(numbers).encode()

    bundle.write_bytes(repacked(content, change))
    found = verify_bundle(bundle)
    assert found.sound and list(found.other_versions) == ["numpy"]
    assert "numpy 1.0 there" in found.sentences[0] and "1e-09" in found.sentences[0]
    bundle.write_bytes(repacked(content, lambda files: change(files, 1e-6)))
    assert [d.place for d in verify_bundle(bundle).differences] == [
        "analyses[complications_lrti].result.estimate"
    ]


def test_a_record_that_cannot_be_read_any_more_is_told_with_its_place(bundle: Path, content: bytes) -> None:
    def change(files: dict[str, bytes]) -> None:
        files["review/protocol.yaml"] = b"form: protocol\n\tbroken"
        name = next(name for name in files if "records/DEMO-02" in name)
        files[name] = b"{"

    bundle.write_bytes(repacked(content, change))
    found = verify_bundle(bundle)
    assert not found.sound and len(found.damage) >= 2
    text = "\n".join(map(str, found.damage))
    assert "review/protocol.yaml" in text and "review/records/DEMO-02" in text and "metakit-" not in text


def told(path: Path, monkeypatch) -> str:
    """Check the files of a damaged bundle only; recomputing has its own tests."""
    try:
        found = read_bundle(path)
    except UnreadableError as error:
        return str(error)
    return "\n".join(map(str, found.damage))


@pytest.mark.parametrize("seed", range(50))
def test_every_damage_is_told(seed: int, bundle: Path, content: bytes, monkeypatch) -> None:
    generator = random.Random(seed)
    damaged = bytearray(content)
    kind = seed % 5
    place = generator.randrange(len(damaged))
    if kind == 0:
        damaged[place] ^= 1 << generator.randrange(8)
    elif kind == 1:
        del damaged[place : place + generator.randrange(1, 400)]
    elif kind == 2:
        damaged[place:place] = generator.randbytes(generator.randrange(1, 400))
    elif kind == 3:
        damaged[place : place + 16] = generator.randbytes(16)
    else:  # in the directory at the end, where a reader of zip files looks least closely
        place = generator.randrange(content.rindex(b"PK\x01\x02") - 300, len(damaged))
        damaged[place] ^= 1 << generator.randrange(8)
    bundle.write_bytes(bytes(damaged))
    text = told(bundle, monkeypatch)
    assert str(bundle) in text, "damage passed unseen"
    assert len(text.splitlines()) >= 1


def test_all_damage_is_told_at_once(bundle: Path, content: bytes) -> None:
    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        files = {name: packed.read(name) for name in packed.namelist()}
    files["report/report.html"] = b"another page"
    del files["report/figures/a.svg"]
    files["review/records/extra.yaml"] = b"x: 1"
    bundle.write_bytes(pack(files))
    found = [(problem.what, problem.found) for problem in read_bundle(bundle).damage]
    assert found == [
        ("this file of the manifest is not in the bundle", "report/figures/a.svg"),
        ("this file is not the one that the manifest has the hash of", "report/report.html"),
        ("this file is not in the manifest", "review/records/extra.yaml"),
    ]


HOSTILE = [
    "../escape.txt", "review/../../escape.txt", "/etc/escape.txt", "review//x", "review/./x", "C:\\escape.txt", "review\\..\\x",
    "review/a:b", "review/x\n", "review/\u202e\x00", "x" * 300, "review/con /x", "review/dot.", "",
]  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_names_are_refused_before_anything_is_read(name: str, tmp_path: Path) -> None:
    assert name_faults([name])
    path = tmp_path / "deep" / "hostile.zip"
    path.parent.mkdir()
    with zipfile.ZipFile(path, "w") as packed:
        info = zipfile.ZipInfo("placeholder")
        info.filename = name
        packed.writestr(info, b"x")
        packed.writestr(MANIFEST, b"{}")
    with pytest.raises(UnreadableError):
        verify_bundle(path)
    assert [item.name for item in tmp_path.rglob("*")] == ["deep", "hostile.zip"]


def test_links_doubles_encryption_and_compression_are_refused_together(tmp_path: Path) -> None:
    path = tmp_path / "hostile.zip"
    with pytest.warns(UserWarning, match="Duplicate name"), zipfile.ZipFile(path, "w") as packed:
        link = zipfile.ZipInfo("review/link")
        link.external_attr = (stat.S_IFLNK | 0o777) << 16
        packed.writestr(link, "/etc/passwd")
        packed.writestr("twice", b"1")
        packed.writestr("twice", b"2")
        packed.writestr("TWICE ".strip(), b"3")
        packed.writestr("bomb", b"0" * 10**6, compress_type=zipfile.ZIP_DEFLATED)
        packed.writestr("folder/", b"")
    with pytest.raises(UnreadableError) as caught:
        unpack(path)
    text = str(caught.value)
    for part in (
        "a link in the place of a file",
        "two files of one name",
        "a compressed file",
        "leads out of its folder",
    ):
        assert part in text, part
    assert text.count("two files of one name") == 1


def test_no_bundle_at_all(tmp_path: Path, monkeypatch) -> None:
    path = tmp_path / "x.zip"
    for what, written in (
        ("cannot be read as a zip", b""),
        ("cannot be read as a zip", b"PK\x05\x06"),
        ("no readable manifest", pack({"a": b"b"})),
    ):
        path.write_bytes(written)
        with pytest.raises(UnreadableError, match=what):
            verify_bundle(path)
    for manifest in (
        b"[]",
        b"{",
        b'{"format": "other"}',
        b"[" * 90_000,
        b'{"format": "metakit review bundle", "format_version": "1"}',
    ):
        path.write_bytes(pack({MANIFEST: manifest}))
        with pytest.raises(UnreadableError, match="manifest cannot be read"):
            verify_bundle(path)
    newer = {"format": "metakit review bundle", "format_version": 2, "versions": {}, "files": {}}
    path.write_bytes(pack({MANIFEST: json.dumps(newer).encode()}))
    with pytest.raises(UnreadableError, match="newer metakit"):
        verify_bundle(path)
    for other in (tmp_path, tmp_path / "none.zip"):
        with pytest.raises(UnreadableError):
            verify_bundle(other)
    monkeypatch.setattr(bundle_files, "LARGEST", 10)
    with pytest.raises(UnreadableError, match="too large"):
        verify_bundle(path)


@pytest.mark.lengthy
def test_links_and_changed_records_do_not_go_into_a_bundle(review: Path, tmp_path: Path) -> None:
    copy = tmp_path / "review"
    shutil.copytree(review, copy)
    findings = synthesise(open_folder(copy))
    secret = tmp_path / "secret.yaml"
    secret.write_text("x")
    (copy / "selection").mkdir()
    (copy / "selection/link.csv").symlink_to(secret)
    record = next((copy / "records").glob("DEMO-01*"))
    record.write_bytes(record.read_bytes() + b"\n# later\n")
    with pytest.raises(DataError) as caught:
        bundle_bytes(copy, {}, versions=findings.versions, inputs=findings.inputs)
    text = str(caught.value)
    assert (
        "selection/link.csv: error: a link cannot go into a bundle" in text
        and "changed while the report was made" in text
    )


@pytest.mark.walk
def test_numbers_that_are_none_are_told(bundle: Path, content: bytes) -> None:
    """Values that JSON can hold and no float can, in the place of a number; with other versions, too."""
    for other in (False, True):

        def change(files: dict[str, bytes], other: bool = other) -> None:
            text = files["report/findings.json"].decode()
            numbers = json.loads(text)
            result = numbers["analyses"][0]["result"]
            result["estimate"], result["k"], result["tau2"] = 10**400, "4", [[[]]]
            result["standard_error"] = float("nan")
            files["report/findings.json"] = json.dumps(numbers).encode()
            if other:
                manifest = json.loads(files[MANIFEST])
                manifest["versions"]["numpy"] = "1.0\x9b31m"
                files[MANIFEST] = json.dumps(manifest).encode()

        bundle.write_bytes(repacked(content, change))
        places = {d.place.rpartition(".")[2] for d in verify_bundle(bundle).differences}
        assert places == {"estimate", "k", "tau2", "standard_error"}


def test_a_file_cannot_be_a_folder_too() -> None:
    assert name_faults(["review/a", "review/a/b"]) == [("a file in the place of a folder", "review/a")]


def test_no_numbers_means_not_sound() -> None:
    found = bundle_checking.Verification(compared=0, differences=(), damage=(), other_versions={})
    assert not found.sound


def test_what_came_went_or_changed_while_the_report_was_made_is_named(tmp_path: Path) -> None:
    """Two processes: one collects a record after the other has read the review, and before it packs it."""
    for name in ("protocol.yaml", "records/a.yaml", "records/b.yaml", "extractors/AB/a.yaml"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x: 1\n", encoding="utf-8")
    inputs = {"protocol.yaml": sha256(b"x: 1\n").hexdigest()}
    stood = standing(tmp_path)
    assert set(stood) == {"protocol.yaml", "records/a.yaml", "records/b.yaml", "extractors/AB/a.yaml"}
    (tmp_path / "records" / ".hidden.yaml").write_text("x", encoding="utf-8")
    (tmp_path / "notes.txt").write_text("goes into no bundle", encoding="utf-8")
    assert bundle_bytes(tmp_path, {}, versions={}, inputs=inputs, stood=stood)
    (tmp_path / "records/c.yaml").write_text("x: 1\n", encoding="utf-8")
    (tmp_path / "records/b.yaml").unlink()
    (tmp_path / "extractors/AB/a.yaml").write_text("x: 12\n", encoding="utf-8")
    with pytest.raises(DataError) as caught:
        bundle_bytes(tmp_path, {}, versions={}, inputs=inputs, stood=stood)
    assert [(problem.file, problem.what.split()[0]) for problem in caught.value.problems] == [
        ("extractors/AB/a.yaml", "changed"), ("records/b.yaml", "went"), ("records/c.yaml", "came"),
    ]  # fmt: skip
    assert bundle_bytes(tmp_path, {}, versions={}, inputs=inputs)  # who did not look before cannot know
    assert standing(tmp_path / "none") == standing(tmp_path / "notes.txt") == {}


def test_an_opened_review_remembers_how_its_files_stood(review: Path, tmp_path: Path) -> None:
    copy = tmp_path / "review"
    shutil.copytree(review, copy)
    opened = open_review(copy)
    assert opened.stood == standing(copy) and len(opened.stood or ()) > 1
