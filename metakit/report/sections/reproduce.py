"""What it takes to get the same numbers again: versions and hashes of the files read."""

from __future__ import annotations

import os
from datetime import UTC, datetime

from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section


def build(page: Page) -> Content:
    """Return versions, input hashes and, where the environment sets one, the date of the report."""
    return {
        "versions": list(page.findings.versions.items()),
        "inputs": list(page.findings.inputs.items()),
        "date": report_date(),
    }


def report_date() -> str:
    """Return the date from SOURCE_DATE_EPOCH, empty without it: the clock must not change the page."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    return datetime.fromtimestamp(int(epoch), UTC).date().isoformat() if epoch.isdigit() else ""


SECTIONS.add(
    Section(name="reproduce", title="Versions and inputs", template="reproduce.html.j2", build=build)
)
