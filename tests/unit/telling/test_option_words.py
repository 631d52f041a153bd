"""Names that scripts use become words for readers."""

from __future__ import annotations

import pytest

from metakit.telling.option_words import option_words


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Model random_effects was chosen", "Model random effects was chosen"),
        ("numbers (events_1, total_2)", "numbers (events of arm 1, total of arm 2)"),
        ("(measure 'risk_difference')", "(measure risk difference)"),
        (
            "by dersimonian_laird, not hartung_knapp_floor",
            "by DerSimonian-Laird, not Hartung-Knapp with a floor",
        ),
        ("cohort wrenhollow_11, a plain sentence", "cohort wrenhollow_11, a plain sentence"),
    ],
)
def test_names_of_options_become_words(text: str, words: str) -> None:
    assert option_words(text) == words
