"""Why thumbs come back, in a picture: the share of each cause, and what a new centre should expect."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metakit.core.causes import CauseAnswer, CausesResult, Estimate
from metakit.core.limits import Limits
from metakit.core.written import count, per_100
from metakit.plots.networks.network_marks import EstimateMark
from metakit.plots.networks.network_rows import NetworkRow, RowsContent, lay_out_rows

if TYPE_CHECKING:
    from matplotlib.figure import Figure

DROP = 10.0
"""Points between the share among stated causes and the bounds below it."""


def causes_content(result: CausesResult, *, title: str = "") -> RowsContent:
    """Return one row a cause: its share, and below it the bounds where causes are not stated."""
    lost = result.not_stated > 0
    level = f"{100 * result.level:.4g} %"
    single = result.model == "single_study"
    among = "whose cause is stated" if lost else "that came back"
    kind = "exact limits of one study" if single else "credible interval"
    ahead = "" if single else "; dashed line: where a new centre is expected"
    notes = [f"Full diamond: share among the thumbs {among}; line: {level} {kind}{ahead}."]
    if lost:
        notes.append(
            "Hollow diamonds: share among all that came back, if none of the thumbs without a stated cause "
            "came back for it (upper), and if all did (lower)."
        )
    if not result.exclusive:
        notes.append("A thumb may stand under several causes: shares do not add up to 100 %.")
    elif result.overlapping:
        left = count(len(result.overlapping), "study", "studies")
        notes.append(f"Without {left} where a thumb may stand under several causes: means add up to 100 %.")
    return RowsContent(
        title=title,
        rows=tuple(_row(answer) for answer in result.causes),
        label_heading="Cause",
        numbers_heading=("Of 100 thumbs", f"{level} interval"),
        axis_name="Share of the thumbs that came back (%)",
        axis="percent",
        mark_height=34.0 if lost else 12.0,
        notes=tuple(notes),
    )


def _row(answer: CauseAnswer) -> NetworkRow:
    share = answer.share
    marks = [
        EstimateMark(
            interval=(share.median, share.interval.lower, share.interval.upper),
            evidence="direct",
            prediction=(share.prediction.lower, share.prediction.upper) if share.prediction else None,
            drop=-DROP if answer.share_if_none else 0.0,
        )
    ]
    for bound, place in ((answer.share_if_none, 0.4), (answer.share_if_all, 1.3)):
        if bound is not None:
            marks.append(
                EstimateMark(
                    interval=(bound.median, bound.interval.lower, bound.interval.upper),
                    evidence="indirect",
                    drop=DROP * place,
                )
            )
    quiet = [f"{count(answer.thumbs, 'thumb')}, {count(answer.studies, 'study', 'studies')}"]
    if answer.share_if_none and answer.share_if_all:
        quiet.append(f"none {_short(answer.share_if_none)}, all {_short(answer.share_if_all)}")
    return NetworkRow(
        label=answer.label,
        quiet=tuple(quiet),
        numbers=(per_100(100 * share.median), _limits(share.interval)),
        marks=tuple(marks),
    )


def _short(estimate: Estimate) -> str:
    return per_100(100 * estimate.median)


def _limits(limits: Limits) -> str:
    return f"{per_100(100 * limits.lower)} to {per_100(100 * limits.upper)}"


def causes_figure(content: RowsContent, *, width_mm: float = 180) -> Figure:
    """Draw the shares of causes at the figure's final size.

    Parameters
    ----------
    content : RowsContent
        From `causes_content`.
    width_mm : float
        Final width in millimetres, 80 to 400.
    """
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    return scene_figure(lay_out_rows(content, width_mm=width_mm, measure=text_width), content.title)


def causes_figure_text(result: CausesResult) -> str:
    """Return the words that stand for the picture."""
    rows = "; ".join(
        f"{answer.label} {per_100(100 * answer.share.median)} ({_limits(answer.share.interval)})"
        for answer in result.causes
    )
    return f"Of 100 thumbs that came back, with intervals: {rows}."
