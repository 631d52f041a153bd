"""What a figure shows, apart from how it is drawn. Numbers are in natural units.

On a `percent` axis numbers are fractions, shown times 100; on the other axes they are shown as they are
(a rate comes here already per 100 thumb-years). Building these shapes needs no matplotlib.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from metakit.core.written import Axis
from metakit.measures.registry import Scale

LimitSide = Literal["lower", "upper"]


def check_interval(what: str, estimate: float, lower: float, upper: float, axis: Axis) -> None:
    """Refuse what no picture can show rightly: NaN, an infinite estimate, limits in the wrong order."""
    if any(math.isnan(value) for value in (estimate, lower, upper)) or math.isinf(estimate):
        raise ValueError(f"{what}: {estimate} ({lower} to {upper}) is no finite estimate with limits")
    if not lower <= estimate <= upper:
        raise ValueError(f"{what}: {estimate} is not between its limits {lower} and {upper}")
    if axis == "log" and (estimate <= 0 or lower < 0):
        raise ValueError(f"{what}: {estimate} ({lower} to {upper}) has no place on a log axis")


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a column of cells stands and how: beside the names or after the picture, under what it shares.

    A `gauge` shows the word of its cell as a bar that grows with the concern. `over` is the heading that
    neighbours with the same one share (the name of an arm over its events and its thumbs).
    """

    side: Literal["left", "right"] = "right"
    align: Literal["left", "right"] = "right"
    gauge: bool = False
    over: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ForestRow:
    """One study.

    `estimate`, `lower` and `upper` are None together, for a study without an effect of its own; `note`
    then says why ("no events in either arm: no ratio"). With an estimate, `note` becomes a numbered
    footnote. `weight` is a fraction, None where the study has none. With `pooled` the row is a mean itself
    (of all studies but one, say) and is drawn as one. `narrow` holds what stands below the name in place of
    the cells where a figure is too narrow for columns. `limit` is all that a study has whose events are all
    in one arm, and that is an answer by itself.
    """

    study: str
    cells: tuple[str, ...] = ()
    narrow: tuple[str, ...] = ()
    estimate: float | None = None
    lower: float | None = None
    upper: float | None = None
    weight: float | None = None
    note: str = ""
    pooled: bool = False
    limit: tuple[LimitSide, float] | None = None

    def __post_init__(self) -> None:
        parts = (self.estimate, self.lower, self.upper)
        if any(part is None for part in parts) and not all(part is None for part in parts):
            raise ValueError(f"{self.study}: an estimate needs both limits, and limits an estimate")
        if self.limit is not None and (self.estimate is not None or not math.isfinite(self.limit[1])):
            raise ValueError(f"{self.study}: a limit stands alone, and is finite")
        if self.weight is not None and not 0 <= self.weight <= 1 + 1e-9:
            raise ValueError(f"{self.study}: weight {self.weight} is no fraction")

    @property
    def interval(self) -> tuple[float, float, float] | None:
        """Estimate, lower and upper limit, or None for a study without an effect of its own."""
        if self.estimate is None or self.lower is None or self.upper is None:
            return None
        return self.estimate, self.lower, self.upper


