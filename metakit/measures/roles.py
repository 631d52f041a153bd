"""Columns of words in tables of means: which way an instrument points, and final value or change score.

References
----------
Cochrane Handbook, section 10.5.2 on mixing final values and change scores; sections 6.5.1.2 and 10.5 on
direction.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from metakit.core.effects import FloatArray
from metakit.core.notes import Assumption
from metakit.errors import Problem, UsageError
from metakit.measures.cells import RawTable
from metakit.measures.converting.change_scores import check_value_kinds
from metakit.measures.kind import MEANS
from metakit.measures.registry import Measure
from metakit.measures.table_checks import Reading, read_words


def read_roles(
    table: RawTable, measure: Measure, reading: Reading, align_to: str | None
) -> FloatArray | None:
    """Read `better` and `value_kind`; return 1 or -1 for each study whose sign is to be turned, or None.

    Only a standardised mean difference can turn signs. In other tables of means both directions in one
    column mean that different instruments were put together, which is a problem.
    """
    can_turn = "direction" in measure.optional_columns
    if align_to is not None and not can_turn:
        raise UsageError(
            f"signs can be aligned for standardised mean differences only, not for a {measure.label}"
        )
    if measure.kind is not MEANS:
        return None
    _check_kinds(table, measure, reading)
    better = read_words(table, "better", reading)
    if better is None:
        if align_to is not None:
            raise UsageError(
                "to align signs the table needs a column 'better' with 'higher' or 'lower' for each study"
            )
        return None
    both = {"higher", "lower"} <= set(better)
    if not can_turn:
        if both:
            reading.problems.append(
                Problem(
                    file=table.file,
                    field="better",
                    what=f"a {measure.label} needs one instrument, but its directions differ",
                    found="higher and lower",
                    hint="pool one instrument, or use standardized_mean_difference, which can turn signs",
                )
            )
        return None
    if not both and align_to is None:
        return None
    target = align_to or "higher"
    reading.notes.append(
        "Instruments point in different directions; signs are aligned so that a larger difference "
        "means more of what "
        f"is {'better' if target == 'higher' else 'worse'}."
        if both
        else f"Signs are aligned to an instrument on which {target} is better."
    )
    return np.where(np.array(better) == target, 1.0, -1.0)


def turned_lines(names: Sequence[str], turned: FloatArray, effect: FloatArray) -> list[Assumption]:
    """Return one log line for each study whose sign was turned."""
    return [
        Assumption(
            study=names[row],
            rule="sign turned, since this instrument points the other way",
            inputs=f"{-effect[row]:.6g} -> {effect[row]:.6g}",
            reference="handbook",
        )
        for row in np.flatnonzero(turned < 0).tolist()
    ]


def _check_kinds(table: RawTable, measure: Measure, reading: Reading) -> None:
    kinds = read_words(table, "value_kind", reading)
    if kinds is None:
        return
    if measure.name == "ratio_of_means":
        if "change" in kinds:
            reading.problems += [
                Problem(
                    file=table.file,
                    line=line,
                    field="value_kind",
                    what="a ratio of means has no meaning for change scores, whose zero is not a true zero",
                    found="change",
                    allowed="final",
                )
                for line, kind in zip(table.lines, kinds, strict=True)
                if kind == "change"
            ]
        return
    try:
        note = check_value_kinds(kinds, standardized=measure.name == "standardized_mean_difference")
    except UsageError as error:
        reading.problems.append(
            Problem(file=table.file, field="value_kind", what=str(error), found="final and change")
        )
        return
    if note:
        reading.notes.append(note)
