"""Effects given ready: a standard error is squared, and nothing else happens."""

from __future__ import annotations

import pytest

from metakit.measures.registry import MEASURES


def test_variance_and_standard_error_say_the_same() -> None:
    measure = MEASURES["generic"]
    assert measure.null_value == 0
    by_columns = {form.columns: form for form in measure.forms}
    given = by_columns["effect", "standard_error"].convert({"effect": -0.7, "standard_error": 0.3})
    assert given.columns == pytest.approx({"effect": -0.7, "variance": 0.09}, rel=1e-14)
    assert by_columns["effect", "variance"].convert({"effect": 2.0, "variance": 0.5}).columns == {
        "effect": 2.0,
        "variance": 0.5,
    }
