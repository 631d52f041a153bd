"""The default's kernels for counts, called in batches."""

from __future__ import annotations

from collections.abc import Mapping

from metakit.core.effects import BoolArray, FloatArray


def count_answers(family: str, columns: Mapping[str, FloatArray], here: BoolArray) -> tuple[FloatArray, ...]:
    """Return median, limits and limits for a new centre, shape (R,) each."""
    raise NotImplementedError
