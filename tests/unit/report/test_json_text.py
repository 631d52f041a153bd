"""The text is that of the standard library, to the last character."""

import enum
import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from metakit.report.json_text import json_text

SIMPLE = (
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text()
)
ANY = st.recursive(
    SIMPLE, lambda inner: st.lists(inner) | st.dictionaries(st.text() | st.integers(), inner), max_leaves=20
)


def plain(value: Any) -> str:
    return json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False)


@settings(max_examples=40, deadline=None)
@given(ANY)
def test_the_text_is_that_of_the_standard_library(value: Any) -> None:
    assert json_text(value) == plain(value)


class Word(enum.StrEnum):
    ONE = "one"


@pytest.mark.parametrize(
    "value",
    [
        {"a": {1: [Word.ONE, np.float64(0.1), (), {}]}, "b\n": "x\n"},
        ({"a": ({2: 3},)},),
        "ü\u2028\t",
        5,
        [[]],
    ],
    ids=repr,
)
def test_rare_values_too(value: Any) -> None:
    assert json_text(value) == plain(value)


@pytest.mark.parametrize("value", [math.nan, [math.inf], {"a": -math.inf}])
def test_what_is_not_finite_is_refused(value: Any) -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        json_text(value)


def test_what_json_lacks_is_refused() -> None:
    with pytest.raises(TypeError):
        json_text({"a": {1, 2}})
