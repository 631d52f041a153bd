"""The review as its analyses see it, read again only when a file of it has changed."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from metakit.desk.state import Desk
from metakit.review.files import PROTOCOL, RECORDS, yaml_files

if TYPE_CHECKING:
    from metakit.review.folder import ReviewFolder


@dataclass(frozen=True, slots=True, kw_only=True)
class Reviewed:
    """A review without errors; `digest` is the hash of all files that its answers rest on."""

    review: ReviewFolder
    digest: str


def inputs_digest(desk: Desk) -> str:
    """Return the hash of protocol and records, by their names and bytes."""
    found = hashlib.sha256()
    records, _ = yaml_files(desk.folder / RECORDS)
    for path in (desk.folder / PROTOCOL, *records):
        found.update(f"{path.name}\0".encode())
        found.update(hashlib.sha256(path.read_bytes() if path.is_file() else b"").digest())
    return found.hexdigest()


def reviewed(desk: Desk) -> Reviewed:
    """Return the review for analysis.

    Raises
    ------
    MetakitError
        As `open_folder`, where files hold errors.
    """
    from metakit.review.folder import open_folder

    digest = inputs_digest(desk)
    return desk.keep(("reviewed", digest), lambda: Reviewed(review=open_folder(desk.folder), digest=digest))
