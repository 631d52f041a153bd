"""Pictures on an Axes of one's own: their coordinates are the numbers of the result."""

import matplotlib
import numpy as np
import pytest
from matplotlib.figure import Figure

from metakit import effect_sizes, pool

TABLE = {
    "study": ["Alderwick", "Bramhope", "Cawdale", "Dunmere"],
    "events_1": [4, 3, 0, 11], "total_1": [29, 41, 22, 95],
    "events_2": [6, 9, 2, 17], "total_2": [30, 40, 24, 90],
}  # fmt: skip


@pytest.fixture
def result():
    return pool(
        effect_sizes(TABLE, measure="risk_ratio", rows_differ=True, zero_cells="treatment_arm"),
        model="random_effects",
    )


def _axes():
    return Figure(figsize=(6, 4), layout="constrained").add_subplot()


def test_the_forest_stands_where_the_effects_are(result):
    ax = _axes()
    assert result.forest(ax=ax) is ax
    assert [text.get_text() for text in ax.get_yticklabels()] == [*TABLE["study"], "Mean", "New centre"]
    bubbles = [tuple(c.get_offsets()[0]) for c in ax.collections]
    assert bubbles == [(row.effect, at) for at, row in enumerate(result.studies)]
    diamond = ax.patches[0].get_xy()
    assert diamond[:, 0].min() == result.interval.lower and diamond[:, 0].max() == result.interval.upper
    labels = [float(text.get_text()) for text in ax.get_xticklabels()]
    assert np.allclose(np.exp(ax.get_xticks()), labels)


def test_an_interval_that_leaves_the_axis_has_an_arrow(result):
    ax = result.forest(ax=_axes())
    low, high = ax.get_xlim()
    outside = sum(int(row.interval.lower < low) + int(row.interval.upper > high) for row in result.studies)
    heads = [line for line in ax.lines if line.get_marker() in ("<", ">")]
    assert outside and len(heads) == outside


def test_the_funnel_stands_where_the_effects_are(result):
    ax = result.funnel(ax=_axes())
    expected = [(row.effect, row.variance**0.5) for row in result.studies]
    assert np.allclose(ax.collections[0].get_offsets(), expected)
    bottom, top = ax.get_ylim()
    assert bottom > top == 0


def test_the_fonts_are_those_of_the_script(result):
    with matplotlib.rc_context({"font.size": 15}):
        ax = result.forest(ax=_axes())
        assert {text.get_fontsize() for text in ax.get_yticklabels()} == {15.0}


@pytest.mark.parametrize(
    ("measure", "table"),
    [("proportion", {"study": ["a", "b", "c"], "events": [1, 4, 2], "total": [30, 40, 50]}),
     ("rate", {"study": ["a", "b", "c"], "events": [1, 4, 2], "time": [300, 400, 500]}),
     ("mean_difference", {"study": ["a", "b"], "mean_1": [20, 22], "sd_1": [5, 6], "total_1": [30, 30],
                          "mean_2": [24, 23], "sd_2": [5, 6], "total_2": [30, 30]})],
)  # fmt: skip
def test_every_kind_of_measure_can_be_drawn(measure, table):
    answer = pool(effect_sizes(table, measure=measure, rows_differ=True))
    ax = answer.forest()
    assert len(ax.get_yticklabels()) >= answer.k + 1 and ax.get_xlabel()


def test_the_frame_holds_the_numbers_of_the_answer(result):
    frame = result.to_frame()
    assert list(frame.index[:4]) == TABLE["study"] and frame.index.name == "study"
    assert frame.loc["Mean", "estimate"] == result.estimate
    assert tuple(frame.loc["New centre", ["lower", "upper"]]) == tuple(result.prediction.interval)
    natural = result.to_frame(natural=True)
    assert natural.loc["Mean", "upper"] == result.back_transform(result.interval.upper)
    assert natural.loc["Mean", "standard_error"] == result.standard_error
    assert str(result) in result.summary()
