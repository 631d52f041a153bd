"""The specification curve: every reasonable way to have done the analysis, sorted by what it found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metakit.core.written import fixed
from metakit.errors import NotEstimableError
from metakit.plots.exploring.specification_layout import (
    CurvePoint,
    OptionRow,
    SpecificationContent,
    lay_out_specifications,
)
from metakit.synthesis.choices.specification_results import NOT_APPLICABLE, SpecificationCurve

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def specification_content(curve: SpecificationCurve, *, title: str | None = None) -> SpecificationContent:
    """Build the content of a specification curve.

    Parameters
    ----------
    curve : SpecificationCurve
        From `metakit.synthesis.choices.specifications`.
    title : str, optional
        Default: the curve's own.

    Raises
    ------
    NotEstimableError
        When no specification has an answer; the message says why.

    References
    ----------
    Simonsohn U, Simmons JP, Nelson LD (2020). Nature Human Behaviour 4:1208.
    """
    answered = [(row, row.estimate, row.interval) for row in curve.rows]
    points = sorted(
        (
            CurvePoint(
                interval=(estimate, interval.lower, interval.upper), holds=bool(row.holds),
                headline=row.headline, options=frozenset(row.choices.items()),
            )
            for row, estimate, interval in answered
            if estimate is not None and interval is not None
        ),
        key=lambda point: (point.interval, point.headline),
    )  # fmt: skip
    if not points:
        raise NotEstimableError(curve.reason or "no specification has an answer: there is no curve to draw")
    groups = []
    for choice in curve.choices:
        met = {option for point in points for name, option in point.options if name == choice.name}
        rows = tuple(
            OptionRow(choice=choice.name, option=option.name, label=option.label, headline=option.headline)
            for option in choice.options
            if option.name in met and option.name != NOT_APPLICABLE
        )
        if len(met) > 1 and rows:
            groups.append((choice.label, rows))
    notes = list(curve.notes)
    if curve.refused:
        notes.append(f"{len(curve.refused)} more specifications have no answer; the table names the reasons.")
    return SpecificationContent(
        title=curve.title if title is None else title,
        unit=curve.unit,
        points=tuple(points),
        groups=tuple(groups),
        below=curve.below,
        above=curve.above,
        important=curve.smallest_important_difference,
        level=curve.level,
        sentence=_sentence(curve, len(points)),
        footnotes=tuple(notes),
    )


def _sentence(curve: SpecificationCurve, count: int) -> str:
    holding = sum(bool(row.holds) for row in curve.answered)
    side = {"below": curve.below, "above": curve.above}.get(curve.conclusion or "", "")
    what = f" ({side})" if side else " (no difference shown either way)" if curve.conclusion == "open" else ""
    planned = (
        "declared in the plan" if curve.planned else "a default list, not declared in the plan: exploratory"
    )
    share = fixed(100 * holding / count, 0)
    each = "specification" if count == 1 else "specifications"
    return f"The conclusion{what} holds in {holding} of {count} {each} ({share} %); choices {planned}."


def specification_text(content: SpecificationContent) -> str:
    """Return the words that stand for a specification curve."""
    lowest, highest = content.points[0].interval[0], content.points[-1].interval[0]
    choices = ", ".join(label.lower() for label, _ in content.groups)
    varied = f" Varied: {choices}." if choices else ""
    return (
        f"{content.sentence} Estimates run from {_said(lowest)} to {_said(highest)} {content.unit}.{varied}"
    )


def _said(value: float) -> str:
    return fixed(value, 1 if abs(value) >= 1 else 2)


def specification_figure(content: SpecificationContent, *, width_mm: float = 180) -> Figure:
    """Draw a specification curve at its final size (80 to 400 mm wide), on a canvas unknown to pyplot."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    frame = lay_out_specifications(content, width_mm=width_mm, measure=text_width)
    return scene_figure(frame.scene, content.title)
