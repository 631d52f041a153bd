"""Are the studies of different comparisons alike? Study characteristics by comparison (transitivity).

Source: Salanti 2012 (Res Synth Methods 3:80-97): indirect comparisons hold only if what changes the effect is
distributed alike over the comparisons.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from metakit.networks.arms import NetworkArms
from metakit.networks.inconsistency import direct_pairs

Value = float | str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Characteristic:
    """One characteristic among the studies of one comparison.

    Numbers: `mean`, `lowest`, `highest` over `known` studies. Words: `counts`, most frequent first. `missing`
    names the studies without a value.
    """

    name: str
    technique: str
    comparator: str
    studies: int
    known: int
    mean: float | None
    lowest: float | None
    highest: float | None
    counts: tuple[tuple[str, int], ...]
    missing: tuple[str, ...]


def characteristics_by_comparison(
    arms: NetworkArms, columns: Mapping[str, Mapping[str, Value]]
) -> tuple[Characteristic, ...]:
    """Describe each characteristic among the studies that compare each pair directly.

    Parameters
    ----------
    arms : NetworkArms
    columns : mapping of name to mapping of study to value
        Numbers or words; None where the study has none.
    """
    members: dict[str, set[str]] = {}
    for study, technique in zip(arms.study, arms.technique, strict=True):
        members.setdefault(study, set()).add(technique)
    found = []
    for name, values in columns.items():
        for one, two in direct_pairs(arms):
            studies = [study for study, names in members.items() if {one, two} <= names]
            given = {study: values.get(study) for study in studies}
            known = [value for value in given.values() if value is not None]
            numbers = np.array([value for value in known if not isinstance(value, str)], dtype=float)
            words = Counter(value for value in known if isinstance(value, str))
            found.append(
                Characteristic(
                    name=name,
                    technique=one,
                    comparator=two,
                    studies=len(studies),
                    known=len(known),
                    mean=float(numbers.mean()) if numbers.size else None,
                    lowest=float(numbers.min()) if numbers.size else None,
                    highest=float(numbers.max()) if numbers.size else None,
                    counts=tuple(words.most_common()),
                    missing=tuple(study for study, value in given.items() if value is None),
                )
            )
    return tuple(found)


def characteristic_words(row: Characteristic) -> str:
    """Say one cell of the table: mean with range, or counts, and how many studies have a value."""
    if row.mean is not None:
        said = (
            f"{row.mean:.4g} ({row.lowest:.4g} to {row.highest:.4g})" if row.known > 1 else f"{row.mean:.4g}"
        )
    else:
        said = ", ".join(f"{word} {count}" for word, count in row.counts) or "no value"
    return f"{said} in {row.known} of {row.studies} {'study' if row.studies == 1 else 'studies'}"
