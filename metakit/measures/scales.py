"""The scales on which effects are pooled, each with its way back to natural units."""

from __future__ import annotations

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.measures.double_arcsine import miller_back_transform
from metakit.measures.registry import Scale


def _same(values: FloatArray) -> FloatArray:
    return np.asarray(values, dtype=np.float64)


@np.errstate(divide="ignore", over="ignore")
def _log(values: FloatArray) -> FloatArray:
    return np.asarray(np.log(values), dtype=np.float64)


@np.errstate(over="ignore")
def _exp(values: FloatArray) -> FloatArray:
    return np.asarray(np.exp(values), dtype=np.float64)


def _logit(values: FloatArray) -> FloatArray:
    return np.asarray(special.logit(values), dtype=np.float64)


def _expit(values: FloatArray) -> FloatArray:
    return np.asarray(special.expit(values), dtype=np.float64)


def _squared_sine(values: FloatArray) -> FloatArray:
    # Beyond 0 and pi/2 the sine turns round; an interval that leaves that range ends at 0 or 1.
    return np.asarray(np.sin(np.clip(values, 0.0, np.pi / 2)) ** 2, dtype=np.float64)


def _arcsine(values: FloatArray) -> FloatArray:
    return np.asarray(np.arcsin(np.sqrt(values)), dtype=np.float64)


def _square(values: FloatArray) -> FloatArray:
    return np.asarray(np.maximum(values, 0.0) ** 2, dtype=np.float64)


def _square_root(values: FloatArray) -> FloatArray:
    return np.asarray(np.sqrt(values), dtype=np.float64)


@np.errstate(divide="ignore")
def _turned_log_log(values: FloatArray) -> FloatArray:
    return np.asarray(-np.log(-np.log(values)), dtype=np.float64)


@np.errstate(over="ignore")
def _from_turned_log_log(values: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-np.exp(np.negative(values))), dtype=np.float64)


DIFFERENCE = Scale(name="identity", to_natural=_same, from_natural=_same, axis="linear")
SHARE_DIFFERENCE = Scale(name="identity", to_natural=_same, from_natural=_same, axis="percent")
RATIO = Scale(name="log", to_natural=_exp, from_natural=_log, axis="log")

LOGIT = Scale(name="logit", to_natural=_expit, from_natural=_logit, axis="percent")
LOG_SHARE = Scale(name="log", to_natural=_exp, from_natural=_log, axis="percent")
ARCSINE = Scale(name="arcsine", to_natural=_squared_sine, from_natural=_arcsine, axis="percent")
DOUBLE_ARCSINE = Scale(
    name="double_arcsine",
    to_natural=_squared_sine,
    from_natural=_arcsine,
    axis="percent",
    caution=(
        "The double arcsine scale is here only to reproduce older reviews. Its way back to a "
        "proportion depends "
        "on a sample size that a pooled value does not have, and can mislead badly: a crude 1.33 % "
        "has come back "
        "as 0.24 % (Schwarzer 2019; Röver & Friede 2022). Compare the pooled value with the crude one below; "
        "prefer the logit scale or a one-stage model."
    ),
    at_size=miller_back_transform,
)
RAW_SHARE = Scale(
    name="raw",
    to_natural=_same,
    from_natural=_same,
    axis="percent",
    caution="On the raw scale an interval can pass below 0 or above 100 %; the logit scale cannot.",
)

LOG_RATE = Scale(name="log", to_natural=_exp, from_natural=_log, axis="linear")
SQUARE_ROOT_RATE = Scale(name="square_root", to_natural=_square, from_natural=_square_root, axis="linear")

LOG_LOG_SURVIVAL = Scale(
    name="complementary_log_log",
    to_natural=_from_turned_log_log,
    from_natural=_turned_log_log,
    axis="percent",
)
