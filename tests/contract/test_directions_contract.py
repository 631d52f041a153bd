"""Which way an answer points: from the measure's own fact, on page, figure and judgement. All studies are invented."""

from __future__ import annotations

import pickle
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np
import pytest

from metakit import effect_sizes, pool
from metakit.core.effects import EffectTable
from metakit.decision.analysis_body import body_of
from metakit.decision.certainty import all_certainties
from metakit.decision.statements import statement
from metakit.measures.at_baseline import AtBaseline
from metakit.measures.kind import COUNTS
from metakit.measures.registry import MEASURES, Columns, KernelEffects, Measure, finished
from metakit.measures.scales import RATIO
from metakit.plots.forests.forest_content import forest_content, neutral_words
from metakit.report.drawing.figure_content import forest_of, overview_of
from metakit.synthesis.run import synthesise
from metakit.synthesis.terms import outcome_term
from metakit.synthesis.words import Directions, directions
from tests.unit.decision.test_summary import SMALLEST
from tests.unit.synthesis.invented import COMPARISON, Folder, plan, protocol, trial

COMPARATIVE = [measure for measure in MEASURES if measure.comparative and measure.null_value is not None]
MORE_IN_ARM_1: Mapping[str, Mapping[str, list[float]]] = {
    "counts": {"events_1": [14, 19, 9], "total_1": [40, 50, 30], "events_2": [5, 7, 3], "total_2": [41, 50, 31]},
    "rates": {"events_1": [14, 19, 9], "time_1": [80, 95, 60], "events_2": [5, 7, 3], "time_2": [82, 95, 61]},
    "means": {
        "mean_1": [30, 34, 31], "sd_1": [8, 9, 8], "total_1": [40, 50, 30],
        "mean_2": [20, 24, 22], "sd_2": [8, 9, 8], "total_2": [41, 50, 31],
    },
    "hazards": {"log_hazard_ratio": [0.8, 0.9, 0.7], "standard_error": [0.2, 0.3, 0.2]},
    "effects": {"effect": [0.8, 0.9, 0.7], "variance": [0.04, 0.09, 0.04]},
}  # fmt: skip
"""Clearly more in arm 1 of what the outcome counts or measures, in each study."""
OUTCOMES = {
    "counts": "any_complication",
    "rates": "revision_index",
    "means": "dash",
    "hazards": "revision_index",
    "effects": "any_complication",
}


def swapped(data: Mapping[str, list[float]]) -> dict[str, list[float]]:
    """Return the same studies with arms 1 and 2 changed over."""
    if not any(name.endswith("_1") for name in data):
        first = next(iter(data))
        return {
            name: [-value for value in values] if name == first else values for name, values in data.items()
        }
    other = {"_1": "_2", "_2": "_1"}
    return {name[:-2] + other[name[-2:]]: values for name, values in data.items()}


def pooled(measure: Measure, data: Mapping[str, list[float]]) -> tuple[float, EffectTable]:
    table = effect_sizes({"study": list("abc"), **data}, measure=measure.name)
    return pool(table, model="common_effect").estimate, table


def words(measure: Measure) -> Directions:
    return directions(outcome_term(OUTCOMES[measure.kind.name]), COMPARISON, measure)


def is_more(text: str) -> bool:
    assert any(word in text for word in ("more", "higher", "fewer", "lower", "less")), text
    return "more" in text or "higher" in text


@pytest.mark.parametrize("measure", COMPARATIVE, ids=lambda entry: entry.name)
def test_the_words_tell_more_where_there_is_more_and_swap_with_the_arms(measure: Measure) -> None:
    data = MORE_IN_ARM_1[measure.kind.name]
    null = measure.null_value or 0.0
    there, table = pooled(measure, data)
    back, _ = pooled(measure, swapped(data))
    assert (there > null) != (back > null)
    sides = words(measure)
    assert is_more(sides.of(there, null))
    assert not is_more(sides.of(back, null))
    assert is_more(sides.above_short) == is_more(sides.above)
    assert sides.swapped().swapped() == sides
    assert is_more(sides.span.rpartition(" to ")[2]) == is_more(sides.above)
    left, right = neutral_words(measure, "arm 1")
    if left:
        assert is_more(right if there > null else left)
    content = forest_content(pool(table, model="common_effect"), table)
    assert (content.left_words, content.right_words) == (left, right)


