"""Every figure of the registry, drawn of every effect measure on every scale: no filter."""

from __future__ import annotations

import math

import numpy as np
import pytest
from matplotlib.text import Text

from metakit.core.effects import EffectTable
from metakit.core.limits import Limits
from metakit.core.results import CommonEffectResult, Heterogeneity, MeanInterval, StudyRow
from metakit.measures.registry import MEASURES
from metakit.plots.registry import FIGURES, FigureOptions
from metakit.plots.save import KINDS, figure_bytes
from metakit.plots.svg import figure_svg
from tests.unit.plots.looking import faults, smallest_type, words

RAW = {
    "events": (3.0, 5.0, 8.0), "total": (40.0, 62.0, 75.0), "time": (120.0, 201.5, 330.0),
    "events_1": (3.0, 5.0, 8.0), "total_1": (40.0, 62.0, 75.0), "time_1": (120.0, 201.5, 330.0),
    "events_2": (6.0, 4.0, 11.0), "total_2": (41.0, 60.0, 77.0), "time_2": (118.0, 200.0, 331.0),
    "mean": (4.1, 3.9, 5.0), "sd": (1.2, 1.4, 1.1),
    "mean_1": (4.1, 3.9, 5.0), "sd_1": (1.2, 1.4, 1.1), "mean_2": (3.5, 4.0, 4.4), "sd_2": (1.3, 1.2, 1.5),
    "mean_before": (3.1, 3.0, 3.3), "sd_before": (1.2, 1.4, 1.1), "mean_after": (4.1, 3.9, 5.0),
    "sd_after": (1.2, 1.4, 1.1), "correlation": (0.5, 0.5, 0.5),
    "log_hazard_ratio": (-0.3, 0.1, 0.4), "standard_error": (0.04, 0.05, 0.03), "survival": (0.9, 0.95, 0.88),
    "effect": (-0.3, 0.1, 0.4), "variance": (0.04, 0.05, 0.03),
}  # fmt: skip
"""Invented numbers for every raw column; a measure with a new column needs a line here."""

SEVEN = (0, 1, 2, 1, 2, 0, 1)
"""Rows of RAW that make seven studies: the fewest that a regression on one moderator takes."""

NAMES = (
    "Amsel 2011", "$Dohle$ 2012", "<b>Lerche</b> 2013", "Star 2014", "Zeisig 2015", "Meise 2016", "Specht 2017",
)  # fmt: skip

OPTIONS = FigureOptions(moderator="age", order_by="year", chosen_studies=("$Dohle$ 2012", "Specht 2017"))
"""What some figures need; the others pay no heed to it."""

CASES = [
    (figure.name, measure.name, scale.name)
    for figure in FIGURES
    for measure in MEASURES
    for scale in measure.scales
]


def table_of(measure_name: str, scale_name: str) -> EffectTable:
    measure = MEASURES[measure_name]
    data = {name: np.array(RAW[name])[list(SEVEN)] for name in measure.columns}
    kernel = measure.kernel(data, scale=scale_name, zero_cells="none")
    return EffectTable(
        measure=measure_name, scale=scale_name, study=NAMES,
        effect=kernel.effect, variance=kernel.variance, estimable=kernel.estimable, data=data,
        moderators={"age": (61.0, 58.5, 66.2, 59.9, 63.0, 57.1, 64.4), "year": tuple(range(2011, 2018))},
    )  # fmt: skip


def result_of(table: EffectTable) -> CommonEffectResult:
    weights = 1 / table.variance
    weights = weights / weights.sum()
    estimate, error = float((weights * table.effect).sum()), float((1 / (1 / table.variance).sum()) ** 0.5)
    scale = MEASURES[table.measure].scale(table.scale)
    rows = tuple(
        StudyRow(
            study=name, effect=float(y), variance=float(v), weight=float(w),
            interval=Limits(float(y - 1.96 * v**0.5), float(y + 1.96 * v**0.5)),
        )
        for name, y, v, w in zip(table.study, table.effect, table.variance, weights, strict=True)
    )  # fmt: skip
    return CommonEffectResult(
        measure=table.measure,
        level=0.95,
        studies=rows,
        mean=MeanInterval(
            method="wald",
            standard_error=error,
            interval=Limits(estimate - 1.96 * error, estimate + 1.96 * error),
            statistic=None,
            p_value=None,
        ),
        estimate=estimate,
        heterogeneity=Heterogeneity(),
        back_transform=lambda value: float(scale.to_natural(np.asarray(value))),
    )


@pytest.mark.grid
@pytest.mark.parametrize(("figure", "measure", "scale"), CASES)
def test_every_figure_draws_every_measure(figure: str, measure: str, scale: str) -> None:
    table = table_of(measure, scale)
    built = FIGURES[figure].build(
        result_of(table), table, title="Invented $data$", width_mm=120, options=OPTIONS
    )
    drawing = built.parts[0]
    shown = words(drawing)
    assert faults(drawing) == []
    assert smallest_type(drawing) >= 7
    assert not any(word.lower() in {"nan", "inf", "none"} for text in shown for word in text.split())
    assert "Invented $data$" in shown
    assert built.text
    assert built.text.endswith(".")
    assert not {"nan", "inf", "none"} & {word.strip(".,;()").lower() for word in built.text.split()}
    if figure == "forest":
        together = "".join(shown).replace(" ", "")  # a name may stand in several lines
        assert all(name.replace(" ", "") in together for name in table.study)
    assert not any(
        item.get_parse_math() for axes in drawing.axes for item in axes.findobj(Text) if item.get_text()
    )


@pytest.mark.lengthy
@pytest.mark.grid
@pytest.mark.parametrize("figure", FIGURES.names())
def test_every_figure_can_be_saved_as_every_kind(figure: str) -> None:
    table = table_of("risk_ratio", "log")
    (drawing,) = (
        FIGURES[figure]
        .build(result_of(table), table, left_words="fewer", right_words="more", width_mm=100, options=OPTIONS)
        .parts
    )
    for kind in KINDS:
        assert len(figure_bytes(drawing, kind, dpi=72)) > 1000
    assert figure_svg(drawing).startswith("<svg ")


def test_entries_have_a_name_in_full_words_and_a_label() -> None:
    for entry in FIGURES:
        assert entry.name.replace("_", "").isalpha()
        assert entry.label
        assert entry.label[0].isupper()


def test_weights_shown_add_up_for_every_measure() -> None:
    for measure in MEASURES:
        table = table_of(measure.name, measure.scale().name)
        rows = result_of(table).studies
        assert math.isclose(math.fsum(row.weight or 0 for row in rows), 1)
