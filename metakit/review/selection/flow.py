"""The flow of a review, counted from its files and never typed, in the boxes of PRISMA 2020.

Source: Page MJ et al. 2021, BMJ 372:n71, figure 1 (new reviews with databases, registers and other sources).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from metakit.errors import DataError, Problem
from metakit.review.selection.citations import Citation
from metakit.review.selection.duplicates import Duplicate
from metakit.review.selection.screening import REASONS, Screening


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """Counts of every box; reports and studies are counted apart (several reports may tell of one study)."""

    found_by_source: Mapping[str, int]
    duplicates: int
    screened: int
    excluded_on_title: int
    sought: int
    not_retrieved: int
    assessed: int
    excluded_by_reason: Mapping[str, int]
    included_reports: int
    included_studies: int

    def sums(self) -> tuple[tuple[str, int, int], ...]:
        """Return (box, its count, what its parts add up to) for every box that has parts."""
        return (
            ("records screened", self.screened, sum(self.found_by_source.values()) - self.duplicates),
            ("reports sought", self.sought, self.screened - self.excluded_on_title),
            ("reports assessed", self.assessed, self.sought - self.not_retrieved),
            (
                "reports included",
                self.included_reports,
                self.assessed - sum(self.excluded_by_reason.values()),
            ),
        )


def count_flow(
    citations: Sequence[Citation],
    duplicates: Sequence[Duplicate],
    screening: Screening,
    study_of_citation: Mapping[str, str],
    *,
    file: str = "selection",
) -> Flow:
    """Count every box from the citations, duplicates and settled decisions.

    Parameters
    ----------
    study_of_citation : mapping
        The study record that each included report belongs to.

    Raises
    ------
    DataError
        If a citation has no settled decision, or an included report has no study record: each is named.
    """
    problems = []

    def lacking(citation_id: str, what: str, allowed: str) -> None:
        problems.append(Problem(file=file, field=citation_id, what=what, allowed=allowed))

    dropped = {duplicate.dropped for duplicate in duplicates}
    kept = [citation.citation_id for citation in citations if citation.citation_id not in dropped]
    on_title, on_text = screening.outcomes["title_abstract"], screening.outcomes["full_text"]
    for citation_id in kept:
        if citation_id not in on_title:
            lacking(citation_id, "has no settled decision on title and abstract", "include or exclude")
    sought = [
        citation_id
        for citation_id in kept
        if citation_id in on_title and on_title[citation_id].decision == "include"
    ]
    for citation_id in sought:
        if citation_id not in on_text:
            lacking(
                citation_id, "has no settled decision on the full text", "include, exclude or not_retrieved"
            )
    decided = [citation_id for citation_id in sought if citation_id in on_text]
    included = [citation_id for citation_id in decided if on_text[citation_id].decision == "include"]
    for citation_id in included:
        if citation_id not in study_of_citation:
            lacking(
                citation_id, "was included, but no study record names it", "a record with this citation_id"
            )
    if problems:
        raise DataError(problems)
    missing = sum(on_text[citation_id].decision == "not_retrieved" for citation_id in decided)
    reasons = Counter(
        on_text[citation_id].reason for citation_id in decided if on_text[citation_id].decision == "exclude"
    )
    return Flow(
        found_by_source=dict(Counter(citation.source for citation in citations)),
        duplicates=len(dropped),
        screened=len(kept),
        excluded_on_title=len(kept) - len(sought),
        sought=len(sought),
        not_retrieved=missing,
        assessed=len(sought) - missing,
        excluded_by_reason={name: reasons[name] for name in REASONS if reasons[name]},
        included_reports=len(included),
        included_studies=len({study_of_citation[citation_id] for citation_id in included}),
    )
