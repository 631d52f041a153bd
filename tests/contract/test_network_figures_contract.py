"""Every figure of the registry of networks, drawn of every measure and every model: no filter."""

from __future__ import annotations

import random
from functools import cache

import numpy as np
import pytest
from matplotlib.text import Text

from metakit.errors import NotEstimableError, UsageError
from metakit.networks.analysis import analyse_network
from metakit.networks.answer import NetworkAnalysis
from metakit.networks.arms import ARM_MEASURES, arms_from_counts_or_means
from metakit.networks.models import NETWORK_MODELS
from metakit.plots.networks.network_registry import NETWORK_FIGURES, NetworkWords
from metakit.plots.registry import Built
from metakit.plots.save import KINDS, figure_bytes
from metakit.plots.svg import figure_svg
from tests.unit.plots.looking import faults, smallest_type, words

STUDIES = (
    ("t", "t+s"), ("t", "t+s"), ("t", "t+b"), ("t+b", "t+s"), ("t", "t+b", "t+b+s"), ("t+b+s", "t+s"), ("t", "t+s"),
)  # fmt: skip
"""Invented: techniques as sets of components, with a loop, an arm trio and every component apart."""

LABELS = {"t": "Trapeziectomy $alone$", "s": "Suspension <b>cord</b>", "b": "Tendon ball"}
WORDS = NetworkWords(labels=LABELS, left_words="fewer", right_words="more")


@cache
def network(measure: str, model: str = "random_effects") -> NetworkAnalysis:
    draw = random.Random(11)
    study, technique, data = [], [], {name: [] for name in ARM_MEASURES[measure].columns}
    for number, names in enumerate(STUDIES):
        for name in names:
            study.append(f"Study {number}")
            technique.append(name)
            for column, values in data.items():
                values.append(
                    {
                        "events": float(draw.randint(3, 15)), "total": float(draw.randint(40, 90)),
                        "time": draw.uniform(100, 400), "mean": draw.gauss(20, 4), "sd": draw.uniform(5, 9),
                    }[column]
                )  # fmt: skip
    arms = arms_from_counts_or_means(measure, study, technique, data)
    return analyse_network(
        arms, model=model, reference="t", lower_is_better=True,
        components=NETWORK_MODELS[model].arm_values,
        order=("t", "t+b", "t+s", "t+b+s") if NETWORK_MODELS[model].arm_values else (),
    )  # fmt: skip


def check(built: Built) -> None:
    (drawing,) = built.parts
    assert faults(drawing) == []
    assert smallest_type(drawing) >= 7
    shown = words(drawing)
    assert "Invented $data$" in shown
    assert not any(word.lower() in {"nan", "inf", "none"} for text in shown for word in text.split())
    assert built.text.endswith(".")
    assert not {"nan", "inf", "none"} & {word.strip(".,;()").lower() for word in built.text.split()}
    assert not any(
        item.get_parse_math() for axes in drawing.axes for item in axes.findobj(Text) if item.get_text()
    )


@pytest.mark.grid
@pytest.mark.parametrize("width", [85, 180])
@pytest.mark.parametrize("measure", ARM_MEASURES)
@pytest.mark.parametrize("figure", NETWORK_FIGURES.names())
def test_every_figure_draws_every_measure(figure: str, measure: str, width: float) -> None:
    built = NETWORK_FIGURES[figure].build(
        network(measure), words=WORDS, title="Invented $data$", width_mm=width
    )
    check(built)
    assert any("rapeziectomy" in text or "ball" in text for text in words(built.parts[0]))


@pytest.mark.grid
@pytest.mark.parametrize("model", NETWORK_MODELS)
@pytest.mark.parametrize("figure", NETWORK_FIGURES.names())
def test_every_model_is_drawn_or_refused_in_words(figure: str, model: str) -> None:
    found = network("odds_ratio", model)
    try:
        check(NETWORK_FIGURES[figure].build(found, words=WORDS, title="Invented $data$", width_mm=120))
    except NotEstimableError as why:
        assert not NETWORK_MODELS[model].arm_values
        assert len(str(why).split()) > 4


@pytest.mark.grid
@pytest.mark.parametrize("figure", NETWORK_FIGURES.names())
def test_every_figure_can_be_saved_as_every_kind_and_is_the_same_again(figure: str) -> None:
    found = network("risk_ratio")
    one, two = (NETWORK_FIGURES[figure].build(found, words=WORDS, width_mm=100).parts[0] for _ in "12")
    for kind in KINDS:
        assert len(figure_bytes(one, kind, dpi=72)) > 1000
    assert figure_svg(one) == figure_svg(two)


@pytest.mark.parametrize("figure", NETWORK_FIGURES.names())
def test_a_width_that_no_page_has_is_refused(figure: str) -> None:
    with pytest.raises(UsageError, match="80 to 400"):
        NETWORK_FIGURES[figure].build(network("risk_ratio"), width_mm=30)


def test_entries_have_a_name_in_full_words_and_a_label() -> None:
    for entry in NETWORK_FIGURES:
        assert entry.name.replace("_", "").isalpha()
        assert entry.label[0].isupper()


def test_the_sample_has_what_every_figure_needs() -> None:
    found = network("risk_ratio")
    assert found.parts[0].ranking is not None
    assert found.parts[0].inconsistency is not None
    assert found.parts[0].inconsistency.splits
    assert found.components is not None
    assert all(effect.estimate is not None for effect in found.components.effects if effect.component != "t")
    assert np.isfinite([item.centred for item in (found.funnel.contrasts if found.funnel else ())]).all()
