"""Two people's decisions on each citation, kept apart, and what they lead to.

Each person's decisions are a table of their own (`selection/screening_AB.csv`). Where two disagree, a third
table (`selection/screening_agreed.csv`) decides, with who and when.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from metakit.core.values import Place
from metakit.forms.tree import Group
from metakit.review.selection.tables import Rows, read_table_rows

Stage = Literal["title_abstract", "full_text"]
STAGES: tuple[Stage, ...] = ("title_abstract", "full_text")
STAGE_WORDS = {"title_abstract": "title and abstract", "full_text": "full text"}
UNSURE = "unsure"
DECISIONS = {
    "title_abstract": ("include", "exclude", UNSURE),
    "full_text": ("include", "exclude", UNSURE, "not_retrieved"),
}
DECISION_COLUMNS = (
    "citation_id", "stage", "decision", "reason", "page", "study", "note", "decided_by", "decided_on",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One decision on one citation at one stage; `decided_by` stands in agreed decisions only."""

    citation_id: str
    stage: Stage
    decision: str
    reason: str = ""
    page: str = ""
    study: str = ""
    note: str = ""
    decided_by: str = ""
    decided_on: str = ""
    place: Place | None = None

    @property
    def studies(self) -> tuple[str, ...]:
        """The studies that an included report tells of, as this person names them."""
        return tuple(dict.fromkeys(name for part in self.study.split(";") if (name := part.strip())))

    @property
    def key(self) -> tuple[Stage, str]:
        """What was decided about."""
        return self.stage, self.citation_id

    def row(self) -> dict[str, object]:
        """Return the decision as a row of its table."""
        return {name: getattr(self, name) for name in DECISION_COLUMNS}

    def same(self, other: Decision) -> bool:
        """Say whether two decisions are the same in every cell."""
        return self.row() == other.row()


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What was decided in the end; `settled_by` is "both", "one person" or "adjudication".

    `studies` are the studies that an included report tells of, as far as anybody named them.
    """

    decision: str
    reason: str
    page: str
    note: str
    settled_by: str
    studies: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Screening:
    """All decisions: by stage and citation the outcome, and the citations that still need one.

    `pairs` holds both people's decisions where both decided, `single` what one person decided alone.
    """

    outcomes: Mapping[Stage, Mapping[str, Outcome]]
    conflicts: Mapping[Stage, tuple[str, ...]]
    pairs: Mapping[Stage, tuple[tuple[str, str], ...]]
    single: Mapping[Stage, tuple[str, ...]]


def read_decisions(path: Path) -> tuple[tuple[Decision, ...], Rows]:
    """Read one table of decisions; the rows carry everything that is wrong in it."""
    rows = read_table_rows(path, "decision")
    return tuple(decision_of(group) for group in rows.groups), rows


def decision_of(group: Group) -> Decision:
    """Return a checked row as a decision."""
    return Decision(
        citation_id=group.text("citation_id"),
        stage="full_text" if group.text("stage") == "full_text" else "title_abstract",
        decision=group.text("decision"),
        reason=group.text("reason"),
        page=group.text("page"),
        study=group.text("study"),
        note=group.text("note"),
        decided_by=group.text("decided_by"),
        decided_on=group.text("decided_on"),
        place=group.place,
    )


def settle(decisions: Sequence[Sequence[Decision]], adjudicated: Sequence[Decision] = ()) -> Screening:
    """Bring two people's decisions together.

    Parameters
    ----------
    decisions : sequence of one or two sequences of Decision
        Each person's own, in the order of `people`.
    adjudicated : sequence of Decision
        The agreed decisions; they win, and are only needed where two disagree. Two exclusions of a full text
        for different reasons are a disagreement: each is counted once, under one reason. So are two
        inclusions that name different studies. Where one person is unsure the other one's decision stands;
        where both are, it is a disagreement.
    """
    final = {found.key: found for found in adjudicated}
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
                outcomes[stage][citation_id] = _outcome(agreed, "adjudication")
                continue
            clear = [d for d in given if d.decision != UNSURE]
            if _agree(clear, stage):
                told = next((d for d in clear if d.page or d.note), clear[0])
                named = next((d.study for d in clear if d.study), "")
                told = told if told.study == named else replace(told, study=named)
                outcomes[stage][citation_id] = _outcome(told, "both" if len(clear) == 2 else "one person")
            elif clear or len(given) == 2:
                conflicts[stage].append(citation_id)
    return Screening(
        outcomes=outcomes,
        conflicts={stage: tuple(ids) for stage, ids in conflicts.items()},
        pairs={stage: tuple(both) for stage, both in pairs.items()},
        single={stage: tuple(ids) for stage, ids in single.items()},
    )


def _agree(clear: Sequence[Decision], stage: Stage) -> bool:
    said = {(d.decision, d.reason if stage == "full_text" else "") for d in clear}
    return len(said) == 1 and len({frozenset(d.studies) for d in clear if d.studies}) <= 1


def _outcome(decision: Decision, settled_by: str) -> Outcome:
    return Outcome(
        decision=decision.decision,
        reason=decision.reason,
        page=decision.page,
        note=decision.note,
        settled_by=settled_by,
        studies=decision.studies,
    )
