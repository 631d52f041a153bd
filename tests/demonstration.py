"""The demonstration review, read once in a process and only when a test asks for it; only to be read."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import yaml

if TYPE_CHECKING:
    from metakit.core.records import StudyRecord
    from metakit.review.folder import ReviewFolder

DEMO = Path(__file__).resolve().parents[1] / "demo_studies"


@cache
def review() -> ReviewFolder:
    """Return the review as metakit reads it."""
    from metakit.review.folder import open_folder

    return open_folder(DEMO)


@cache
def studies() -> dict[str, StudyRecord]:
    return {study.id: study for study in review().studies}


@cache
def plain_records() -> tuple[dict[str, Any], ...]:
    """Return the agreed records as a YAML library reads them, not metakit."""
    files = sorted((DEMO / "records").glob("*.yaml"))
    return tuple(yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.CSafeLoader) for path in files)


@cache
def typed_records() -> dict[str, dict[str, Any]]:
    """Return the same by study, every scalar as the text that was typed."""
    files = sorted((DEMO / "records").glob("*.yaml"))
    trees = [yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.CBaseLoader) for path in files]  # noqa: S506
    return {str(tree["study"]["id"]): tree for tree in trees}
