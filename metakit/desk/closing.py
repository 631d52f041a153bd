"""What closes a review: answers that wait for a signature, and whether the report is older than its files."""

from __future__ import annotations

import json
from collections.abc import Mapping
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


def known_certainties(desk: Desk) -> tuple[Certainty, ...] | None:
    """Return the certainties of the review as it is now, if its answers were worked out already."""
    found: tuple[Certainty, ...] | None = desk.kept(("certainties", inputs_digest(desk)))
    return found


def to_sign(desk: Desk) -> tuple[int, bool]:
    """Return how many answers have no signature, and whether the answers were worked out.

    Before they were, each planned analysis counts that nobody signed: some may give no answer, and a
    signature may rest on numbers that have changed. A certainty file that cannot be read holds no signature.
    """
    try:
        judged = _judged(desk)
    except MetakitError:
        judged = ()
    known = known_certainties(desk)
    if known is not None:
        from metakit.decision.certainty import judged_anew

        return sum(item.status != "signed" for item in judged_anew(known, judged)), True
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
    made = desk.folder / REPORT / "findings.json"
    if not desk.is_plain(made):
        return False, 0
    stamp = made.stat()
    inputs = desk.keep(("report", str(stamp.st_mtime_ns), str(stamp.st_size)), lambda: _inputs(made))
    if inputs is None:
        return True, 1
    records = {f"{RECORDS}/{path.name}" for path in yaml_files(desk.folder / RECORDS)[0]}
    certainty = {CERTAINTY} if desk.is_plain(desk.folder / CERTAINTY) else set()
    names = set(inputs) | records | certainty
    return True, sum(_now(desk.folder / name) != inputs.get(name, "") for name in names)


def _now(path: Path) -> str:
    return sha256_of(path) if path.is_file() else ""


def _inputs(path: Path) -> Mapping[str, str] | None:
    """Return the files that a report rests on with their hashes; None where it does not say."""
    try:
        inputs = json.loads(path.read_bytes())["inputs"]
        return {str(name): str(digest) for name, digest in inputs.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