def event_free_ratio(data: Columns, *, scale: str, zero_cells: str) -> KernelEffects:
    (e1, n1), (e2, n2) = ((data[f"events_{arm}"], data[f"total_{arm}"]) for arm in "12")
    with np.errstate(all="ignore"):
        effect = np.log((n1 - e1) / n1) - np.log((n2 - e2) / n2)
        variance = 1 / (n1 - e1) - 1 / n1 + 1 / (n2 - e2) - 1 / n2
    return finished(effect, variance)


@pytest.fixture
def added() -> Iterator[Measure]:
    """A measure added as DEVELOPERS.md says: a function and a line; larger values mean fewer events."""
    entry = MEASURES.add(
        Measure(
            name="event_free_ratio",
            label="ratio of thumbs without the event",
            kind=COUNTS,
            larger_means="fewer",
            columns=("events_1", "total_1", "events_2", "total_2"),
            kernel=event_free_ratio,
            scales=(RATIO,),
            null_value=0.0,
            reason=lambda row, *, scale, zero_cells: "an arm has nothing but events",
            at_baseline=AtBaseline(
                risk=lambda ratio, base: 1 - ratio * (1 - base),
                effect=lambda difference, base: np.maximum(1 - base - difference, 0) / (1 - base),
            ),
        )
    )
    yield entry
    del MEASURES._entries[entry.name]


def test_an_added_measure_points_the_right_way_everywhere(added: Measure) -> None:
    """Fewer events after the technique: a ratio above 1, and everywhere the words and numbers of fewer."""
    test_the_words_tell_more_where_there_is_more_and_swap_with_the_arms(added)
    studies = tuple(trial(str(n), 6 + n % 2, 24 + n, 60) for n in range(4))
    asked = replace(protocol(plan("event_free_ratio", model="random_effects")), outcomes=(SMALLEST,))
    findings = synthesise(Folder(protocol=asked, studies=studies))
    finding = findings.analyses[0]
    assert finding.result is not None and finding.table is not None
    assert finding.result.interval.lower > 0
    assert "fewer complications after LRTI" in finding.sentences[0]
    assert "more complications" not in " ".join(finding.sentences)
    forest, overview = forest_of(finding, finding.table), overview_of([finding])
    assert (forest.left_words, forest.right_words) == (
        "More complications after LRTI",
        "Fewer complications after LRTI",
    )
    assert "left: more" in overview.rows[0].measure
    absolute = finding.absolute
    assert absolute is not None
    assert absolute.lower <= absolute.with_technique <= absolute.upper < absolute.baseline

    as_ratio = replace(asked, analyses=(plan("risk_ratio", model="random_effects"),))
    usual = synthesise(Folder(protocol=as_ratio, studies=studies))
    for of in (findings, usual):
        body = body_of(of.analyses[0], of.protocol)
        assert body is not None and body.difference is not None and body.exceeding is not None
        estimate, lower, upper = body.difference
        assert lower <= estimate <= upper < 0
        fewer, more = body.exceeding
        assert fewer > 0.99 > 0.01 > more
        assert "reduction" in statement(body, "high")
        assert body.absolute[0].needed.benefit
        assert body.absolute[0].fixed.lower <= body.absolute[0].difference <= body.absolute[0].fixed.upper
    both = [all_certainties(of)[0].proposed for of in (findings, usual)]
    assert both[0] == both[1]


@pytest.mark.parametrize("measure", list(MEASURES), ids=lambda entry: entry.name)
def test_measures_and_their_kinds_are_the_same_objects_in_every_process(measure: Measure) -> None:
    again = pickle.loads(pickle.dumps(measure))  # noqa: S301 - written in this line
    assert again is measure
    assert pickle.loads(pickle.dumps(measure.kind)) is measure.kind  # noqa: S301
