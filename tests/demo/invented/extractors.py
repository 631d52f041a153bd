"""Two invented extractors: each record as each of them typed it, with the planted disagreements."""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from pathlib import Path
from typing import Any

import yaml

PEOPLE = ("AB", "CD")
FIRST_DAY = {"AB": 3, "CD": 8}
"""Day of February 2026 before the first study was typed; a study a day."""
PLANTED: Mapping[str, Any] = yaml.load(
    (Path(__file__).resolve().parents[1] / "planted_disagreements.yaml").read_text(encoding="utf-8"),
    Loader=yaml.CSafeLoader,
)


def as_typed(tree: Mapping[str, Any], number: int, person: str) -> dict[str, Any]:
    """Return the record of a study as one person typed it."""
    mine: dict[str, Any] = deepcopy(dict(tree))
    study = mine["study"]["id"]
    day = FIRST_DAY[person] + number
    date = f"2026-02-{day:02d}" if day <= 28 else f"2026-03-{day - 28:02d}"
    mine["extraction"] = {"extractor": person, "date": date, "status": "single"}
    mine["appraisal"]["assessor"] = person
    for plant in PLANTED["disagreements"]:
        if plant["study"] == study and person in plant["typed"]:
            _type(mine, plant["entry"], plant["typed"][person])
    for plant in PLANTED["wording"]:
        if plant["study"] == study and plant["person"] == person:
            section, field = plant["field"].split(".")
            _type(mine, {"section": section}, {field: plant["typed"]})
    for plant in PLANTED["habits"]:
        if plant["study"] == study and plant["person"] == person:
            _type(mine, plant["entry"], plant["typed"])
    if study in PLANTED["reordered"].get(person, ()):
        mine["outcomes"].reverse()
    return mine


def decisions() -> dict[tuple[str, str], Mapping[str, Any]]:
    """Return how each planted disagreement was settled, by study and address."""
    return {
        (plant["study"], address): plant["settled"]
        for plant in PLANTED["disagreements"]
        for address in plant["found"]
    }


def _type(tree: dict[str, Any], entry: Mapping[str, Any], typed: Mapping[str, Any] | None) -> None:
    """Put typed values into an entry, take out those that are None, or the whole entry."""
    if "section" in entry:
        target = tree[entry["section"]]
    elif "rows" in entry:
        rows = tree[entry["rows"]]
        (target,) = (row for row in rows if entry["where"].items() <= row.items())
        if typed is None:
            rows.remove(target)
    elif "domain" in entry:
        (target,) = (
            row
            for row in tree["appraisal"]["judgements"]
            if (row["domain"], row["outcome"]) == (entry["domain"], entry["for"])
        )
    elif "outcome" in entry:
        (target,) = (row for row in tree["outcomes"] if _meant(row, entry))
        if typed is None:
            tree["outcomes"].remove(target)
    else:
        (target,) = (arm for arm in tree["arms"] if arm["id"] == entry["arm"])
    for path, value in (typed or {}).items():
        *groups, field = path.split(".")
        place = target
        for group in groups:
            place = place[group]
        if field not in place and value is None:
            raise KeyError(f"{tree['study']['id']}: no {path} to leave out")
        if value is None:
            del place[field]
        else:
            place[field] = value


def _meant(row: Mapping[str, Any], entry: Mapping[str, Any]) -> bool:
    time = row["time"]
    return (row["arm"], row["outcome"]) == (entry["arm"], entry["outcome"]) and entry["time"] in (
        time.get("label", time.get("value")),
    )
