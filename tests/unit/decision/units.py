"""Invented units and an invented review for them, small and quick."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from metakit.core.plans import AnalysisPlan
from metakit.core.values import FollowUp
from metakit.decision.one_unit.unit import Unit
from metakit.decision.one_unit.unit_decision import UnitDecision, decide
from metakit.decision.one_unit.unit_reading import read_unit
from metakit.forms.bundled import demo_studies
from metakit.workbench import open_review
from tests.unit.synthesis.invented import (
    Folder,
    arm,
    counted,
    measured,
    plan,
    protocol,
    series,
    study,
)

DRAWS = 20_000
COMPLICATIONS = """
  - outcome: any_complication
    baseline: {events: 21, thumbs: 96, months: 12, kind: unit_audit, source: audit}
    effects: [{technique: lrti, analysis: complications}]
"""
REVISIONS = """
  - outcome: revision_index
    baseline: {events: 8, thumb_years: 640, kind: unit_audit, source: audit}
    effects: [{technique: lrti, analysis: revisions}]
"""
SCORES = """
  - outcome: dash
    effects: [{technique: lrti, analysis: scores}]
"""
HEAD = """form: unit
form_version: 1
unit: {name: Unit of a test, invented: yes}
volume: {thumbs_a_year: 120, lowest: 90, highest: 150}
time: {years_followed: 5, lowest: 2, highest: 8}
techniques:
  - {id: now, technique: trapeziectomy, label: trapeziectomy alone, theatre_minutes: 50, cost: 1000}
  - {id: lrti, technique: lrti, label: LRTI, theatre_minutes: 80, cost: 1500}
current_technique: now
outcomes:"""
THREE_YEARS = FollowUp(
    mean=36.0, shortest=30.0, longest=42.0, thumb_years=120.0, thumb_years_basis="derived_mean"
)
LAST = {
    "outcome": "revision_index",
    "definition": "revision_index",
    "time_label": "last_follow_up",
    "months": None,
}
PLANS = (
    plan(id="complications"),
    plan("rate_ratio", "revision_index", id="revisions"),
    plan("mean_difference", "dash", id="scores"),
    plan(
        "rate", "revision_index", id="revisions_series", techniques=("denervation",),
        techniques_label="denervation",
    ),
)  # fmt: skip


def text(*outcomes: str, end: str = "", head: str = HEAD) -> str:
    """Return the text of a unit file."""
    return head + "".join(outcomes).rstrip("\n") + "\n" + end


def unit(tmp_path: Path, *outcomes: str, end: str = "", head: str = HEAD) -> Unit:
    """Write and read a unit file."""
    path = tmp_path / "unit.yaml"
    path.write_text(text(*outcomes, end=end, head=head), encoding="utf-8")
    return read_unit(path)


def review(*, studies: int = 5, plans: tuple[AnalysisPlan, ...] = PLANS, **facts: Any) -> Folder:
    """Return a review with complications, revisions, scores, and series of denervation."""
    follow = (arm("A", follow_up=THREE_YEARS), arm("B", "trapeziectomy", follow_up=THREE_YEARS))
    records = []
    for number in range(studies):
        values = (
            counted("A", 4 + number % 2, 40),
            counted("B", 8 - number % 3, 40),
            counted("A", 2 + number % 2, 40, **LAST),
            counted("B", 4 + number % 3, 40, **LAST),
            measured("A", 20 + number, 10),
            measured("B", 24 + 2 * number, 11),
        )
        records.append(study(str(number), *values, arms=follow))
    for number in range(3):
        arms = (arm("A", "denervation", follow_up=THREE_YEARS),)
        records.append(series(f"s{number}", counted("A", 3 + number, 40, **LAST), arms=arms))
    asked = protocol(*plans)
    outcomes = tuple(
        replace(item, smallest_important_difference=SMALLEST.get(item.outcome)) for item in asked.outcomes
    )
    return Folder(protocol=replace(asked, outcomes=outcomes, **facts), studies=tuple(records))


SMALLEST = {"any_complication": 5.0, "revision_index": 2.0, "dash": 10.0}


def decided(tmp_path: Path, *outcomes: str, end: str = "", head: str = HEAD, **facts: Any) -> UnitDecision:
    """Apply the invented review to a unit."""
    return decide(review(**facts), unit(tmp_path, *outcomes, end=end, head=head), draws=DRAWS)  # type: ignore[arg-type]


KINDS = ("readme", "demonstration", "twelve thumbs")
_TWELVE = (
    ("thumbs_a_year: 120, lowest: 95, highest: 140", "thumbs_a_year: 12, lowest: 8, highest: 16"),
    ("events: 8, thumb_years: 640", "events: 0, thumb_years: 60"),
    ("events: 21, thumbs: 96", "events: 0, thumbs: 30"),
)


def shipped_unit(which: str, tmp_path: Path, *, draws: int = DRAWS) -> UnitDecision:
    """Apply the demonstration to its own unit, to the README's, or to that with 12 thumbs and no event."""
    readme = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
    typed = readme.partition("<!-- file: my_unit.yaml -->\n```yaml\n")[2].partition("```")[0]
    if which == "demonstration":
        typed = (demo_studies() / "unit.yaml").read_text(encoding="utf-8")
    for old, new in _TWELVE if which == "twelve thumbs" else ():
        assert old in typed
        typed = typed.replace(old, new)
    path = tmp_path / "unit.yaml"
    path.write_text(typed, encoding="utf-8")
    return decide(open_review(demo_studies()).folder, read_unit(path), draws=draws)
