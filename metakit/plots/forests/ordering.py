"""The order in which a forest plot shows its studies."""

from __future__ import annotations

import math
from collections.abc import Sequence

from metakit.core.alignment import align
from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.errors import UnknownNameError

WEIGHT, EFFECT, NAME = "weight", "effect", "name"


def order_of(
    table: EffectTable, result: PoolResult | None, by: str, *, backwards: bool = False
) -> tuple[int, ...]:
    """Return the places of the studies in the order asked for; those without a value come last.

    Parameters
    ----------
    by : str
        weight (the heaviest first), effect (the smallest first), name, or a column of the table (numbers
        from the smallest, words by the alphabet); "" keeps the order of the table.
    backwards : bool
        The other way round.

    Raises
    ------
    UnknownNameError
        For a column that the table lacks.

    Examples
    --------
    >>> from metakit import effect_sizes
    >>> table = effect_sizes({"study": ["B", "A"], "events": [1, 2], "total": [9, 9]}, measure="proportion")
    >>> order_of(table, None, "name")
    (1, 0)
    """
    every = range(len(table))
    if not by:
        return tuple(reversed(every)) if backwards else tuple(every)
    keys = _keys(table, result, by)
    known = sorted((i for i in every if keys[i] is not None), key=lambda i: _sortable(keys[i]))
    if backwards != (by == WEIGHT and by not in table.moderators):
        known.reverse()
    return (*known, *(i for i in every if keys[i] is None))


def _keys(table: EffectTable, result: PoolResult | None, by: str) -> Sequence[float | str | None]:
    if by in table.moderators:
        return [_value(value) for value in table.moderators[by]]
    if by in table.data:
        return [_value(float(value)) for value in table.data[by]]
    if by == WEIGHT:
        rows = [None] * len(table) if result is None else align(table, result)
        return [None if row is None else row.weight for row in rows]
    if by == EFFECT:
        return [
            float(effect) if ok else None for effect, ok in zip(table.effect, table.estimable, strict=True)
        ]
    if by == NAME:
        return table.study
    raise UnknownNameError("order of studies", by, (WEIGHT, EFFECT, NAME, *table.moderators, *table.data))


def _value(value: object) -> float | str | None:
    """Return a cell as a number where it is one; None for an empty one."""
    text = "" if value is None or value != value else str(value).strip()
    if not text:
        return None
    try:
        number = float(text)
    except ValueError:
        return text
    return number if math.isfinite(number) else text


def _sortable(value: float | str | None) -> tuple[bool, float, str]:
    """Return what sorts numbers before words, words without regard to capitals."""
    if isinstance(value, str):
        return True, 0.0, value.casefold()
    return False, float(value or 0.0), ""
