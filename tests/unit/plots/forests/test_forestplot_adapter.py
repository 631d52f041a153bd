from __future__ import annotations

import math
import subprocess
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from types import SimpleNamespace
from typing import Any

import matplotlib
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.figure import Figure

from metakit.plots.forests import forestplot_adapter
from metakit.plots.forests.forestplot_adapter import draw_rows, package_in_quarantine, row_keys
from metakit.plots.forests.overview import overview_figure
from metakit.plots.scale import AxisPlan
from tests.unit.plots.samples import overviews

PLAN = AxisPlan(kind="log", low=0.1, high=10.0)


def empty_axes() -> Any:
    figure = Figure()
    FigureCanvasAgg(figure)
    return figure.add_axes((0.1, 0.1, 0.8, 0.8))


def test_rows_stand_in_the_order_given_whatever_their_values() -> None:
    axes = empty_axes()
    rows = [(2.0, 1.0, 4.0), None, (0.5, 0.25, 1.0), (1.0, 0.0, math.inf)]
    draw_rows(axes, rows, PLAN)
    (marks,) = [c for c in axes.collections if isinstance(c, PathCollection)]
    found = sorted((float(y), float(x)) for x, y in np.asarray(marks.get_offsets()))
    assert found == [(0.0, 2.0), (2.0, 0.5), (3.0, 1.0)]
    (whiskers,) = [c for c in axes.collections if isinstance(c, LineCollection)]
    ends = {round(line[0][1]): (line[0][0], line[-1][0]) for line in whiskers.get_segments()}
    assert ends[0] == pytest.approx((1.0, 4.0))
    assert ends[3] == pytest.approx((0.1, 10.0))
    assert axes.get_ylim() == (3.5, -0.5)


@pytest.mark.parametrize(
    "row", [(math.nan, 0.5, 2.0), (1.0, math.nan, 2.0), (20.0, 10.0, 30.0), (3.0, 0.5, 2.0)]
)
def test_what_cannot_be_drawn_rightly_is_refused(row: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match=r"NaN|off the axis"):
        draw_rows(empty_axes(), [row], PLAN)


def test_keys_are_unique_and_free_of_mathematics() -> None:
    keys = row_keys(500)
    assert len(set(keys)) == 500
    assert not any("$" in key for key in keys)


def test_the_package_is_really_used(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = []

    @contextmanager
    def spy(figure: Figure) -> Iterator[Any]:
        with package_in_quarantine(figure) as package:

            def call(frame: Any, **options: Any) -> Any:
                seen.append(len(frame))
                return package.forestplot(frame, **options)

            yield SimpleNamespace(forestplot=call)

    monkeypatch.setattr(forestplot_adapter, "package_in_quarantine", spy)
    overview_figure(overviews()["mixed"])
    assert sum(seen) == sum(row.interval is not None for row in overviews()["mixed"].rows)


@pytest.mark.parametrize("fault", ["drops a row", "swaps rows", "shifts a value"])
def test_a_wrong_drawing_is_noticed(fault: str, monkeypatch: pytest.MonkeyPatch) -> None:
    @contextmanager
    def wrong(figure: Figure) -> Iterator[Any]:
        with package_in_quarantine(figure) as package:

            def call(frame: Any, **options: Any) -> Any:
                if fault == "drops a row":
                    frame = frame.iloc[:-1]
                elif fault == "swaps rows":
                    frame = frame.assign(key=list(frame["key"])[::-1])
                else:
                    frame = frame.assign(upper=frame["upper"] * 1.01)
                return package.forestplot(frame, **options)

            yield SimpleNamespace(forestplot=call)

    monkeypatch.setattr(forestplot_adapter, "package_in_quarantine", wrong)
    with pytest.raises(RuntimeError, match="forestplot drew"):
        draw_rows(empty_axes(), [(1.0, 0.5, 2.0), (2.0, 1.0, 3.0)], PLAN)


def test_the_state_of_the_process_is_restored() -> None:
    with np.errstate(all="raise"):
        before = np.geterr(), dict(matplotlib.rcParams), list(warnings.filters)
        draw_rows(empty_axes(), [(1.0, 0.5, 2.0)], PLAN)
        assert (np.geterr(), dict(matplotlib.rcParams), list(warnings.filters)) == before


@pytest.mark.walk
def test_the_first_import_leaves_nothing_behind_either() -> None:
    """In a fresh process, where forestplot is imported for the first time by the adapter."""
    code = """
import warnings, sys
import numpy as np, matplotlib
np.seterr(all="raise")
before = np.geterr(), dict(matplotlib.rcParams), list(warnings.filters)
from tests.unit.plots.samples import overviews
from metakit.plots.forests.overview import overview_figure
assert "forestplot" not in sys.modules
overview_figure(overviews()["mixed"])
assert "forestplot" in sys.modules
after = np.geterr(), dict(matplotlib.rcParams), list(warnings.filters)
assert after[0] == before[0], after[0]
changed = {k for k in before[1] if before[1][k] != after[1][k]} - {"backend"}
assert not changed, changed
assert before[2] == [f for f in after[2] if f in before[2]], "filters changed"
assert not [f for f in after[2] if f not in before[2] and f[0] == "ignore" and f[2] is Warning], after[2]
from matplotlib import pyplot
assert pyplot.get_fignums() == []
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
