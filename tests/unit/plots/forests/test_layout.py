from __future__ import annotations

import math

import pytest

from metakit.errors import UsageError
from metakit.plots.forests.layout import Layout, lay_out
from metakit.plots.text import text_width
from tests.unit.plots.samples import forests, one_group

NAMES = tuple(forests())


def laid(name: str, width_mm: float = 180) -> Layout:
    return lay_out(forests()[name], width_mm=width_mm, measure=text_width)


@pytest.mark.parametrize("name", NAMES)
def test_rows_drawn_are_the_rows_given(name: str) -> None:
    content, layout = forests()[name], laid(name)
    studies = [row for row in layout.rows if row.kind == "study"]
    assert [row.study for row in studies] == list(range(len(content.rows)))
    assert [row.id for row in layout.rows] == list(range(len(layout.rows)))
    assert sum(row.kind == "mean" for row in layout.rows) == len(content.summaries)
    predicted = [mean for mean in content.summaries if mean.prediction is not None]
    assert sum(row.kind == "prediction" for row in layout.rows) == len(predicted)


@pytest.mark.parametrize("name", NAMES)
def test_rows_follow_one_another_without_overlap(name: str) -> None:
    layout = laid(name)
    for above, below in zip(layout.rows, layout.rows[1:], strict=False):
        assert below.top >= above.bottom - 1e-9


@pytest.mark.parametrize("name", NAMES)
def test_each_mark_lies_in_its_own_row_at_its_own_value(name: str) -> None:
    content, layout = forests()[name], laid(name)
    places = {row.study: row for row in layout.rows if row.kind == "study"}
    drawn = {bubble.row: bubble for bubble in layout.scene.bubbles}
    for number, row in enumerate(content.rows):
        on_axis = row.estimate is not None and layout.panel.axis.holds(row.estimate)
        assert (number in drawn) == on_axis
        if on_axis:
            assert row.estimate is not None
            assert drawn[number].y == pytest.approx(places[number].middle)
            assert drawn[number].x == pytest.approx(layout.panel.x(row.estimate))


def test_duplicate_names_keep_their_own_numbers() -> None:
    layout = laid("nasty_names")
    middles = [line.y for line in layout.scene.lines if line.text == "Amsel 2011"]
    assert len(middles) == 2
    assert len(set(middles)) == 2


def test_bubble_areas_are_in_proportion_to_weights() -> None:
    content, layout = one_group(18), lay_out(one_group(18), width_mm=180, measure=text_width)
    ratios = [bubble.area / (content.rows[bubble.row].weight or 1) for bubble in layout.scene.bubbles]
    assert len(ratios) == 18
    assert max(ratios) == pytest.approx(min(ratios), rel=1e-12)


def test_shown_weights_add_up_to_a_hundred() -> None:
    for name in ("eighteen", "eighty", "two_groups"):
        layout = laid(name)
        assert layout.columns.weight is not None
        end = layout.columns.weight[1]
        shown = [line.text for line in layout.scene.lines if line.x == end and line.role.startswith("study-")]
        assert len(shown) == len(forests()[name].rows)
        assert sum(round(10 * float(text)) for text in shown) == 1000
        assert "100.0" in [line.text for line in layout.scene.lines if line.x == end and line.role == "mean"]


def test_the_diamond_reaches_from_limit_to_limit() -> None:
    content, layout = one_group(5), lay_out(one_group(5), width_mm=180, measure=text_width)
    mean = content.summary
    assert mean is not None
    (diamond,) = [shape for shape in layout.scene.shapes if shape.role == "mean-overall"]
    xs = sorted(x for x, _ in diamond.points)
    assert xs[0] == pytest.approx(layout.panel.x(mean.lower))
    assert xs[-1] == pytest.approx(layout.panel.x(mean.upper))
    top = min(diamond.points, key=lambda point: point[1])
    assert top[0] == pytest.approx(layout.panel.x(mean.estimate))


def test_the_prediction_interval_is_a_mark_of_its_own_with_words() -> None:
    layout = laid("eighteen")
    (dashes,) = [s for s in layout.scene.strokes if s.role == "mean-overall-prediction"]
    assert dashes.dash
    assert [x for x, _ in dashes.points] == pytest.approx([layout.panel.x(0.36), layout.panel.x(1.55)])
    assert len([s for s in layout.scene.strokes if s.role == "mean-overall-prediction-bracket"]) == 2
    assert any(line.text.startswith("New centre") for line in layout.scene.lines)
    assert not any("prediction" in s.role for s in laid("two").scene.strokes)


