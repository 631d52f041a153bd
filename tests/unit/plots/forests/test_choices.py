"""What can be chosen of a forest plot: groups, order, names, columns, judgements, axis. All numbers are invented."""

from __future__ import annotations

import numpy as np
import pytest

import metakit
from metakit.core.effects import EffectTable
from metakit.errors import UnknownNameError, UsageError
from metakit.plots.forests.choices import ForestChoices, chosen_forest
from metakit.plots.forests.columns import LEAST_PICTURE
from metakit.plots.forests.layout import Layout, lay_out
from metakit.plots.text import text_width

FRAME = {
    "study": ["Birch 2012", "Alder 2015", "Cedar 2019", "Dogwood 2020", "Elm 2021"],
    "events_1": [4, 3, 1, 11, 7], "total_1": [29, 41, 22, 95, 60],
    "events_2": [6, 9, 2, 17, 9], "total_2": [30, 40, 24, 90, 61],
    "year": [2012, 2015, 2019, 2020, 2021], "design": ["trial", "cohort", "trial", "cohort", "trial"],
    "bias": ["low", "some concerns", "high", "", "no information"],
}  # fmt: skip


@pytest.fixture(scope="module")
def effects() -> EffectTable:
    return metakit.effect_sizes(FRAME, measure="risk_ratio")


def drawn(effects: EffectTable, width_mm: float = 180, **choices: object) -> Layout:
    content = chosen_forest(metakit.pool(effects), effects, ForestChoices(**choices))  # type: ignore[arg-type]
    return lay_out(content, width_mm=width_mm, measure=text_width)


def texts(layout: Layout) -> list[str]:
    return [line.text for line in layout.scene.lines]


def names_down(layout: Layout) -> list[str]:
    left = layout.columns.study[0]
    lines = [line for line in layout.scene.lines if line.role.startswith("study-") and line.x == left]
    return [line.text for line in sorted(lines, key=lambda line: line.y)]


def test_groups_have_their_means_and_their_test(effects: EffectTable) -> None:
    layout = drawn(effects, subgroup="design")
    found = metakit.subgroups(effects, "design")
    said = texts(layout)
    assert "Design: trial" in said and "Design: cohort" in said
    assert said.count("Mean of 3 studies") == said.count("Mean of 2 studies") == 1
    for level in found.levels:
        written = f"{np.exp(level.estimate):.2f} ({np.exp(level.interval.lower):.2f} to "
        assert any(text.startswith(written) for text in said), (level, said)
    below = " ".join(line.text for line in layout.scene.lines if line.role == "between").replace("\xa0", " ")
    assert f"p = {found.between.p_value:.2f}" in below
    axis = next(stroke for stroke in layout.scene.strokes if stroke.role == "axis")
    spread = [line.y for line in layout.scene.lines if line.role in ("between", "mean-overall-text")]
    assert min(spread) > axis.points[0][1]


def test_rows_come_in_the_order_asked_for(effects: EffectTable) -> None:
    natural = dict(zip(effects.study, effects.effect, strict=True))
    weights = {row.study: row.weight or 0.0 for row in metakit.pool(effects).studies}
    assert names_down(drawn(effects, order_by="name")) == sorted(effects.study)
    assert names_down(drawn(effects, order_by="effect")) == sorted(natural, key=natural.__getitem__)
    assert names_down(drawn(effects, order_by="weight")) == sorted(weights, key=lambda name: -weights[name])
    assert names_down(drawn(effects, order_by="year", backwards=True)) == list(reversed(effects.study))
    with pytest.raises(UnknownNameError, match="yeer"):
        drawn(effects, order_by="yeer")


def test_chosen_columns_stand_left_and_right_under_the_names_of_the_arms(effects: EffectTable) -> None:
    layout = drawn(
        effects, left=("year",), right=("events", "total"), arms=("LRTI", "Trapeziectomy alone"), counted="hands"
    )  # fmt: skip
    columns = layout.columns
    assert not columns.stacked
    assert columns.cells[0] is not None and columns.cells[0][1] <= columns.estimate[0]
    assert all(place is not None and place[0] >= columns.panel[1] for place in columns.cells[1:])
    said = texts(layout)
    assert said.count("Events") == said.count("Hands") == 2
    assert "LRTI" in said and "events/hands" not in " ".join(said)
    ends = columns.cells[1][1]  # type: ignore[index]
    down = [line.text for line in layout.scene.lines if line.x == ends and line.role.startswith("study-")]
    assert down == ["4", "3", "1", "11", "7"]
    assert "26" in [line.text for line in layout.scene.lines if line.x == ends and line.role == "mean"]


def test_means_and_deviations_have_columns_of_their_own() -> None:
    frame = {
        "study": ["A", "B", "C"], "mean_1": [4.1, 3.95, 5], "sd_1": [1.2, 1.4, 1.1], "total_1": [40, 62, 75],
        "mean_2": [3.5, 4.0, 4.4], "sd_2": [1.3, 1.2, 1.5], "total_2": [41, 60, 77],
    }  # fmt: skip
    table = metakit.effect_sizes(frame, measure="mean_difference")
    content = chosen_forest(
        metakit.pool(table), table, ForestChoices(right=("mean", "sd", "total"), unit="kg", counted="thumbs")
    )
    assert content.headings == ("Mean", "SD", "Thumbs") * 2
    assert [row.cells[:3] for row in content.rows] == [
        ("4.10", "1.2", "40"),
        ("3.95", "1.4", "62"),
        ("5.00", "1.1", "75"),
    ]
    assert content.unit == "kg"
    assert content.summary is not None and content.summary.cells == ("", "", "177", "", "", "178")


