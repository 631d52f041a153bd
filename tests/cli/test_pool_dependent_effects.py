"""`metakit pool --cluster` and `--threshold`: effects that share a study, and how likely an effect beyond a value is."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from metakit.measures.tables import effect_sizes
from metakit.models.multilevel import pool_dependent
from metakit.models.pool import pool

ROWS = {
    "study": ["A pinch", "A grip", "B", "C", "D early", "D late", "E"],
    "paper": ["A", "A", "B", "C", "D", "D", "E"],
    "effect": [0.1, 0.2, 0.5, 0.3, 0.6, 0.4, 0.25],
    "variance": [0.04, 0.04, 0.05, 0.06, 0.05, 0.05, 0.03],
}
"""Invented."""


@pytest.fixture
def rows(tmp_path: Path) -> Path:
    path = tmp_path / "rows.csv"
    lines = [",".join(ROWS), *(",".join(map(str, row)) for row in zip(*ROWS.values(), strict=True))]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_cluster_asks_for_the_multilevel_model(metakit_command, rows: Path) -> None:
    answer = metakit_command(
        "pool", rows, "--measure", "generic", "--cluster", "paper", "--sampling-correlation", "0.6", "--json"
    ).answer
    alone = pool_dependent(effect_sizes(ROWS, measure="generic"), cluster="paper", sampling_correlation=0.6)
    assert answer["model"] == "multilevel" and answer["clusters"] == 5
    assert answer["estimate"] == alone.estimate
    assert answer["interval"] == list(alone.interval)
    said = metakit_command("pool", rows, "--measure", "generic", "--cluster", "paper")
    assert "Three-level model" in said.out and said.status == 0
    wrong = metakit_command("pool", rows, "--measure", "generic", "--cluster", "papre")
    assert wrong.status == 2 and "paper" in wrong.err
    lonely = metakit_command("pool", rows, "--measure", "generic", "--sampling-correlation", "0.6")
    assert lonely.status == 2 and "--cluster" in lonely.err


def test_a_threshold_is_answered_from_the_posterior_of_the_answer(metakit_command, tmp_path: Path) -> None:
    table = {
        "study": ["A", "B", "C"], "events_1": [9, 7, 8], "total_1": [90, 80, 85],
        "events_2": [15, 13, 13], "total_2": [88, 82, 90],
    }  # fmt: skip
    path = tmp_path / "counts.csv"
    lines = [",".join(table), *(",".join(map(str, row)) for row in zip(*table.values(), strict=True))]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    call = ("pool", path, "--measure", "risk_ratio", "--threshold", "0.8")
    found = metakit_command(*call, "--json").answer
    result = pool(effect_sizes(table, measure="risk_ratio"))
    assert result.posterior is not None
    beyond = found["beyond_threshold"]
    assert beyond["mean"] == pytest.approx(float(result.posterior.below(math.log(0.8))), abs=1e-12)
    assert beyond["new_centre"] == pytest.approx(
        float(result.posterior.below(math.log(0.8), new_centre=True)), abs=1e-12
    )
    # the same posterior: its limits have 2.5 % beyond them, its median a half
    assert float(result.posterior.below(result.interval.lower)) == pytest.approx(0.025, abs=1e-9)
    assert float(result.posterior.below(result.estimate)) == pytest.approx(0.5, abs=1e-9)
    assert "below 0.8 with probability" in metakit_command(*call).out
    assert metakit_command("pool", path, "--measure", "risk_ratio", "--threshold", "-1").status == 2
