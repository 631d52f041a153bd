"""The text under signatures never changes its spelling: signatures in people's folders stand under it.

The literal strings are what the code wrote when the first signatures were given (status: computed, by that code).
"""

from __future__ import annotations

import math

import pytest

from metakit.decision.signed_text import answer_words
from metakit.measures.registry import MEASURES
from tests.unit.synthesis.test_words import result

LITERAL = [
    ("risk_ratio", (1.384, 0.8791, 2.1796), 5, "risk ratio 1.38 (0.88 to 2.18), 5 studies"),
    ("risk_ratio", (0.0501, 0.000031, 12.34), 1, "risk ratio 0.05 (3.1e-05 to 12.3), 1 study"),
    ("odds_ratio", (99.97, 1.005, 1234.4), 2, "odds ratio 100.0 (1.00 to 1 234), 2 studies"),
    ("rate_ratio", (2.0, 0.0951, 5e6), 2, "rate ratio 2.00 (0.095 to 5.0e+06), 2 studies"),
    ("mean_difference", (-0.2, -7.5, 7.1), 3, "mean difference −0.2 (−7.5 to 7.1), 3 studies"),
    ("mean_difference", (-0.18, -0.87, 0.52), 3, "mean difference −0.18 (−0.87 to 0.52), 3 studies"),
    ("mean_difference", (-0.001, -40.0, 40.0), 3, "mean difference 0.0 (−40.0 to 40.0), 3 studies"),
    ("mean_difference", (1.0, -math.inf, math.inf), 2, "mean difference 1.0 (−∞ to ∞), 2 studies"),
    ("risk_difference", (0.032, -0.011, 0.48), 4, "risk difference 3 (−1 to 48), 4 studies"),
]


@pytest.mark.parametrize(("measure", "values", "k", "text"), LITERAL, ids=[text for *_, text in LITERAL])
def test_the_spelling_is_frozen(measure: str, values: tuple[float, float, float], k: int, text: str) -> None:
    assert answer_words(result(measure, *values, k=k), MEASURES[measure], None) == text
