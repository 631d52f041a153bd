"""Names of models, methods, measures and columns as words: the names that scripts use are not for readers."""

from __future__ import annotations

import re
from functools import cache

from metakit.measures.registry import MEASURES
from metakit.models.estimators import MEAN_INTERVALS, TAU2_ESTIMATORS
from metakit.models.of_counts.one_stage_variants import ONE_STAGE_VARIANTS
from metakit.models.registry import MODELS
from metakit.telling.result_words import method_words

_COLUMN = re.compile(r"\b(events|total|time|mean|sd)_([12])\b")
_QUOTED = re.compile(r"'([a-z]+(?:_[a-z0-9]+)+)'")
_ASIDE = re.compile(r" \(measure '[a-z_]+'(?: or '[a-z_]+')*\)")
"""How to ask a command for another measure, which no reader of a report can."""
_NAME = re.compile(r"\b[a-z]+(?:_[a-z0-9]+)+\b")


@cache
def _labels() -> dict[str, str]:
    names = [
        entry.name
        for registry in (MODELS, ONE_STAGE_VARIANTS, TAU2_ESTIMATORS, MEAN_INTERVALS)
        for entry in registry
    ]
    policies = {"treatment_arm": "by the sizes of the arms"}
    measures = {entry.name: entry.label for entry in MEASURES}
    return {name: method_words(name) for name in names} | measures | policies


def option_words(text: str) -> str:
    """Put words in the place of every name of an option and every column of counts in a note.

    Examples
    --------
    >>> option_words("Model random_effects was chosen (events_1)")
    'Model random effects was chosen (events of arm 1)'
    >>> option_words("it says something about the risk difference (measure 'risk_difference')")
    'it says something about the risk difference'
    """
    text = _ASIDE.sub("", text)
    text = _QUOTED.sub(r"\1", _COLUMN.sub(r"\1 of arm \2", text))
    return _NAME.sub(lambda found: _labels().get(found[0], found[0]), text)