def test_judgements_are_bars_that_grow_with_the_concern(effects: EffectTable) -> None:
    layout = drawn(effects, judgements=("bias",))
    bars = {s.role: s.points[1][0] - s.points[0][0] for s in layout.scene.shapes if s.role.endswith("-bar")}
    assert bars["judged-2-0-bar"] < bars["judged-2-1-bar"] < bars["judged-2-2-bar"]
    roles = {stroke.role for stroke in layout.scene.strokes}
    assert "judged-2-4-not-known" in roles and not any("judged-2-3" in role for role in roles)
    notes = " ".join(line.text for line in layout.scene.lines if line.role == "note")
    assert "the more concern (low, some concerns, high)" in notes and "No bar: not judged." in notes
    with pytest.raises(UsageError, match="'trial'"):
        drawn(effects, judgements=("design",))
    levels = drawn(effects, judgements=("design",), levels=("trial", "cohort"))
    assert any(shape.role == "judged-2-1-bar" for shape in levels.scene.shapes)


def test_an_axis_set_by_hand_cuts_with_arrow_heads(effects: EffectTable) -> None:
    layout = drawn(effects, limits=(0.7, 1.2), ticks=(0.7, 1.0, 1.2))
    axis = layout.panel.axis
    assert (axis.low, axis.high) == (0.7, 1.2)
    assert [label for _, label in axis.ticks] == ["0.7", "1", "1.2"]
    heads = {shape.role for shape in layout.scene.shapes if "-arrow-" in shape.role}
    for number in range(5):  # the second estimate, 0.33, lies off the axis: its ends are arrows all the same
        assert f"study-{number}-arrow-left" in heads
    assert {"mean-overall-arrow-left", "mean-overall-prediction-arrow-right"} <= heads
    left, right = layout.panel.left - 1e-6, layout.panel.right + 1e-6
    marks = [p for s in layout.scene.strokes if s.role.startswith(("study", "mean")) for p in s.points]
    assert all(left <= x <= right for x, _ in marks)
    for wrong in ((1.1, 2.0), (2.0, 0.5), (-1.0, 2.0)):
        with pytest.raises(UsageError):
            drawn(effects, limits=wrong)
    with pytest.raises(UsageError, match="run into each other"):
        drawn(effects, ticks=tuple(np.linspace(0.5, 1.5, 40).tolist()))


def test_an_interval_beyond_both_ends_has_two_arrow_heads_without_its_estimate() -> None:
    from metakit.plots.marks import Panel, study_mark
    from metakit.plots.scale import AxisPlan
    from metakit.plots.scene import Scene

    scene, panel = Scene(width=200), Panel(left=50, right=150, axis=AxisPlan(kind="log", low=0.5, high=2.0))
    study_mark(scene, panel, (5.0, 0.1, 250.0), y=10, row=0, area=4, hollow=False)
    assert {s.role for s in scene.shapes} == {"study-0-arrow-left", "study-0-arrow-right"}
    assert not scene.bubbles and scene.strokes[0].points[0][0] < 60 < 140 < scene.strokes[0].points[1][0]


@pytest.mark.parametrize("width", [80, 85, 120, 180])
def test_the_picture_keeps_its_width_and_names_their_words(width: float) -> None:
    frame = FRAME | {
        "study": [
            "Hand surgery group of the northern and southern provinces 2012", "Donaumoor-Trapeziektomiestudiengruppe",
            "Trapeziometacarpal-Arthroplastikverbundforschungen 2019", "D", "Oxenholme and Eastmoor 2021",
        ]
    }  # fmt: skip
    table = metakit.effect_sizes(frame, measure="risk_ratio")
    layout = drawn(table, width_mm=width)
    assert layout.panel.right - layout.panel.left >= LEAST_PICTURE - 1e-6
    said = " ".join(line.text for line in layout.scene.lines if line.role.startswith("study-"))
    for name in frame["study"]:
        for word in str(name).split():
            assert word in said.replace("- ", "-"), (word, said)
    assert "…" not in said
    orphans = [
        line.text
        for line in layout.scene.lines
        if line.role.startswith("study-") and line.text.endswith(" %")
    ]
    assert all("·" in text for text in orphans)


def test_a_study_of_next_to_no_weight_has_a_mark() -> None:
    frame = {"study": list("ABC"), "effect": [0.1, 0.2, 0.3], "standard_error": [0.001, 0.001, 2.0]}
    table = metakit.effect_sizes(frame, measure="generic")
    content = chosen_forest(metakit.pool(table, model="common_effect"), table)
    layout = lay_out(content, width_mm=180, measure=text_width)
    assert min(bubble.area for bubble in layout.scene.bubbles) > 4


def test_a_named_model_that_groups_are_not_pooled_by_is_refused(effects: EffectTable) -> None:
    with pytest.raises(UsageError, match="common_effect"):
        chosen_forest(metakit.pool(effects, model="common_effect"), effects, ForestChoices(subgroup="design"))
    named = metakit.pool(effects, tau2="paule_mandel")
    content = chosen_forest(named, effects, ForestChoices(subgroup="design"))
    assert "Q " in content.between


def test_a_weight_never_stands_alone_below_a_name() -> None:
    frame = {
        "study": list("ABC"), "events_1": [38400, 11000, 90000], "total_1": [128000, 112000, 291500],
        "events_2": [51200, 13240, 10200], "total_2": [134800, 127200, 100800],
    }  # fmt: skip
    table = metakit.effect_sizes(frame, measure="risk_ratio")
    layout = drawn(table, width_mm=85)
    columns = layout.columns
    assert columns.stacked and columns.weight_right
    shown = [
        line for line in layout.scene.lines if line.role.startswith("study-") and line.text.endswith(" %")
    ]
    assert len(shown) == 3 and all(line.x == columns.estimate[1] for line in shown)
