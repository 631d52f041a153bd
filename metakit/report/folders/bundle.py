"""A review and its report in one file from which everybody gets the same numbers again.

The bundle holds the files of the review (plan, records, extractors' records, selection, judgements, history),
the files of the report, and a manifest with the hash of each, the versions, and the command to repeat.
"""

from __future__ import annotations

import hashlib
import json
import platform
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from metakit.errors import DataError, Problem, UnreadableError
from metakit.report.folders.bundle_files import LARGEST, MOST_FILES, Unpacked, name_faults, pack, unpack

BUNDLE = "review_bundle.zip"
MANIFEST = "manifest.json"
ABOUT = "README.txt"
REVIEW, REPORT = "review", "report"
FORMAT, FORMAT_VERSION = "metakit review bundle", 1
FILES = ("protocol.yaml", "certainty.yaml", "history.jsonl")
FOLDERS = ("records", "extractors", "selection", "reconcile")
"""What of a review folder goes into a bundle: what is read to compute, and where the records came from."""

_MEANWHILE = "while the report was made; write the report again"
_ABOUT = f"""A review and its report, in one file.

{REVIEW}/        plan, records of both extractors, agreed records, selection, judgements, history
{REPORT}/        the report as it was written: page, figures, findings.json and the files beside it
{MANIFEST}  hash and size of every file, and the versions that the numbers were made with

To check the files and compute every number again:
    metakit report --verify {BUNDLE}
To write the report again, from the unpacked bundle:
    metakit report {REVIEW} --out again

A hash shows that a file was changed by accident. It does not show who made the bundle: whoever changes a
file on purpose can change the manifest too. Numbers are therefore computed again and compared.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """A bundle as read: its files by name, its manifest's versions, and what is damaged."""

    files: Mapping[str, bytes]
    versions: Mapping[str, str]
    damage: tuple[Problem, ...]

    def under(self, folder: str) -> dict[str, bytes]:
        """Return the files below one of its folders, by path within that."""
        start = f"{folder}/"
        return {name.removeprefix(start): self.files[name] for name in self.files if name.startswith(start)}


def versions_here(versions: Mapping[str, str]) -> dict[str, str]:
    """Return the versions of the findings, and the kind of machine: numbers may depend on both."""
    return {**versions, "machine": f"{platform.system()} {platform.machine()}"}


Standing = Mapping[str, tuple[int, int]]
"""The files of a review by path within it, with size and time of the last change."""


def standing(review: Path) -> Standing:
    """Return how the files of a review that go into its bundle stand now; links are passed over."""
    found = {}
    for path in _paths(review):
        try:
            facts = path.lstat()
        except OSError:
            continue  # gone meanwhile: the bundle says so
        if stat.S_ISREG(facts.st_mode):
            found[path.relative_to(review).as_posix()] = (facts.st_size, facts.st_mtime_ns)
    return {name: at for name, at in found.items() if _belongs(name)}


def _paths(review: Path) -> list[Path]:
    if not review.is_dir():
        return []  # whoever reads the review says so
    paths = [review / name for name in FILES if (review / name).exists()]
    for folder in FOLDERS:
        paths += sorted((review / folder).rglob("*"))
    return paths


def _belongs(name: str) -> bool:
    return not any(part.startswith((".", "~$")) for part in PurePosixPath(name).parts)


def bundle_bytes(
    review: Path,
    report: Mapping[str, bytes],
    *,
    versions: Mapping[str, str],
    inputs: Mapping[str, str],
    stood: Standing | None = None,
) -> bytes:
    """Return the bytes of a bundle.

    Parameters
    ----------
    review : Path
        The review folder.
    report : mapping of str to bytes
        The files of its report, by path within the report's folder.
    versions, inputs : mapping
        Of the findings: versions, and SHA-256 of each file that was read.
    stood : mapping, optional
        How the files of the review stood before it was read (`standing`).

    Raises
    ------
    DataError
        With every file that cannot go into a bundle, or that changed, came or went since it was read.
    """
    taken = _review_files(review, inputs)
    if stood is not None and (moved := _moved(stood, standing(review), inputs)):
        raise DataError(moved)
    files = {f"{REVIEW}/{name}": content for name, content in taken.items()}
    files |= {f"{REPORT}/{name}": content for name, content in report.items()}
    files[ABOUT] = _ABOUT.encode()
    manifest = {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "command": f"metakit report {REVIEW} --out again",
        "verify": f"metakit report --verify {BUNDLE}",
        "versions": versions_here(versions),
        "files": {
            name: {"size": len(files[name]), "sha256": hashlib.sha256(files[name]).hexdigest()}
            for name in sorted(files)
        },
    }
    files[MANIFEST] = (json.dumps(manifest, indent=1, ensure_ascii=False) + "\n").encode()
    return pack(files)


