"""The one place that calls the package `forestplot`: whiskers and markers of an overview, held to account.

The package (0.4.1) changes numpy's error state, the warning filters and font settings of the whole process
when it is imported, asks pyplot for a current figure, keys rows by their label, draws NaN, and reads `$` as
mathematics. Here it only ever sees unique row keys that we made, finite numbers, and our Axes; what it
changed is put back, and what it drew is compared with what it was given.
"""

from __future__ import annotations

import math
import threading
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from metakit.plots import style
from metakit.plots.scale import AxisPlan, Interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LOCK = threading.RLock()
"""Warning filters belong to the process; two calls must not restore each other's."""


class _PyplotOfOneFigure:
    """Stands in for pyplot inside the package: it neither opens a figure nor finds somebody else's."""

    def __init__(self, figure: Figure) -> None:
        self._figure = figure

    def gcf(self) -> Figure:
        """Return our figure as the current one."""
        return self._figure

    def __getattr__(self, name: str) -> Any:
        import matplotlib.pyplot

        return getattr(matplotlib.pyplot, name)


@contextmanager
def package_in_quarantine(figure: Figure) -> Iterator[Any]:
    """Give the package's module for the length of a block, then restore all that it changes."""
    import matplotlib
    import numpy as np

    with _LOCK, np.errstate(), matplotlib.rc_context(), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import forestplot
        from forestplot import graph_utils

        real = graph_utils.plt
        graph_utils.plt = _PyplotOfOneFigure(figure)
        try:
            yield forestplot
        finally:
            graph_utils.plt = real


def row_keys(count: int) -> list[str]:
    """Return unique keys without `$`, one a row."""
    return [f"row-{number:04d}" for number in range(count)]


def drawn_rows(rows: Sequence[Interval | None], plan: AxisPlan) -> dict[int, Interval]:
    """Let `forestplot` draw whiskers and markers on Axes of their own, and return what stands there.

    Parameters
    ----------
    rows, plan
        As for `draw_rows`.

    Returns
    -------
    dict of int to (float, float, float)
        By row: the place of the marker and the ends of the whisker, in natural units.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure()
    FigureCanvasAgg(figure)
    return draw_rows(figure.add_axes((0, 0, 1, 1)), rows, plan)


def draw_rows(axes: Axes, rows: Sequence[Interval | None], plan: AxisPlan) -> dict[int, Interval]:
    """Draw whiskers and markers through `forestplot`, row i at height i from the top.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Empty Axes; afterwards x runs along `plan` and y from row 0 at the top to the last row.
    rows : sequence of (estimate, lower, upper) or None
        Natural units; None leaves the row empty. Limits beyond the axis are drawn to its end.
    plan : AxisPlan
        The horizontal axis; every estimate must be on it.

    Returns
    -------
    dict of int to (float, float, float)
        What was drawn, read back from the Axes, by row.

    Raises
    ------
    ValueError
        For NaN, or an estimate that is off the axis or outside its limits.
    RuntimeError
        When what was drawn is not what was given.
    """
    import pandas as pd

    keys = row_keys(len(rows))
    drawn = [(key, *_on_axis(row, plan)) for key, row in zip(keys, rows, strict=True) if row is not None]
    # Every row gets its height first, in order, also those without a mark.
    axes.yaxis.update_units(keys)  # type: ignore[no-untyped-call]
    if drawn:
        frame = pd.DataFrame(drawn, columns=["key", "estimate", "lower", "upper"])
        figure = axes.get_figure(root=True)
        if figure is None:
            raise ValueError("these Axes belong to no figure")
        with package_in_quarantine(figure) as package:
            package.forestplot(
                frame, estimate="estimate", ll="lower", hl="upper", varlabel="key", ax=axes,
                form_ci_report=False, ci_report=False, flush=False, starpval=False,
                logscale=plan.kind == "log", xlim=(plan.low, plan.high), xticks=[], xline=None,
                marker="D", markersize=26, markercolor=style.MEAN, markeralpha=1.0,
                linecolor=style.MEAN, lw=style.HEAVY,
            )  # fmt: skip
    elif plan.kind == "log":
        axes.set_xscale("log")
    axes.set_xlim(plan.low, plan.high)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set(xticks=[], yticks=[])
    axes.minorticks_off()
    axes.axis("off")
    return _compared(axes, [(keys.index(key), *numbers) for key, *numbers in drawn])


def _on_axis(row: Interval, plan: AxisPlan) -> Interval:
    estimate, lower, upper = row
    if any(math.isnan(value) for value in row):
        raise ValueError(f"{row}: NaN cannot be drawn")
    if not (plan.holds(estimate) and lower <= estimate <= upper):
        raise ValueError(f"{row}: the estimate is off the axis or outside its limits")
    return estimate, max(lower, plan.low), min(upper, plan.high)


def _compared(axes: Axes, expected: Sequence[tuple[float, ...]]) -> dict[int, Interval]:
    """Return what stands on the Axes: the same rows, in the same order, with the same numbers."""
    import numpy as np
    from matplotlib.collections import LineCollection, PathCollection

    marks = [
        spot for c in axes.collections if isinstance(c, PathCollection) for spot in np.array(c.get_offsets())
    ]
    whiskers = [
        np.array(line) for c in axes.collections if isinstance(c, LineCollection) for line in c.get_segments()
    ]
    found = {}
    for (x, y), line in zip(marks, whiskers, strict=True):
        found[round(float(y))] = (float(x), float(line[0][0]), float(line[-1][0]))
        if not math.isclose(float(line[0][1]), float(y)):
            raise RuntimeError("forestplot drew a marker and its whisker at different heights")
    wanted = {round(number): tuple(values) for number, *values in expected}
    same = len(marks) == len(wanted) and found.keys() == wanted.keys()
    if not same or not all(
        math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-12)
        for number, values in wanted.items()
        for a, b in zip(found[number], values, strict=True)
    ):
        raise RuntimeError(f"forestplot drew {found}, asked for {wanted}")
    return found
