"""MP angles before and after surgery, by what was done at the joint and by the angle before."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metakit.core.written import count, fixed
from metakit.plots.networks.network_marks import BridgeMark, EstimateMark
from metakit.plots.networks.network_rows import NetworkRow, RowsContent, lay_out_rows
from metakit.synthesis.returning.trouble_findings import AngleChange

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def angles_content(changes: tuple[AngleChange, ...], *, title: str = "") -> RowsContent:
    """Return one row a group of arms: mean angle before and after, and the pooled change."""
    return RowsContent(
        title=title,
        rows=tuple(_row(change) for change in changes if _ends(change) is not None),
        label_heading="MP joint",
        numbers_heading=("Change, degrees", "95 % interval"),
        axis_name="Hyperextension of the MP joint (degrees)",
        axis="linear",
        null=0.0,
        mark_height=14.0,
        notes=(
            "Hollow diamond: mean before surgery; full diamond: mean at the last time (both weighted by "
            "thumbs); line between them: the change. Below zero the joint stays bent.",
            "A change within one arm holds the natural course and regression to the mean; groups differ in "
            "their thumbs and must not be subtracted.",
        ),
    )


def _ends(change: AngleChange) -> tuple[float, float] | None:
    """Return the mean angles before and after, over the arms that tell both."""
    arms = [arm for arm in change.arms if arm.before is not None and arm.after is not None]
    thumbs = sum(arm.thumbs for arm in arms)
    if not thumbs:
        return None
    before = sum(arm.thumbs * (arm.before or 0.0) for arm in arms) / thumbs
    after = sum(arm.thumbs * (arm.after or 0.0) for arm in arms) / thumbs
    return before, after


def _row(change: AngleChange) -> NetworkRow:
    ends = _ends(change)
    if ends is None:
        raise ValueError(f"{change.group}: no angles to draw")
    before, after = ends
    studies = len({arm.study for arm in change.arms})
    thumbs = sum(arm.thumbs for arm in change.arms)
    numbers: tuple[str, ...] = ("not pooled",)
    if change.result is not None:
        low, high = change.result.interval
        numbers = (fixed(change.result.estimate, 0), f"{fixed(low, 0)} to {fixed(high, 0)}")
    return NetworkRow(
        label=change.group,
        quiet=(
            f"{count(studies, 'study', 'studies')}, {count(thumbs, 'thumb')}",
            f"{fixed(before, 0)} before, {fixed(after, 0)} after",
        ),
        numbers=numbers,
        marks=(
            BridgeMark(first=before, second=after, rise=0.0),
            EstimateMark(interval=(before, before, before), evidence="indirect"),
            EstimateMark(interval=(after, after, after), evidence="direct"),
        ),
    )


def angles_figure(content: RowsContent, *, width_mm: float = 180) -> Figure:
    """Draw the angles at the figure's final size; parameters as for `causes_figure`."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    return scene_figure(lay_out_rows(content, width_mm=width_mm, measure=text_width), content.title)
