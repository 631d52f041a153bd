"""The flow of a review, counted from its files and never typed, in the boxes of PRISMA 2020.

Source: Page MJ et al. 2021, BMJ 372:n71, figure 1 and its variants for updated reviews (databases,
registers and other methods). Each
box is counted by itself, from what was decided; that it equals what its neighbours leave over is checked.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from metakit.errors import DataError, Problem
from metakit.review.selection.screening import Outcome, Screening


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowSide:
    """The boxes of one side: databases and registers, or other methods, which skip the screening of titles.

    `found` and `imported` go by search: what the source said, and the records in the file. `screened` and
    `excluded` are None on the side of other methods. `removed` and `excluded_by_reason` hold counts by term.
    """

    found: Mapping[str, int]
    imported: Mapping[str, int]
    removed: Mapping[str, int] = field(default_factory=dict)
    screened: int | None = None
    excluded: int | None = None
    sought: int
    not_retrieved: int
    assessed: int
    excluded_by_reason: Mapping[str, int]
    included: int

    def sums(self, names: Mapping[str, str] | None = None) -> tuple[tuple[str, int, int], ...]:
        """Return (box, its count, what its neighbours leave over) for every box.

        `names` are the names of searches by their ids, which stand for them otherwise.
        """
        left = sum(self.found.values()) - sum(self.removed.values())
        rows = [
            (f"records identified from {(names or {}).get(name, name)}", count, self.imported.get(name, 0))
            for name, count in self.found.items()
        ]
        if self.screened is not None and self.excluded is not None:
            rows.append(("records screened", self.screened, left))
            left = self.screened - self.excluded
        rows.append(("reports sought for retrieval", self.sought, left))
        rows.append(("reports assessed for eligibility", self.assessed, self.sought - self.not_retrieved))
        remaining = self.assessed - sum(self.excluded_by_reason.values())
        rows.append(("reports of included studies", self.included, remaining))
        return tuple(rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """The whole flow; `other` is None where no other methods were used.

    Of an updated review, `previous` holds the studies and reports of the version before, and `included_...`
    count the new ones; `total_studies` counts a study once that has reports in both. `told` is how many
    studies the reports tell of, one by one, where some tell of several; None where each tells of one.
    """

    databases: FlowSide
    other: FlowSide | None
    included_reports: int
    included_studies: int
    previous: tuple[int, int] | None = None
    total_studies: int | None = None
    told: int | None = None

    @property
    def total_reports(self) -> int:
        """Reports of the previous version and new ones."""
        return self.included_reports + (self.previous[1] if self.previous else 0)

    def problems(self, file: str = "selection") -> list[Problem]:
        """Name every box that does not add up."""
        sides = [("databases and registers", self.databases)]
        sides += [("other methods", self.other)] if self.other is not None else []
        found = [
            Problem(
                file=file,
                field=f"{box} ({name})",
                what="this box of the flow diagram does not add up",
                found=str(count),
                allowed=f"{parts}, what the boxes before it leave over",
            )
            for name, side in sides
            for box, count, parts in side.sums()
            if count != parts
        ]
        total = sum(side.included for _, side in sides)
        if total != self.included_reports:
            what = "this box of the flow diagram does not add up"
            found.append(
                Problem(
                    file=file, field="reports of included studies", what=what,
                    found=str(self.included_reports), allowed=str(total),
                )
            )  # fmt: skip
        most = self.included_reports if self.told is None else self.told
        if not 0 <= self.included_studies <= most:
            what = "more studies than reports of them"
            found.append(
                Problem(
                    file=file, field="studies included in review", what=what,
                    found=str(self.included_studies), allowed=f"at most {most}",
                )
            )  # fmt: skip
        return found

    def check(self, file: str = "selection") -> Flow:
        """Return the flow itself, or refuse one that does not add up.

        Raises
        ------
        DataError
            Naming every box with its count and what it should be.
        """
        problems = self.problems(file)
        if problems:
            raise DataError(problems)
        return self

    def to_json(self) -> dict[str, Any]:
        """Return all counts as JSON."""
        sides = {"databases_and_registers": self.databases, "other_methods": self.other}
        return {
            **{name: None if side is None else _side_json(side) for name, side in sides.items()},
            "included": {"studies": self.included_studies, "reports": self.included_reports},
            **self._previous_json(),
        }

    def _previous_json(self) -> dict[str, Any]:
        if self.previous is None:
            return {}
        studies, reports = self.previous
        return {
            "previous_version": {"studies": studies, "reports": reports},
            "total": {"studies": self.total_studies, "reports": self.total_reports},
        }


def _side_json(side: FlowSide) -> dict[str, Any]:
    return {
        "identified": dict(side.found),
        "removed_before_screening": dict(side.removed),
        "screened": side.screened,
        "excluded": side.excluded,
        "sought": side.sought,
        "not_retrieved": side.not_retrieved,
        "assessed": side.assessed,
        "excluded_by_reason": dict(side.excluded_by_reason),
        "reports_included": side.included,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class SideInput:
    """What a side is counted from: searches with their hits, and each citation with its search."""

    found: Mapping[str, int]
    citations: Mapping[str, str]


def count_flow(
    databases: SideInput,
    other: SideInput,
    *,
    removed: Mapping[str, str],
    screening: Screening,
    studies_of_citation: Mapping[str, Sequence[str]],
    reasons: Sequence[str],
    previous: Mapping[str, int] | None = None,
) -> Flow:
    """Count every box.

    Parameters
    ----------
    databases, other : SideInput
        Both sides.
    removed : mapping of str to str
        Citations removed before screening, with why.
    screening : Screening
        The settled decisions.
    studies_of_citation : mapping of str to sequence of str
        The studies that each included report tells of.
    reasons : sequence of str
        The vocabulary of exclusions, in its order.
    previous : mapping of str to int, optional
        Studies of the previous version of the review, with the number of their reports.
    """
    sides = {
        "databases": _side(databases, removed, screening, studies_of_citation, reasons, screens=True),
        "other": _side(other, removed, screening, studies_of_citation, reasons, screens=False)
        if other.found
        else None,
    }
    counted = [side for side in sides.values() if side is not None]
    new = {study for found in studies_of_citation.values() for study in found}
    return Flow(
        databases=counted[0],
        other=sides["other"],
        included_reports=len(studies_of_citation),
        included_studies=len(new - set(previous or ())),
        told=sum(map(len, studies_of_citation.values())),
        previous=(len(previous), sum(previous.values())) if previous else None,
        total_studies=len(new | set(previous)) if previous else None,
    )


def _side(
    given: SideInput,
    removed: Mapping[str, str],
    screening: Screening,
    studies_of_citation: Mapping[str, Sequence[str]],
    reasons: Sequence[str],
    *,
    screens: bool,
) -> FlowSide:
    def mine(stage: str) -> list[Outcome]:
        outcomes = screening.outcomes["full_text" if stage == "full_text" else "title_abstract"]
        return [outcome for citation_id, outcome in outcomes.items() if citation_id in given.citations]

    titles, texts = mine("title_abstract"), mine("full_text")
    why = Counter(removed[citation_id] for citation_id in given.citations if citation_id in removed)
    excluded = Counter(outcome.reason for outcome in texts if outcome.decision == "exclude")
    return FlowSide(
        found=dict(given.found),
        imported=dict(Counter(given.citations.values())),
        removed=dict(why),
        screened=len(titles) if screens else None,
        excluded=sum(outcome.decision == "exclude" for outcome in titles) if screens else None,
        sought=len(texts),
        not_retrieved=sum(outcome.decision == "not_retrieved" for outcome in texts),
        assessed=sum(outcome.decision in ("include", "exclude") for outcome in texts),
        excluded_by_reason={name: excluded[name] for name in (*reasons, "") if excluded[name]},
        included=sum(citation_id in given.citations for citation_id in studies_of_citation),
    )
