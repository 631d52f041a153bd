"""The mean pooled again and again: without each study in turn, and with one study more at a time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.core.written import fixed, ratio
from metakit.errors import NotEstimableError, UsageError
from metakit.measures.natural import Natural, natural_of
from metakit.models.differing.again import Again, growing, method_of, without_each
from metakit.models.differing.exploring import numbers_of
from metakit.plots.forests.content import ForestContent, ForestGroup, ForestRow, ForestSummary
from metakit.plots.forests.forest import forest_figure
from metakit.plots.forests.forest_content import neutral_words
from metakit.plots.registry import FIGURES, Built, FigureOptions
from metakit.plots.registry import Figure as FigureEntry
from metakit.telling.result_words import mean_label

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def repeated_content(
    answers: Sequence[PoolResult],
    table: EffectTable,
    *,
    labels: Sequence[str],
    row_heading: str,
    row_words: str,
    whole: PoolResult | None = None,
    title: str = "",
    left_words: str = "",
    right_words: str = "",
    level: float = 0.95,
    footnotes: Sequence[str] = (),
) -> ForestContent:
    """Build a forest whose rows are means.

    Parameters
    ----------
    answers : sequence of PoolResult
        One a row.
    table : EffectTable
        What was pooled; its measure says what is shown.
    labels : sequence of str
        Names of the rows.
    row_heading, row_words : str
        Heading of the names, and what a row is, for the key.
    whole : PoolResult, optional
        The mean of all studies by the same method, drawn below.
    """
    natural = natural_of(table)
    rows = [_row(answer, label, natural) for answer, label in zip(answers, labels, strict=True)]
    sides = (
        (left_words, right_words) if left_words or right_words else neutral_words(natural.measure, "arm 1")
    )
    return ForestContent(
        title=title,
        headings=("τ",),
        estimate_heading=natural.heading,
        groups=(ForestGroup(label="", rows=tuple(rows)),),
        summary=_summary(whole, natural),
        axis=natural.axis,
        null=natural.null,
        left_words=sides[0],
        right_words=sides[1],
        unit=natural.unit,
        footnotes=tuple(footnotes),
        level=level,
        row_heading=row_heading,
        row_words=row_words,
    )


def _row(answer: PoolResult, label: str, natural: Natural) -> ForestRow:
    """Return a mean as a row; where only a limit is the answer, in words."""
    middle, low, high = (natural.value(value) for value in (answer.estimate, *answer.interval))
    only = answer.lone_limit
    if only:
        limit = f"at most {ratio(high)}" if only == "upper" else f"at least {ratio(low)}"
        return ForestRow(study=label, cells=(_spread(answer),), note=f"no estimate, {limit}")
    return ForestRow(
        study=label, cells=(_spread(answer),), estimate=middle, lower=low, upper=high, pooled=True
    )


def _summary(whole: PoolResult | None, natural: Natural) -> ForestSummary | None:
    if whole is None or whole.lone_limit:
        return None
    middle, low, high = (natural.value(value) for value in (whole.estimate, *whole.interval))
    return ForestSummary(label="All studies", estimate=middle, lower=low, upper=high, cells=(_spread(whole),))


def _spread(result: PoolResult) -> str:
    tau2 = result.heterogeneity.tau2
    return "–" if tau2 is None else fixed(math.sqrt(max(tau2, 0.0)), 2)


def repeated_text(content: ForestContent) -> str:
    """Return the words that stand for such a forest: where the means lie, and which lie on the other side."""
    known = [(row.study, *row.interval) for row in content.rows if row.interval is not None]
    words = [f"{row.study}: {row.note}." for row in content.rows if row.interval is None]
    if not known:
        return " ".join(words)
    lowest, highest = min(known, key=lambda row: row[1]), max(known, key=lambda row: row[1])
    factor = 100 if content.axis == "percent" else 1
    percent = " %" if content.axis == "percent" else ""
    lead = (
        f"{len(known)} rows, each {content.row_words}. {content.estimate_heading} from "
        f"{factor * lowest[1]:.3g}{percent} ({lowest[0]}) to {factor * highest[1]:.3g}{percent} "
        f"({highest[0]})."
    )
    lead = " ".join([lead, *words])
    if content.null is None:
        return lead
    clear = sum(not low <= content.null <= high for _, _, low, high in known)
    return f"{lead} {clear} of {len(known)} intervals exclude no difference."


def how_words(result: PoolResult, without: Sequence[Again] = ()) -> list[str]:
    """Say how the means of such a forest were made, and which have no answer."""
    lead = mean_label(result).rpartition(",")[0]
    notes = [f"Every row by the method of the answer itself: {lead[:1].lower()}{lead[1:]}."]
    if result.heterogeneity.tau2 is not None:
        notes.append("τ: spread of the true effects on the analysis scale.")
    notes += [f"Without {item.study} there is no answer: {item.reason}." for item in without if item.reason]
    return notes


def _with_answer(found: Sequence[Again]) -> list[Again]:
    """Return the means that there are.

    Raises
    ------
    NotEstimableError
        When there is none, with the reason.
    """
    known = [item for item in found if item.result is not None]
    if not known:
        reason = next((item.reason for item in found if item.reason), "no study is estimable")
        raise NotEstimableError(f"no row of this figure has an answer: {reason}")
    return known


def build_leave_one_out(
    result: PoolResult,
    table: EffectTable,
    *,
    title: str = "",
    left_words: str = "",
    right_words: str = "",
    width_mm: float = 180,
    options: FigureOptions = FigureOptions(),  # noqa: B008
) -> Built:
    """Pool without each study in turn, as the result was pooled, and draw the means."""
    found = without_each(table, method_of(result))
    known = _with_answer(found)
    content = repeated_content(
        [item.result for item in known if item.result], table, labels=[item.study for item in known],
        row_heading="Left out", row_words="the mean without the named study", whole=result, title=title,
        left_words=left_words, right_words=right_words, level=result.level,
        footnotes=how_words(result, found),
    )  # fmt: skip
    return _built(content, width_mm)


def build_cumulative(
    result: PoolResult,
    table: EffectTable,
    *,
    title: str = "",
    left_words: str = "",
    right_words: str = "",
    width_mm: float = 180,
    options: FigureOptions = FigureOptions(),  # noqa: B008
) -> Built:
    """Pool the first study, the first two, and so on, by a column of the table, and draw the means."""
    if not options.order_by:
        raise UsageError("a cumulative forest needs an order: name a column of numbers, such as the year")
    by = numbers_of(table, options.order_by)
    found = growing(table, by, method_of(result))
    value = dict(zip(table.study, by, strict=True))
    known = _with_answer(found)
    labels = [f"{'+ ' if item is not found[0] else ''}{item.study} ({value[item.study]:g})" for item in known]
    order = options.order_by.replace("_", " ")
    notes = [*how_words(result), *(f"Up to {item.study}: {item.reason}." for item in found if item.reason)]
    content = repeated_content(
        [item.result for item in known if item.result], table, labels=labels,
        row_heading=f"Added, by {order}", row_words="the mean of the named study and all above it",
        title=title, left_words=left_words, right_words=right_words, level=result.level,
        footnotes=[
            *notes,
            "Intervals that shrink as studies come in are looked at again and again: the last one "
            "alone has its "
            "stated level.",
        ],
    )  # fmt: skip
    return _built(content, width_mm)


def _built(content: ForestContent, width_mm: float) -> Built:
    figure: Figure = forest_figure(content, width_mm=width_mm)
    return Built(parts=(figure,), text=repeated_text(content))


FIGURES.add(FigureEntry(name="leave_one_out", label="The mean without each study", build=build_leave_one_out))
FIGURES.add(FigureEntry(name="cumulative", label="The mean, study by study", build=build_cumulative))