@dataclass(frozen=True, slots=True, kw_only=True)
class ForestSummary:
    """A pooled mean; `prediction` is where the effect in a new centre is expected; `text` stands below it."""

    label: str
    estimate: float
    lower: float
    upper: float
    prediction: tuple[float, float] | None = None
    cells: tuple[str, ...] = ()
    narrow: tuple[str, ...] = ()
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ForestGroup:
    """Studies of one kind, with their own mean where there is one; a lone group may have no label."""

    label: str
    rows: tuple[ForestRow, ...]
    summary: ForestSummary | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ForestContent:
    """Everything a forest plot shows.

    Parameters
    ----------
    title : str
        Above the figure; may be empty.
    headings : tuple of str
        Headings of the cells of each row.
    estimate_heading : str
        What is estimated ("Risk ratio"); also under the axis, with `unit`.
    groups : tuple of ForestGroup
        In the order drawn.
    summary : ForestSummary or None
        One mean over all groups; None where there is none to give.
    axis : {"log", "linear", "percent"}
        How natural units are drawn.
    null : float or None
        The value of no difference.
    left_words, right_words : str
        What lies to either side, in plain words ("fewer complications after X").
    unit : str
        Unit of the natural values ("kg", "per 100 thumb-years").
    footnotes : tuple of str
        Sentences under the figure.
    level : float
        Level of the intervals, a fraction.
    overall_allowed : bool
        False where one number over all groups would mix what must stay apart (single-arm series and
        comparative studies); a `summary` is then refused.
    row_heading : str
        Heading of the names of the rows.
    row_words : str
        What a row drawn as a mean is, for the key ("the mean without the named study").
    places : tuple of Place
        Where each column of cells stands; () for all after the picture.
    narrow_headings : tuple of str
        Headings of the rows' `narrow`.
    narrow_arms : int or None
        How many of the first of them are arms; None where all cells are.
    gauges : mapping of str to float or None
        Length of the bar of each word in columns of gauges, None for a level that is not known.
    between : str
        The test between groups, in words.
    limits, ticks : (float, float) or None, tuple of float
        Ends of the axis and its ticks in natural units, where they are set by hand.
    part_of, first_row : ForestContent or None, int
        The whole that this is a page of, whose axis and weights it keeps, and where in it this begins.

    Raises
    ------
    ValueError
        For numbers that cannot be drawn rightly; nothing is dropped in silence.
    """

    title: str
    headings: tuple[str, ...]
    estimate_heading: str
    groups: tuple[ForestGroup, ...]
    summary: ForestSummary | None
    axis: Axis
    null: float | None
    left_words: str = ""
    right_words: str = ""
    unit: str = ""
    footnotes: tuple[str, ...] = ()
    level: float = 0.95
    overall_allowed: bool = True
    row_heading: str = "Study"
    row_words: str = "a mean"
    places: tuple[Place, ...] = ()
    narrow_headings: tuple[str, ...] = ()
    narrow_arms: int | None = None
    gauges: Mapping[str, float | None] = field(default_factory=dict)
    between: str = ""
    limits: tuple[float, float] | None = None
    ticks: tuple[float, ...] = ()
    part_of: ForestContent | None = None
    first_row: int = 0

    def __post_init__(self) -> None:
        if self.summary is not None and not self.overall_allowed:
            raise ValueError("one mean over groups that must stay apart: single-arm and comparative studies")
        if not 0 < self.level < 1:
            raise ValueError(f"level {self.level} is no fraction between 0 and 1")
        if self.places and len(self.places) != len(self.headings):
            raise ValueError(f"{len(self.places)} places for {len(self.headings)} headings")
        if self.limits is not None and self.null is not None:
            low, high = self.limits
            if not low <= self.null <= high:
                raise ValueError(f"an axis from {low:g} to {high:g} leaves out no difference ({self.null:g})")
        lone = self.part_of is None
        if (
            lone
            and not self.weights_add_up(self.rows)
            and not all(self.weights_add_up(g.rows) for g in self.groups)
        ):
            raise ValueError("the weights add up to 1 neither over all studies nor within each group")
        for row in self.rows:
            if len(row.cells) != len(self.headings):
                raise ValueError(f"{row.study}: {len(row.cells)} cells under {len(self.headings)} headings")
            if row.interval is not None:
                check_interval(row.study, *row.interval, self.axis)
        for summary in self.summaries:
            if summary.cells and len(summary.cells) != len(self.headings):
                raise ValueError(
                    f"{summary.label}: {len(summary.cells)} cells, {len(self.headings)} headings"
                )
            check_interval(summary.label, summary.estimate, summary.lower, summary.upper, self.axis)
            if summary.prediction is not None:
                low, high = summary.prediction
                check_interval(summary.label, min(max(summary.estimate, low), high), low, high, self.axis)

    @property
    def versus(self) -> bool:
        """Whether the first two cells below a stacked name are those of two arms."""
        return (len(self.headings) if self.narrow_arms is None else self.narrow_arms) == 2

    def place(self, column: int) -> Place:
        """Return where a column of cells stands."""
        return self.places[column] if self.places else Place()

    @property
    def rows(self) -> tuple[ForestRow, ...]:
        """All studies in the order drawn."""
        return tuple(row for group in self.groups for row in group.rows)

    @staticmethod
    def weights_add_up(rows: tuple[ForestRow, ...]) -> bool:
        """Return whether the weights of these rows add up to 1, or none has one."""
        weights = [row.weight for row in rows if row.weight is not None]
        return not weights or abs(math.fsum(weights) - 1) < 1e-6

    @property
    def summaries(self) -> tuple[ForestSummary, ...]:
        """All means: of the groups in their order, then the one over all."""
        means = [group.summary for group in self.groups if group.summary is not None]
        return (*means, self.summary) if self.summary is not None else tuple(means)


@dataclass(frozen=True, slots=True, kw_only=True)
class FunnelPoint:
    """One study: effect and standard error on the analysis scale, and its size (thumbs or thumb-years)."""

    study: str
    effect: float
    standard_error: float | None = None
    size: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FunnelLine:
    """The effect that a model of small-study effects expects, as (effect, standard error), analysis scale."""

    label: str
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FunnelContent:
    """Everything a funnel plot shows.

    Unlike elsewhere, `points`, `centre` and `null` are on the analysis scale, where standard errors belong;
    `scale` and `factor` lead to the natural units of the horizontal axis.

    Parameters
    ----------
    vertical : {"standard_error", "study_size"}
        What the vertical axis shows: standard errors growing downwards, or sizes growing upwards.
    size_heading : str
        What sizes count ("thumbs").
    contours : bool
        Whether the regions of each study's p value against `null` are shaded (Peters 2008); they
        exist only on the axis of standard errors.
    added : tuple of FunnelPoint
        Studies that trim and fill would add; nobody did them.
    line : FunnelLine or None
        What a model of small-study effects expects, on the axis of standard errors.

    Raises
    ------
    ValueError
        For a study without a finite effect or without its place on the vertical axis.
    """

    title: str
    points: tuple[FunnelPoint, ...]
    centre: float | None
    null: float | None
    scale: Scale
    effect_heading: str
    factor: float = 1.0
    unit: str = ""
    level: float = 0.95
    vertical: Literal["standard_error", "study_size"] = "standard_error"
    size_heading: str = "thumbs"
    contours: bool = False
    left_words: str = ""
    right_words: str = ""
    footnotes: tuple[str, ...] = ()
    added: tuple[FunnelPoint, ...] = ()
    line: FunnelLine | None = None

    def __post_init__(self) -> None:
        if self.vertical != "standard_error" and (self.added or self.line is not None):
            raise ValueError("added studies and lines need an axis of standard errors")
        for point in (*self.points, *self.added):
            height = point.standard_error if self.vertical == "standard_error" else point.size
            if not math.isfinite(point.effect) or height is None or not 0 < height < math.inf:
                raise ValueError(f"{point.study}: no finite effect with a place on the vertical axis")
        if self.contours and (self.null is None or self.vertical != "standard_error"):
            raise ValueError("contours need a value of no difference and an axis of standard errors")
