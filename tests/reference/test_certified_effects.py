"""effect_sizes against the certified effects of single studies: closed forms, 12 digits.

Source of the formulas (Cochrane Handbook chapters 6 and 10; Yusuf 1985; Rucker 2009; Sweeting 2004;
Hedges 1981; Friedrich 2008; Freeman & Tukey 1950). Source of the values: tests/reference/generate.py, topic effects.
"""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import numpy as np
import pandas as pd
import pytest
from agreement import CLOSED, Comparison, certified

from metakit.measures.tables import effect_sizes

COLUMNS = {
    "two_arm_counts": ("events_1", "total_1", "events_2", "total_2"),
    "two_arm_means": ("mean_1", "sd_1", "total_1", "mean_2", "sd_2", "total_2"),
    "two_arm_rates": ("events_1", "time_1", "events_2", "time_2"),
    "one_arm_counts": ("events", "total"),
    "one_arm_rates": ("events", "time"),
}
ONE_ARM = {"one_arm_counts": "proportion", "one_arm_rates": "rate"}


def jobs() -> dict[tuple[str, str, str | None, str], list[tuple[list[Any], dict[str, Any]]]]:
    """Gather (row, certified answer) by family, measure, scale and policy."""
    found: dict[tuple[str, str, str | None, str], list[tuple[list[Any], dict[str, Any]]]] = defaultdict(list)
    for record in certified("effects"):
        family = record["family"]
        for name, by_policy in record.get("answers", record.get("scales", {})).items():
            measure, scale = (ONE_ARM[family], name) if family in ONE_ARM else (name, None)
            for policy, answer in by_policy.items():
                found[family, measure, scale, policy].append((record["row"], answer))
    return found


JOBS = jobs()


@pytest.mark.parametrize("job", list(JOBS), ids=lambda job: "/".join(str(part) for part in job if part))
def test_effects(job: tuple[str, str, str | None, str]) -> None:
    """Every row of one measure, scale and policy in one table."""
    family, measure, scale, policy = job
    rows = JOBS[job]
    frame = pd.DataFrame([[float(item) for item in row] for row, _ in rows], columns=list(COLUMNS[family]))
    frame.insert(0, "study", [f"row {number}" for number in range(len(rows))])
    effects = effect_sizes(frame, measure=measure, scale=scale, zero_cells=policy)
    comparison = Comparison("/".join(str(part) for part in job))
    for number, (row, answer) in enumerate(rows):
        estimable = bool(effects.estimable[number])
        if estimable != answer["estimable"]:
            comparison.checked += 1
            comparison.short.append(f"{row}: estimable {estimable}, certified {answer['estimable']}")
        elif estimable:
            # a difference of two nearly equal logarithms or scores is counted against its standard error
            spread = np.sqrt(float(answer["variance"]))
            comparison.check(f"{row} effect", float(effects.effect[number]), answer["effect"], CLOSED, spread)
            comparison.check(f"{row} variance", float(effects.variance[number]), answer["variance"], CLOSED)
    comparison.close()


def test_studies_without_information_are_named() -> None:
    """Double-zero and double-full studies are listed by name with the reason."""
    frame = pd.DataFrame(
        {
            "study": ["zero", "full", "fine"],
            "events_1": [0, 12, 3],
            "total_1": [12, 12, 20],
            "events_2": [0, 15, 5],
            "total_2": [15, 15, 22],
        }
    )
    for measure in ("risk_ratio", "odds_ratio", "peto_odds_ratio"):
        effects = effect_sizes(frame, measure=measure)
        assert [item.study for item in effects.set_aside] == ["zero", "full"], measure
        assert all(item.reason for item in effects.set_aside)
        assert effects.estimable.tolist() == [False, False, True]
