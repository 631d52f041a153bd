"""Two people's decisions on each citation, kept apart, and what they lead to.

Each person's decisions are a CSV file of their own (`selection/screening_AB.csv`: citation_id, stage,
decision, reason). Where two disagree, a third file (`selection/screening_agreed.csv`) decides.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from metakit.errors import DataError, Problem, UnreadableError, nearest_names

Stage = Literal["title_abstract", "full_text"]
STAGES: tuple[Stage, ...] = ("title_abstract", "full_text")
DECISIONS = ("include", "exclude", "not_retrieved")

# Closed list: a flow diagram can only count reasons that are named alike.
REASONS = {
    "other_population": "not thumb-base osteoarthritis, or not adults",
    "other_intervention": "no operation on the trapeziometacarpal or thumb MP joint",
    "other_comparator": "comparator not in the protocol",
    "no_eligible_outcome": "no eligible outcome was measured",
    "other_design": "design not in the protocol (review, letter, cadaver study, single case)",
    "too_few_thumbs": "fewer thumbs than the protocol asks for",
    "follow_up_too_short": "follow-up shorter than the protocol asks for",
    "same_cohort": "same patients as another report that was kept",
    "retracted": "retracted",
    "language": "language that could not be read",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One person's decision on one citation at one stage."""

    citation_id: str
    stage: Stage
    decision: str
    reason: str
    person: str
    row: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What was decided in the end; `settled_by` is "both", one person's name or "adjudication"."""

    decision: str
    reason: str
    settled_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Screening:
    """All decisions: by stage and citation the outcome, and the citations that still need one."""

    outcomes: Mapping[Stage, Mapping[str, Outcome]]
    conflicts: Mapping[Stage, tuple[str, ...]]
    pairs: Mapping[Stage, tuple[tuple[str, str], ...]]
    single: Mapping[Stage, tuple[str, ...]]


def read_decisions(path: Path, *, person: str, known: Sequence[str]) -> tuple[Decision, ...]:
    """Read one person's decisions and check every row against the citations and the closed lists.

    Raises
    ------
    UnreadableError, DataError
        With every faulty row at once.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise UnreadableError([Problem(file=str(path), what=error.strerror or "cannot be read")]) from None
    except UnicodeDecodeError:
        raise UnreadableError([Problem(file=str(path), what="is not UTF-8 text")]) from None
    rows = csv.DictReader(io.StringIO(text, newline=""))
    wanted = ["citation_id", "stage", "decision", "reason"]
    missing = [name for name in wanted if name not in (rows.fieldnames or [])]
    if missing:
        found = ", ".join(rows.fieldnames or []) or "no header"
        raise UnreadableError(
            [Problem(file=str(path), what="columns are missing", found=found, allowed=", ".join(wanted))]
        )
    decisions: list[Decision] = []
    problems: list[Problem] = []
    seen: dict[tuple[str, str], int] = {}
    for row in rows:
        number = rows.line_num
        cell = {name: (row[name] or "").strip() for name in wanted}
        problems += _row_problems(path, number, cell, set(known), seen)
        decisions.append(
            Decision(
                citation_id=cell["citation_id"],
                stage="full_text" if cell["stage"] == "full_text" else "title_abstract",
                decision=cell["decision"],
                reason=cell["reason"],
                person=person,
                row=number,
            )
        )
    if problems:
        raise DataError(problems)
    return tuple(decisions)


def _row_problems(
    path: Path, row: int, cell: Mapping[str, str], known: set[str], seen: dict[tuple[str, str], int]
) -> list[Problem]:
    problems = []

    def wrong(field: str, what: str, allowed: str, hint: str = "") -> None:
        problems.append(
            Problem(
                file=str(path),
                line=row,
                field=field,
                what=what,
                found=cell[field],
                allowed=allowed,
                hint=hint,
            )
        )

    if cell["citation_id"] not in known:
        wrong(
            "citation_id",
            "no such citation",
            "an id of citations.csv",
            nearest_names(cell["citation_id"], known),
        )
    for field, allowed in (("stage", STAGES), ("decision", DECISIONS)):
        if cell[field] not in allowed:
            wrong(field, "unknown word", ", ".join(allowed), nearest_names(cell[field], allowed))
    if cell["stage"] == "full_text" and cell["decision"] == "exclude" and cell["reason"] not in REASONS:
        wrong("reason", "a full text is excluded for a reason of the list", ", ".join(REASONS))
    if cell["stage"] == "title_abstract" and cell["decision"] == "not_retrieved":
        wrong("decision", "only full texts can be out of reach", "include, exclude")
    key = (cell["citation_id"], cell["stage"])
    if key in seen:
        wrong("citation_id", f"decided twice at this stage (also in row {seen[key]})", "one row a stage")
    seen.setdefault(key, row)
    return problems


def settle(decisions: Sequence[Sequence[Decision]], adjudicated: Sequence[Decision] = ()) -> Screening:
    """Bring two people's decisions together.

    Parameters
    ----------
    decisions : sequence of one or two sequences of Decision
        Each person's own.
    adjudicated : sequence of Decision
        The agreed decisions; they win, and are only needed where two disagree.
    """
    final = {(d.stage, d.citation_id): d for d in adjudicated}
    outcomes: dict[Stage, dict[str, Outcome]] = {stage: {} for stage in STAGES}
    conflicts: dict[Stage, list[str]] = {stage: [] for stage in STAGES}
    pairs: dict[Stage, list[tuple[str, str]]] = {stage: [] for stage in STAGES}
    single: dict[Stage, list[str]] = {stage: [] for stage in STAGES}
    for stage in STAGES:
        people = [{d.citation_id: d for d in person if d.stage == stage} for person in decisions]
        for citation_id in dict.fromkeys(key for person in people for key in person):
            given = [person[citation_id] for person in people if citation_id in person]
            if len(given) == 2:
                pairs[stage].append((given[0].decision, given[1].decision))
            else:
                single[stage].append(citation_id)
            agreed = final.get((stage, citation_id))
            if agreed is not None:
                outcomes[stage][citation_id] = Outcome(
                    decision=agreed.decision, reason=agreed.reason, settled_by="adjudication"
                )
            elif len({(d.decision, d.reason if stage == "full_text" else "") for d in given}) == 1:
                by = "both" if len(given) == 2 else given[0].person
                outcomes[stage][citation_id] = Outcome(
                    decision=given[0].decision, reason=given[0].reason, settled_by=by
                )
            else:
                conflicts[stage].append(citation_id)
    return Screening(
        outcomes=outcomes,
        conflicts={stage: tuple(ids) for stage, ids in conflicts.items()},
        pairs={stage: tuple(both) for stage, both in pairs.items()},
        single={stage: tuple(ids) for stage, ids in single.items()},
    )