def read_bundle(path: Path) -> Bundle:
    """Read a bundle and hold its files against its manifest.

    Raises
    ------
    UnreadableError
        When it is no bundle, or a zip file that could do harm.
    """
    unpacked = unpack(path)
    versions, listed = _manifest(path, unpacked)
    damage = list(unpacked.damage)
    told = {problem.found for problem in damage}
    for name in sorted(listed.keys() | unpacked.files.keys()):
        what = ""
        if name not in unpacked.files:
            what = "" if name in told else "this file of the manifest is not in the bundle"
        elif name not in listed:
            what = "" if name == MANIFEST else "this file is not in the manifest"
        elif hashlib.sha256(unpacked.files[name]).hexdigest() != listed[name]:
            what = "this file is not the one that the manifest has the hash of"
        if what:
            damage.append(Problem(file=str(path), what=what, found=name))
    return Bundle(files=unpacked.files, versions=versions, damage=tuple(damage))


def _manifest(path: Path, unpacked: Unpacked) -> tuple[dict[str, str], dict[str, str]]:
    """Return the versions, and the hash of each file, that the manifest holds."""
    if MANIFEST not in unpacked.files:
        what = f"this zip file is no bundle: it has no readable {MANIFEST}"
        raise UnreadableError([*unpacked.damage, Problem(file=str(path), what=what)])
    try:
        found = json.loads(unpacked.files[MANIFEST])
        if found["format"] != FORMAT or not isinstance(found["format_version"], int):
            raise ValueError
        newer = found["format_version"] > FORMAT_VERSION
        versions = {str(key): str(value) for key, value in found["versions"].items()}
        listed = {str(name): str(entry["sha256"]) for name, entry in found["files"].items()}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise UnreadableError(
            [*unpacked.damage, Problem(file=str(path), what="the manifest cannot be read", found=MANIFEST)]
        ) from None
    if newer:
        what = "the bundle was made by a newer metakit"
        raise UnreadableError([Problem(file=str(path), what=what, hint="update metakit to read it")])
    return versions, listed


def _review_files(review: Path, inputs: Mapping[str, str]) -> dict[str, bytes]:
    """Return the files of a review that belong into its bundle, by path within the review folder."""
    files: dict[str, bytes] = {}
    wrong: list[Problem] = []
    size = 0
    for path in _paths(review):
        name = path.relative_to(review).as_posix()
        if not _belongs(name):
            continue
        linked = any(
            part.is_symlink()
            for part in (path, *path.parents)
            if part.is_relative_to(review) and part != review
        )
        if linked:
            wrong.append(Problem(file=name, what="a link cannot go into a bundle; put the file itself there"))
        elif path.is_dir():
            continue
        elif not stat.S_ISREG(path.stat().st_mode):
            wrong.append(Problem(file=name, what="this is no plain file and cannot go into a bundle"))
        elif (size := size + path.stat().st_size) > LARGEST // 2 or len(files) > MOST_FILES // 2:
            wrong.append(Problem(file=name, what="the review folder is too large for a bundle"))
            break
        else:
            files[name] = path.read_bytes()
    wrong += [Problem(file=name, what=f"{what} cannot go into a bundle") for what, name in name_faults(files)]
    wrong += [
        Problem(file=name, what=f"changed {_MEANWHILE}")
        for name, digest in inputs.items()
        if hashlib.sha256(files.get(name, b"")).hexdigest() != digest
    ]
    if wrong:
        raise DataError(wrong)
    return files


def _moved(before: Standing, now: Standing, inputs: Mapping[str, str]) -> list[Problem]:
    """Name the files that came, went or changed since the review was read; `inputs` are held by hash."""
    found = []
    for name in sorted({*before, *now} - set(inputs)):
        if before.get(name) != now.get(name):
            what = "came" if name not in before else "went" if name not in now else "changed"
            found.append(Problem(file=name, what=f"{what} {_MEANWHILE}"))
    return found
