"""The plan of a review: its parts as canonical text, their hash, and what changed since it was registered.

The hash covers what decides the analyses (question, outcomes, comparisons, analyses, ...), not titles,
authors or notes on amendments. It does not depend on the order of fields, on blanks, or on how a number was
written. Typed into the protocol at registration, it shows later whether the plan is still the same; the
history of the review, where the plan was recorded, shows what changed.
"""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from metakit.errors import UsageError
from metakit.review.history import append, read_history
from metakit.review.lock import review_lock

PARTS = (
    "question",
    "population",
    "eligibility",
    "unit_of_analysis",
    "icc",
    "inference",
    "outcomes",
    "comparisons",
    "analyses",
    "option_pairs",
    "networks",
    "explorations",
    "baselines",
    "subgroups",
    "sensitivity",
    "specifications",
)
"""Parts of a protocol that make up the plan."""

NAMED_BY = ("id", "outcome", "label")
"""Fields that tell the entries of a part apart."""

EVENT = "plan_recorded"
SHORTEST = 12
"""Hexadecimal digits below which the beginning of a hash proves nothing."""

Status = Literal["not_registered", "as_registered", "amended"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanStanding:
    """Whether the plan is still the one that was registered.

    hash : of the plan now. registered_hash : as typed in the protocol, else as recorded in the history.
    date : on which the plan was fixed. changes : what changed since, one line each, where the history holds
    the registered plan. amendments : dates and words of the protocol's own list.
    """

    hash: str
    date: str
    status: Status
    registered_hash: str = ""
    changes: tuple[str, ...] = ()
    amendments: tuple[str, ...] = ()

    @property
    def sentences(self) -> tuple[str, ...]:
        """Say how the plan stands, for a reader of the report."""
        short = f"The plan was fixed on {self.date}; its hash is {self.hash[:12]}."
        if self.status == "not_registered":
            return (
                short,
                "No hash was kept at registration, so nothing here can show whether the plan changed since.",
            )
        if self.status == "as_registered":
            return (short, "It is the plan as registered: the hash is the same.")
        found = [f"The plan was amended after {self.date}: its hash was {self.registered_hash[:12]} then."]
        if self.changes:
            found.append(f"What changed: {'; '.join(self.changes)}.")
        if self.amendments:
            found.append(f"The protocol lists as amended: {'; '.join(self.amendments)}.")
        if not self.changes and not self.amendments:
            found.append("What changed is not on record.")
        return (short, *found)

    def to_json(self) -> dict[str, Any]:
        """Return the standing as JSON."""
        return {
            "date": self.date,
            "hash": self.hash,
            "registered_hash": self.registered_hash or None,
            "status": self.status,
            "changes": list(self.changes),
            "amendments": list(self.amendments),
        }


def plan_parts(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Return the parts of the plan in canonical form: tidy texts, numbers as numbers, nothing empty.

    Parameters
    ----------
    fields : mapping
        The whole checked protocol, as dicts, lists, texts and numbers.
    """
    review = fields.get("review")
    question = review.get("question") if isinstance(review, Mapping) else None
    found = {part: question if part == "question" else fields.get(part) for part in PARTS}
    canonical = {part: _canonical(value) for part, value in found.items()}
    return {part: value for part, value in canonical.items() if value is not None}


def plan_hash(parts: Mapping[str, Any]) -> str:
    """Return the SHA-256 of the plan's canonical text, in hexadecimal.

    Examples
    --------
    >>> plan_hash(plan_parts({"icc": 0.3})) == plan_hash(plan_parts({"icc": 0.30, "note": "x"}))
    True
    """
    text = json.dumps(parts, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def plan_standing(fields: Mapping[str, Any], events: Sequence[Mapping[str, Any]] = ()) -> PlanStanding:
    """Compare the plan with the one registered.

    Parameters
    ----------
    fields : mapping
        The whole checked protocol.
    events : sequence of mappings
        The history of the review.
    """
    parts = plan_parts(fields)
    now = plan_hash(parts)
    review = fields.get("review")
    head: Mapping[str, Any] = review if isinstance(review, Mapping) else {}
    recorded = [event for event in events if event.get("event") == EVENT]
    typed = str(head.get("plan_hash") or "").strip().lower()
    registered = typed or (str(recorded[0].get("hash")) if recorded else "")
    before = next((event for event in recorded if str(event.get("hash")) == registered), None)
    # A registry may show only the beginning of the hash.
    same = len(registered) >= SHORTEST and now.startswith(registered)
    changes: tuple[str, ...] = ()
    if registered and not same and before is not None and isinstance(before.get("parts"), Mapping):
        changes = tuple(plan_changes(before["parts"], parts))
    return PlanStanding(
        hash=now,
        date=str(head.get("date") or ""),
        status="not_registered" if not registered else "as_registered" if same else "amended",
        registered_hash=registered,
        changes=changes,
        amendments=tuple(_amendments(fields)),
    )


def record_plan(folder: Path, fields: Mapping[str, Any], *, date: str) -> str:
    """Write the plan into the history of the review and return its hash; a plan there already stays.

    Raises
    ------
    UsageError
        Without a date, or when the folder cannot be written to.
    """
    if not date:
        raise UsageError("a plan is recorded with the date on which it was fixed")
    parts = plan_parts(fields)
    found = plan_hash(parts)
    with review_lock(folder):
        events, _ = read_history(folder)
        if not any(event.get("event") == EVENT and event.get("hash") == found for event in events):
            append(folder, [{"event": EVENT, "date": date, "hash": found, "parts": parts}])
    return found


def _canonical(value: Any) -> Any:
    if isinstance(value, Mapping):
        found = {str(key): _canonical(item) for key, item in value.items()}
        return {key: item for key, item in found.items() if item is not None} or None
    if isinstance(value, (list, tuple)):
        return [item for item in map(_canonical, value) if item is not None] or None
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, (int, float)):
        return float(value)
    return re.sub(r"\s+", " ", unicodedata.normalize("NFC", str(value))).strip() or None


def plan_changes(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """Say which parts of a plan, and which of their entries, are new, gone or different; see `plan_parts`."""
    found = []
    for part in PARTS:
        old, new = before.get(part), now.get(part)
        if old == new:
            continue
        label = part.replace("_", " ")
        if isinstance(old, list) and isinstance(new, list):
            first, second = _named(old), _named(new)
            words = [
                *(f"{name} added" for name in second if name not in first),
                *(f"{name} taken out" for name in first if name not in second),
                *(f"{name} changed" for name in first if name in second and first[name] != second[name]),
            ]
            found.append(f"{label}: {', '.join(words) or 'another order'}")
        elif old is None or new is None:
            found.append(f"{label} {'added' if old is None else 'taken out'}")
        elif isinstance(old, float) and isinstance(new, float):
            found.append(f"{label} changed from {old:g} to {new:g}")
        else:
            found.append(f"{label} changed")
    return found


def _named(entries: Sequence[Any]) -> dict[str, Any]:
    named = {}
    for number, entry in enumerate(entries, start=1):
        name = str(number)
        if isinstance(entry, Mapping):
            name = next((str(entry[key]) for key in NAMED_BY if key in entry), name)
        elif isinstance(entry, str):
            name = f"“{entry}”"
        named[name] = entry
    return named


def _amendments(fields: Mapping[str, Any]) -> list[str]:
    entries = fields.get("amendments") or ()
    return [
        f"{entry.get('date', '')}: {str(entry.get('what', '')).rstrip('.')}"
        for entry in entries
        if isinstance(entry, Mapping)
    ]
