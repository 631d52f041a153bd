"""Mantel-Haenszel and Peto against their certified values: closed forms, 12 digits.

Sources of the formulas: Robins, Breslow & Greenland 1986; Greenland & Robins 1985; Yusuf 1985. Source of the
values: tests/reference/generate.py, topic stratified.
"""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from agreement import CLOSED, Comparison, certified

from metakit.errors import NotEstimableError
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool

COUNTS = ["events_1", "total_1", "events_2", "total_2"]
RATES = ["events_1", "time_1", "events_2", "time_2"]
MEASURES = {"odds_ratio": COUNTS, "risk_ratio": COUNTS, "risk_difference": COUNTS, "rate_ratio": RATES}
JOBS = [
    (record, measure)
    for record in certified("stratified")
    for measure in MEASURES
    if measure in record
    # no event at all: a variance of zero, for test_no_event_at_all
    and not (record[measure] and float(record[measure]["standard_error"]) == 0)
]
PETO = [record for record in certified("stratified") if "peto" in record]


def table(record: dict[str, Any], names: list[str]) -> pd.DataFrame:
    """Return the raw counts of a record."""
    frame = pd.DataFrame([[float(item) for item in row] for row in record["rows"]], columns=names)
    frame.insert(0, "study", [f"stratum {number}" for number in range(len(frame))])
    return frame


@pytest.mark.parametrize("job", JOBS, ids=lambda job: f"{job[0]['name']}/{job[1]}")
def test_mantel_haenszel(job: tuple[dict[str, Any], str]) -> None:
    """Estimate and standard error without any correction; a clear refusal where there is none."""
    record, measure = job
    effects = effect_sizes(table(record, MEASURES[measure]), measure=measure, zero_cells="none")
    truth = record[measure]
    if truth is None:
        with pytest.raises(NotEstimableError, match=r"\w"):
            pool(effects, model="mantel_haenszel")
        return
    result = pool(effects, model="mantel_haenszel")
    comparison = Comparison(f"{record['name']}/{measure}")
    comparison.check("estimate", result.estimate, truth["estimate"], CLOSED, truth["standard_error"])
    comparison.check("standard error", result.standard_error, truth["standard_error"], CLOSED)
    comparison.close()


@pytest.mark.parametrize("record", PETO, ids=lambda record: record["name"])
def test_peto(record: dict[str, Any]) -> None:
    """Estimate, standard error and Q."""
    effects = effect_sizes(table(record, COUNTS), measure="peto_odds_ratio")
    truth = record["peto"]
    if truth is None:
        with pytest.raises(NotEstimableError, match=r"\w"):
            pool(effects, model="peto")
        return
    result = pool(effects, model="peto")
    comparison = Comparison(record["name"])
    comparison.check("estimate", result.estimate, truth["estimate"], CLOSED, truth["standard_error"])
    comparison.check("standard error", result.standard_error, truth["standard_error"], CLOSED)
    if len(record["rows"]) > 1:
        comparison.check("Q", result.heterogeneity.q.value, truth["q"], CLOSED - 0.5, 1)
    comparison.close()


def test_no_event_at_all() -> None:
    """Without one event (or one non-event) the risk difference is 0 with variance 0: say so, no number."""
    for record in certified("stratified"):
        if record["name"] in ("invented: no event at all", "invented: only events"):
            effects = effect_sizes(table(record, COUNTS), measure="risk_difference", zero_cells="none")
            with pytest.raises(NotEstimableError, match=r"\w"):
                pool(effects, model="mantel_haenszel")