def test_intervals_that_leave_the_axis_end_in_arrows() -> None:
    content, layout = forests()["extreme"], laid("extreme")
    heads = {shape.role for shape in layout.scene.shapes if "-arrow-" in shape.role}
    axis = layout.panel.axis
    expected = set()
    for number, row in enumerate(content.rows):
        assert row.interval is not None
        estimate, lower, upper = row.interval
        if not axis.holds(estimate):
            expected.add(f"study-{number}-arrow-{'right' if estimate > axis.high else 'left'}")
            continue
        expected |= {f"study-{number}-arrow-left"} if lower < axis.low else set()
        expected |= {f"study-{number}-arrow-right"} if upper > axis.high else set()
    assert heads == expected
    assert {"study-0-arrow-left", "study-1-arrow-right", "study-3-arrow-left", "study-3-arrow-right"} <= heads
    assert not [
        shape
        for shape in laid("eighteen").scene.shapes
        if "-arrow-" in shape.role and "study" not in shape.role
    ]


@pytest.mark.parametrize("name", NAMES)
def test_every_mark_stays_within_the_picture_part(name: str) -> None:
    layout = laid(name)
    left, right = layout.panel.left - 1e-6, layout.panel.right + 1e-6
    marks = [p for s in layout.scene.strokes if s.role.startswith(("study", "mean")) for p in s.points]
    marks += [p for s in layout.scene.shapes if s.role.startswith(("study", "mean")) for p in s.points]
    assert all(left <= x <= right for x, _ in marks)
    assert all(math.isfinite(y) and 0 <= y <= layout.scene.height for _, y in marks)


def test_a_study_that_is_not_estimable_says_why() -> None:
    texts = [line.text for line in laid("none_estimable").scene.lines]
    assert texts.count("not estimable") == 4
    assert any("no events in either arm: no ratio" in text for text in texts)


def test_groups_without_an_overall_mean_get_none() -> None:
    roles = {shape.role for shape in laid("two_groups_no_overall").scene.shapes}
    assert {"mean-0", "mean-1"} <= roles
    assert "mean-overall" not in roles


def test_directions_stand_on_their_own_sides_of_the_null() -> None:
    layout = laid("eighteen")
    null = layout.panel.x(1.0)
    sides = {line.text: line for line in layout.scene.lines if line.role == "direction"}
    fewer, more = sides["fewer complications after LRTI"], sides["more complications after LRTI"]
    assert fewer.x < null < more.x
    assert (fewer.align, more.align) == ("right", "left")


def test_a_narrow_figure_stacks_what_it_cannot_set_side_by_side() -> None:
    wide, narrow = laid("eighteen"), laid("eighteen", 85)
    assert not wide.columns.stacked
    assert narrow.columns.stacked
    content = forests()["eighteen"]
    texts = " ".join(line.text.replace("\u00a0", " ") for line in narrow.scene.lines)
    assert all(" v ".join(row.cells) in texts for row in content.rows)


@pytest.mark.parametrize("width_mm", [10, 79, 401, float("nan")])
def test_widths_that_no_page_has_are_refused(width_mm: float) -> None:
    with pytest.raises(UsageError, match="80 to 400 mm"):
        laid("one", width_mm)


def test_a_heading_of_two_hundred_characters_is_cut_in_its_middle_and_told_in_full_below() -> None:
    long = "An arm that never ends and " * 8 + "LRTI events/thumbs"
    content = one_group(3, headings=(long, "B events/thumbs"))
    scene = lay_out(content, width_mm=180, measure=text_width).scene
    heading = [line.text for line in scene.lines if line.role == "heading"]
    assert heading.count("…") == 1
    assert "events/" in " ".join(heading[heading.index("…") :])
    told = " ".join(line.text for line in scene.lines if line.role == "note")
    assert f"Heading in full: {long}." in " ".join(told.split())
    short = lay_out(one_group(3, headings=("A", "B")), width_mm=180, measure=text_width).scene
    assert "Heading in full" not in " ".join(line.text for line in short.lines)
