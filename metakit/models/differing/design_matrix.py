"""Moderators to columns: numbers as they are, words as factors against a reference level, gaps named."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from metakit.core.effects import BoolArray, EffectTable, FloatArray
from metakit.core.notes import SetAside
from metakit.errors import NotEstimableError, UnknownNameError

INTERCEPT = "intercept"
# Columns more nearly dependent than this (after scaling to unit length) carry no information of their own.
COLLINEAR = 1e-8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moderators:
    """Design of a meta-regression.

    `terms` name the columns of `design` (k, p), the intercept first; `keep` says which studies of the
    table have all moderators; `missing` names the others. `columns_of` maps each moderator to its
    columns.
    """

    design: FloatArray
    terms: tuple[str, ...]
    keep: BoolArray
    missing: tuple[SetAside, ...]
    columns_of: dict[str, tuple[int, ...]]
    reference_levels: dict[str, str]


def moderators(table: EffectTable, names: Sequence[str]) -> Moderators:
    """Build the design for the named moderators of a table.

    Raises
    ------
    UnknownNameError
        For a moderator that is no column of the table.
    NotEstimableError
        If a moderator does not vary, a level has a single study, or columns are collinear: each said in
        words.
    """
    problems: list[str] = []
    missing: list[SetAside] = []
    keep = table.estimable.copy()
    values: dict[str, tuple[Any, ...]] = {}
    for name in names:
        if name not in table.moderators and name not in table.data:
            raise UnknownNameError("moderator", name, [*table.moderators, *table.data])
        column = table.moderators[name] if name in table.moderators else tuple(table.data[name])
        values[name] = column
        for row, value in enumerate(column):
            if keep[row] and _is_missing(value):
                missing.append(SetAside(study=table.study[row], reason=f"no value of {name}"))
    gaps = np.array(
        [any(_is_missing(column[row]) for column in values.values()) for row in range(len(table))]
    )
    keep &= ~gaps
    columns, terms = [np.ones(int(keep.sum()))], [INTERCEPT]
    columns_of: dict[str, tuple[int, ...]] = {}
    references: dict[str, str] = {}
    for name, column in values.items():
        kept = [value for value, stays in zip(column, keep, strict=True) if stays]
        first = len(columns)
        if all(isinstance(value, (int, float, np.floating, np.integer)) for value in kept):
            numbers = np.array(kept, dtype=float)
            if kept and np.ptp(numbers) == 0:
                problems.append(f"{name} is {numbers[0]:g} in every study: it cannot explain differences")
                continue
            columns.append(numbers)
            terms.append(name)
        else:
            levels = Counter(str(value) for value in kept)
            if len(levels) < 2:
                problems.append(f"{name} is the same in every study: it cannot explain differences")
                continue
            single = sorted(level for level, count in levels.items() if count == 1)
            if single:
                problems.append(
                    f"{name} has a single study in {', '.join(map(repr, single))}: merge levels first"
                )
                continue
            # The level with most studies is the reference: differences from it are the most precise.
            reference = min(levels, key=lambda level: (-levels[level], level))
            references[name] = reference
            for level in sorted(set(levels) - {reference}):
                columns.append(np.array([float(str(value) == level) for value in kept]))
                terms.append(f"{name}: {level}")
        columns_of[name] = tuple(range(first, len(columns)))
    if problems:
        raise NotEstimableError("; ".join(problems))
    design = np.column_stack(columns)
    _check_collinear(design, terms)
    return Moderators(
        design=design,
        terms=tuple(terms),
        keep=keep,
        missing=tuple(missing),
        columns_of=columns_of,
        reference_levels=references,
    )


def _is_missing(value: Any) -> bool:
    return value is None or value == "" or (isinstance(value, float) and math.isnan(value))


def _check_collinear(design: FloatArray, terms: Sequence[str]) -> None:
    length = np.linalg.norm(design, axis=0)
    if design.shape[0] < design.shape[1]:
        raise NotEstimableError(
            f"{design.shape[1]} coefficients cannot be estimated from {design.shape[0]} studies; use "
            "fewer moderators"
        )
    _, singular, rows = np.linalg.svd(design / length, full_matrices=False)
    if singular[-1] <= COLLINEAR * singular[0]:
        involved = [term for term, share in zip(terms, np.abs(rows[-1]), strict=True) if share > 1e-6]
        raise NotEstimableError(
            f"{', '.join(involved)} carry the same information in these studies (collinear); leave one out"
        )
