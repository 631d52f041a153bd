"""What closes a review: answers that wait for a signature, and whether the report is older than its files."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from metakit.core.files import sha256_of
from metakit.core.records import CertaintyJudgement
from metakit.desk.reviewing import inputs_digest
from metakit.desk.state import Desk
from metakit.errors import MetakitError
from metakit.review.certainty import CERTAINTY
from metakit.review.certainty_update import saved_judgements
from metakit.review.files import PROTOCOL, RECORDS, yaml_files

if TYPE_CHECKING:
    from metakit.decision.certainty import Certainty

REPORT = "report"
_FINDINGS = "findings.json"


def known_certainties(desk: Desk) -> tuple[Certainty, ...] | None:
    """Return the certainties of the review as it is now, if its answers were worked out already."""
    found: tuple[Certainty, ...] | None = desk.kept(("certainties", inputs_digest(desk)))
    return found


def to_sign(desk: Desk) -> tuple[int, bool]:
    """Return how many answers have no signature, and whether the answers are known.

    They are once they were worked out for the files as they stand: by this desk, or by a report that rests on
    the same plan and records. Before that, each planned analysis counts that nobody signed: some may give no
    answer, and a signature may rest on numbers that have changed. A certainty file that cannot be read holds
    no signature.
    """
    try:
        judged = _judged(desk)
    except MetakitError:
        judged = ()
    known = known_certainties(desk)
    if known is not None:
        from metakit.decision.certainty import judged_anew

        return sum(item.status != "signed" for item in judged_anew(known, judged)), True
    made = _made_report(desk)
    if made is not None and not _changed(desk, made) - {CERTAINTY}:
        signatures = {one.analysis: (one.signed_by, one.signed_on) for one in judged if one.signed_by}
        return sum(not one.holds(signatures.get(one.analysis)) for one in made.answers), True
    group = desk.protocol().group if (desk.folder / PROTOCOL).is_file() else None
    planned = {one.text("id") for one in group.groups("analyses")} if group is not None else set()
    return len(planned - {one.analysis for one in judged if one.signed_by} - {""}), False


def _judged(desk: Desk) -> tuple[CertaintyJudgement, ...]:
    path = desk.folder / CERTAINTY
    if not path.is_file():
        return ()
    key = ("judgements", str(path), sha256_of(path))
    return desk.keep(key, lambda: saved_judgements(desk.folder, desk.library))


def report_age(desk: Desk) -> tuple[bool, int]:
    """Return whether there is a report, and how many of its files have changed, are new or gone since."""
    if not desk.is_plain(desk.folder / REPORT / _FINDINGS):
        return False, 0
    made = _made_report(desk)
    return True, 1 if made is None else len(_changed(desk, made))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answer:
    """One answer of a report: who had signed it and when, both empty without, and whether that held."""

    analysis: str
    signature: tuple[str, str]
    held: bool

    def holds(self, now: tuple[str, str] | None) -> bool:
        """Whether a signature holds now: one the report saw if it did then; a later one is of this answer."""
        return now is not None and (self.held or now != self.signature)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Made:
    """What a report says of itself: the files that it rests on with their hashes, and its answers."""

    inputs: Mapping[str, str]
    answers: tuple[_Answer, ...]


def _made_report(desk: Desk) -> _Made | None:
    """Return what the report in the review's folder says of itself; None where it does not say."""
    path = desk.folder / REPORT / _FINDINGS
    if not desk.is_plain(path):
        return None
    stamp = path.stat()
    found: _Made | None = desk.keep(
        ("report", str(stamp.st_mtime_ns), str(stamp.st_size)), lambda: _read_report(path)
    )
    return found


def _changed(desk: Desk, made: _Made) -> set[str]:
    """Return the files that have changed, are new or gone since a report was made."""
    records = {f"{RECORDS}/{path.name}" for path in yaml_files(desk.folder / RECORDS)[0]}
    certainty = {CERTAINTY} if desk.is_plain(desk.folder / CERTAINTY) else set()
    names = set(made.inputs) | records | certainty
    return {name for name in names if _now(desk.folder / name) != made.inputs.get(name, "")}


def _now(path: Path) -> str:
    return sha256_of(path) if path.is_file() else ""


def _read_report(path: Path) -> _Made | None:
    try:
        said = json.loads(path.read_bytes())
        inputs = {str(name): str(digest) for name, digest in said["inputs"].items()}
        answers = tuple(
            _Answer(
                analysis=str(one["analysis"]), held=one["status"] == "signed",
                signature=(one["signed_by"] or "", one["signed_on"] or ""),
            )
            for part in ("certainty", "network_certainty", "option_pair_certainty")
            for one in said.get(part, ())
        )  # fmt: skip
        return _Made(inputs=inputs, answers=answers)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
