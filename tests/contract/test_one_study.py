"""An answer that rests on one study: row, text, table, trace, figure and file show the same interval."""

from __future__ import annotations

import math

import pytest

from metakit.core.alignment import shown_rows
from metakit.core.results import SingleStudyResult
from metakit.core.written import ratio
from metakit.measures.registry import MEASURES
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool
from metakit.plots.forests.forest_content import forest_content
from metakit.plots.forests.wording import word_everything
from metakit.report.drawing.figure_content import forest_of
from metakit.synthesis.findings import AnalysisFinding, Findings
from metakit.synthesis.run import synthesise
from metakit.synthesis.trace import trace
from metakit.telling.study_numbers import numbers_table
from tests.unit.synthesis.invented import Folder, plan, protocol, trial

RAW = {
    "counts": {"events_1": [3], "total_1": [62], "events_2": [8], "total_2": [64]},
    "rates": {"events_1": [3], "time_1": [62], "events_2": [8], "time_2": [64]},
    "means": {
        "mean_1": [30.0],
        "sd_1": [9.0],
        "total_1": [31],
        "mean_2": [35.0],
        "sd_2": [8.0],
        "total_2": [29],
    },
    "one_count": {"events": [3], "total": [62]},
    "one_rate": {"events": [3], "time": [62]},
}


def columns_for(measure: str) -> dict[str, list[float]] | None:
    """Return the raw numbers of one study that this measure can be computed from."""
    needed = set(MEASURES[measure].columns)
    return next((dict(raw) for raw in RAW.values() if set(raw) == needed), None)


@pytest.mark.parametrize("measure", [m.name for m in MEASURES if columns_for(m.name)])
@pytest.mark.parametrize("model", [None, "random_effects"])
def test_the_row_of_one_study_is_the_answer(measure: str, model: str | None) -> None:
    table = effect_sizes({"study": ["A"], **(columns_for(measure) or {})}, measure=measure)
    answer = pool(table, model=model)
    assert isinstance(answer, SingleStudyResult)
    (row,) = answer.studies
    assert row.effect == answer.estimate and row.interval == answer.interval
    (drawn,) = forest_content(answer, table).rows
    back, factor = answer.back_transform, 1.0
    assert drawn.estimate is not None and drawn.lower is not None and drawn.upper is not None
    scale = MEASURES[measure].scale(table.scale)
    factor = 1.0 if scale.axis == "percent" else MEASURES[measure].natural_factor
    told = [factor * back(value) for value in (answer.estimate, *answer.interval)]
    assert [drawn.estimate, drawn.lower, drawn.upper] == pytest.approx(told, rel=1e-9)


@pytest.mark.parametrize(
    ("events", "side", "words"), [((0, 9), "upper", "at most"), ((9, 0), "lower", "at least")]
)
def test_one_study_with_all_events_in_one_arm_is_its_limit(
    events: tuple[int, int], side: str, words: str
) -> None:
    raw = {"study": ["A"], "events_1": [events[0]], "total_1": [62], "events_2": [events[1]], "total_2": [64]}
    table = effect_sizes(raw, measure="risk_ratio")
    answer = pool(table)
    (row,) = answer.studies
    assert row.effect is None and row.interval == answer.interval
    content = forest_content(answer, table)
    limit = math.exp(getattr(answer.interval, side))
    (drawn,) = content.rows
    assert drawn.estimate is None
    assert drawn.limit is not None and drawn.limit == (side, pytest.approx(limit))
    assert word_everything(content).studies[0].estimate == f"{words} {ratio(limit)}"


@pytest.fixture(scope="module")
def review() -> Findings:
    """Return a review of one trial and one cohort without an event in arm 1, each an answer of its own."""
    studies = (
        trial("one", 3, 8, 60),
        trial("other", 0, 9, 60, design="prospective_cohort", design_group="comparative"),
    )
    return synthesise(Folder(protocol=protocol(plan()), studies=studies))  # type: ignore[arg-type]


@pytest.mark.lengthy
def test_each_design_of_one_study_shows_one_interval_everywhere(review: Findings) -> None:
    (finding,) = review.analyses
    assert finding.table is not None and finding.result is not None
    parts = {part.studies[0]: part.answer.result for part in finding.by_design}
    assert len(parts) == 2
    content = forest_of(finding, finding.table)
    words = {row.label: row for row in word_everything(content).studies}
    numbers = {row.study: row.effect for row in numbers_table(finding).rows}
    for name, answer in parts.items():
        assert isinstance(answer, SingleStudyResult)
        record = next(study for study in finding.numbers if study.name == name)
        path = trace(review, study=record.study.id, outcome=finding.plan.outcome).analyses[0]
        assert path.interval == tuple(answer.interval)
        low, high = (math.exp(limit) for limit in answer.interval)
        if answer.limit_only:
            assert numbers[name] == words[name].estimate == f"at most {ratio(high)}"
        else:
            assert f"({ratio(low)} to {ratio(high)})" in numbers[name]
            assert words[name].interval == f"{ratio(low)} to {ratio(high)}"
    assert _told_why(finding)


def _told_why(finding: AnalysisFinding) -> bool:
    """Say whether the figure tells that the mean over all takes these studies otherwise."""
    assert finding.table is not None
    rows = forest_of(finding, finding.table).rows
    return all("it enters the mean over all as that mean's model has it" in row.note for row in rows)


def test_a_study_among_others_keeps_the_row_that_enters_the_mean() -> None:
    raw = {
        "study": ["A", "B", "C"], "events_1": [3, 4, 5], "total_1": [62, 50, 40], "events_2": [8, 6, 7],
        "total_2": [64, 50, 40],
    }  # fmt: skip
    table = effect_sizes(raw, measure="risk_ratio")
    answer = pool(table)
    alone = pool(table.select([True, False, False]))
    rest = pool(table.select([False, True, True]))
    shown = shown_rows(table, answer, ["x", "y", "y"], {"x": alone, "y": rest})
    assert shown[0].row is not None and shown[0].row.interval == alone.interval
    assert shown[0].row.weight == answer.studies[0].weight
    assert shown[0].entered == answer.studies[0]
    assert [found.row for found in shown[1:]] == list(answer.studies[1:])
    assert all(found.alone is None for found in shown[1:])
