"""What the flow diagram of a review shows: boxes with the words of PRISMA 2020, and their counts.

Boxes and wording: Page MJ et al. 2021, BMJ 372:n71, figure 1 and its variants for updated reviews (CC BY
4.0). How they are drawn is ours.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from metakit.review.selection.flow import Flow, FlowSide

DATABASES = "Identification of studies via databases and registers"
OTHER = "Identification of studies via other methods"
NEW_DATABASES = "Identification of new studies via databases and registers"
NEW_OTHER = "Identification of new studies via other methods"
PREVIOUS = "Previous studies"
REMOVED = {
    "duplicate": "Duplicate records removed",
    "automation_tool": "Records marked as ineligible by automation tools",
    "other": "Records removed for other reasons",
}
MOST_SOURCES = 6
"""Sources named one by one in a box; more of them are added up by kind."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowBox:
    """One box: a heading with its count, or a heading over several counts."""

    heading: str
    count: int | None = None
    items: tuple[tuple[str, int], ...] = ()

    def __str__(self) -> str:
        if not self.items:
            return f"{self.heading}: {self.count}"
        return f"{self.heading}: {', '.join(f'{label} {count}' for label, count in self.items)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowColumn:
    """One side of the diagram. Other methods have no `screened` and `excluded`; `removed` may be None too."""

    heading: str
    identified: FlowBox
    removed: FlowBox | None
    screened: FlowBox | None
    excluded: FlowBox | None
    sought: FlowBox
    not_retrieved: FlowBox
    assessed: FlowBox
    excluded_reports: FlowBox

    @property
    def boxes(self) -> tuple[FlowBox, ...]:
        """All boxes from top to bottom."""
        found = (
            self.identified, self.removed, self.screened, self.excluded, self.sought, self.not_retrieved,
            self.assessed, self.excluded_reports,
        )  # fmt: skip
        return tuple(box for box in found if box is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowContent:
    """The whole diagram; `other` is None where no other methods were used.

    Of an updated review `previous` and `total` stand before and after the new studies.
    """

    title: str
    databases: FlowColumn
    other: FlowColumn | None
    included: FlowBox
    previous: FlowBox | None = None
    total: FlowBox | None = None

    def text(self) -> str:
        """Tell every box in words, for those who cannot see the diagram."""
        columns = [self.databases, *([self.other] if self.other else [])]
        parts = [
            f"{column.heading}. " + ". ".join(str(box) for box in column.boxes) + "." for column in columns
        ]
        if self.previous is not None:
            parts.insert(0, f"{self.previous}.")
        total = [f"{self.total}."] if self.total is not None else []
        return " ".join([*parts, f"{self.included}.", *total])


def flow_content(
    flow: Flow, *, sources: Mapping[str, tuple[str, str]], reasons: Mapping[str, str], title: str = ""
) -> FlowContent:
    """Put a flow into words.

    Parameters
    ----------
    flow : Flow
        The counts; refused when a box does not add up.
    sources : mapping of str to (str, str)
        Name of each search, and what its kind is called ("Databases").
    reasons : mapping of str to str
        Reasons of exclusion, by term.
    title : str
        Above the figure; may be empty.

    Raises
    ------
    DataError
        Naming every box that does not add up.
    """
    flow.check()
    names = (NEW_DATABASES, NEW_OTHER) if flow.previous else (DATABASES, OTHER)
    content = FlowContent(
        title=title,
        databases=_column(names[0], flow.databases, sources, reasons),
        other=_column(names[1], flow.other, sources, reasons) if flow.other is not None else None,
        included=FlowBox(
            heading="Included",
            items=(
                ("New studies included in review", flow.included_studies),
                ("Reports of new included studies", flow.included_reports),
            )
            if flow.previous
            else (
                ("Studies included in review", flow.included_studies),
                ("Reports of included studies", flow.included_reports),
            ),
        ),
    )
    if flow.previous is None:
        return content
    studies, reports = flow.previous
    return replace(
        content,
        previous=FlowBox(
            heading=PREVIOUS,
            items=(
                ("Studies included in previous version of review", studies),
                ("Reports of studies included in previous version of review", reports),
            ),
        ),
        total=FlowBox(
            heading="Total",
            items=(
                ("Total studies included in review", flow.total_studies or 0),
                ("Reports of total included studies", flow.total_reports),
            ),
        ),
    )


def _column(
    heading: str, side: FlowSide, sources: Mapping[str, tuple[str, str]], reasons: Mapping[str, str]
) -> FlowColumn:
    named = [(sources[name][0], count) for name, count in side.found.items()]
    if len(named) > MOST_SOURCES:
        by_kind: dict[str, int] = {}
        for name, count in side.found.items():
            by_kind[sources[name][1]] = by_kind.get(sources[name][1], 0) + count
        named = list(by_kind.items())
    removed = [
        (words, side.removed.get(term, 0)) for term, words in REMOVED.items() if side.removed.get(term)
    ]
    screens = side.screened is not None
    if screens and not removed:
        removed = [(REMOVED["duplicate"], 0)]
    by_reason = tuple((reasons.get(term, term), count) for term, count in side.excluded_by_reason.items())
    return FlowColumn(
        heading=heading,
        identified=FlowBox(heading="Records identified from", items=tuple(named)),
        removed=FlowBox(
            heading="Records removed before screening" if screens else "Records removed before retrieval",
            items=tuple(removed),
        )
        if removed
        else None,
        screened=FlowBox(heading="Records screened", count=side.screened) if screens else None,
        excluded=FlowBox(heading="Records excluded", count=side.excluded) if screens else None,
        sought=FlowBox(heading="Reports sought for retrieval", count=side.sought),
        not_retrieved=FlowBox(heading="Reports not retrieved", count=side.not_retrieved),
        assessed=FlowBox(heading="Reports assessed for eligibility", count=side.assessed),
        excluded_reports=FlowBox(heading="Reports excluded", items=by_reason, count=None if by_reason else 0),
    )
