from __future__ import annotations

import math
import subprocess
import sys
from dataclasses import replace

import pytest

from metakit.plots.forests.content import ForestRow, FunnelPoint
from metakit.plots.forests.overview_content import OverviewRow
from tests.unit.plots.samples import forests, funnels, one_group, rows


def test_an_estimate_needs_its_limits() -> None:
    with pytest.raises(ValueError, match="both limits"):
        ForestRow(study="A", estimate=1.0)
    with pytest.raises(ValueError, match="both limits"):
        OverviewRow(outcome="A", measure="risk ratio", axis="log", null=1.0, estimate=1.0)


@pytest.mark.parametrize(
    ("numbers", "message"),
    [
        ((math.nan, 0.5, 2.0), "finite"), ((1.0, 0.5, math.nan), "finite"), ((math.inf, 0.5, math.inf), "finite"),
        ((3.0, 0.5, 2.0), "between"), ((-1.0, -2.0, 2.0), "log axis"),
    ],
)  # fmt: skip
def test_numbers_that_cannot_be_drawn_are_refused(numbers: tuple[float, float, float], message: str) -> None:
    good = one_group(3)
    estimate, lower, upper = numbers
    bad = replace(good.groups[0].rows[0], estimate=estimate, lower=lower, upper=upper)
    group = replace(good.groups[0], rows=(bad, *good.groups[0].rows[1:]))
    with pytest.raises(ValueError, match=message):
        replace(good, groups=(group,))


def test_one_mean_over_what_must_stay_apart_is_refused() -> None:
    with pytest.raises(ValueError, match="stay apart"):
        replace(forests()["two_groups"], overall_allowed=False)


def test_weights_must_add_up_over_all_or_within_groups() -> None:
    good = one_group(3)
    lighter = tuple(replace(row, weight=0.1) for row in good.rows)
    with pytest.raises(ValueError, match="weights add up"):
        replace(good, groups=(replace(good.groups[0], rows=lighter),))


def test_cells_must_match_their_headings() -> None:
    with pytest.raises(ValueError, match="headings"):
        replace(one_group(3), headings=("one",))


def test_a_funnel_needs_a_place_for_every_study() -> None:
    plain = funnels()["plain"]
    for error in (None, 0.0, math.nan, -1.0):
        with pytest.raises(ValueError, match="vertical axis"):
            replace(plain, points=(FunnelPoint(study="A", effect=0.1, standard_error=error),))
    with pytest.raises(ValueError, match="contours"):
        replace(funnels()["shares"], contours=True)


def test_rows_are_in_the_order_of_their_groups() -> None:
    assert [row.study for row in forests()["two_groups"].rows] == [row.study for row in rows(18)]


@pytest.mark.walk
def test_contents_and_layout_load_no_matplotlib() -> None:
    code = (
        "import sys, metakit.plots.forests.content, metakit.plots.forests.layout, metakit.plots.forests.funnel_layout, "
        "metakit.plots.forests.overview_layout, metakit.plots.forests.forest, metakit.plots.forests.funnel, metakit.plots.save\n"
        "sys.exit(', '.join(m for m in ('matplotlib', 'forestplot', 'pandas') if m in sys.modules) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
