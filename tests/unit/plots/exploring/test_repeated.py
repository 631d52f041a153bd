"""Means pooled again and again: also where the first of them are only a limit."""

from __future__ import annotations

import numpy as np
import pandas as pd

import metakit
from metakit.plots.exploring.repeated import repeated_content, repeated_text
from metakit.plots.forests.forest import forest_figure

TABLE = pd.DataFrame(
    {
        "study": ["Alder", "Birch", "Cedar", "Dogwood"],
        "events_1": [0, 0, 3, 4],
        "total_1": [30, 41, 35, 52],
        "events_2": [4, 2, 6, 9],
        "total_2": [31, 40, 36, 50],
    }
)


def test_a_mean_that_is_only_a_limit_is_a_row_of_words() -> None:
    effects = metakit.effect_sizes(TABLE, measure="risk_ratio")
    answers = [metakit.pool(effects.select(np.arange(4) < last)) for last in (1, 2, 3, 4)]
    assert [answer.lone_limit for answer in answers] == ["upper", "upper", "", ""]
    content = repeated_content(
        answers, effects, labels=list(effects.study), row_heading="Added", row_words="the mean so far"
    )
    assert [row.estimate is None for row in content.rows] == [True, True, False, False]
    assert content.rows[0].note.startswith("no estimate, at most ")
    assert "Alder: no estimate, at most" in repeated_text(content)
    forest_figure(content)  # is drawn without a complaint
