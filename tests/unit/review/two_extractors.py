"""A small review typed by two invented extractors, made from the demonstration records."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path

from metakit.forms.bundled import demo_studies

RECORD = "DEMO-06_tavermouth.yaml"
# What the second extractor typed otherwise: text in the record -> text typed.
PLANTED = {
    "mean: 5.0\n    standard_deviation: 1.77": "mean: 5.1\n    standard_deviation: 1.77",
    "blinding: none": "blinding: assessors",
    "registration: not_reported": "registration: HR-0042",
    "two surgeons past their learning curve (own wording of the report)": "both surgeons had done many before",
}
ADDRESSES = {
    "design.blinding": ("none", "assessors"),
    "design.registration": ("not_reported", "HR-0042"),
    "outcomes[A/key_pinch/final/12/months].mean": ("5.0", "5.1"),
}
WORDING = "setting.surgeon_experience"


def make_review(folder: Path, planted: Mapping[str, str] = PLANTED, record: str = RECORD) -> Path:
    """Make a review with one study typed by AB and CD."""
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copy(demo_studies() / "protocol.yaml", folder / "protocol.yaml")
    text = (demo_studies() / "extractors" / "AB" / record).read_text(encoding="utf-8")
    write(folder, "AB", record, text)
    for old, new in planted.items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    write(
        folder,
        "CD",
        record,
        text.replace("extractor: AB", "extractor: CD").replace("assessor: AB", "assessor: CD"),
    )
    return folder


def write(folder: Path, person: str, name: str, text: str) -> None:
    path = folder / "extractors" / person / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")
