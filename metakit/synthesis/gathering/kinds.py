"""Final values and changes from baseline: which may stand beside each other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from metakit.core.notes import SetAside
from metakit.measures.kind import MEANS
from metakit.measures.registry import Measure
from metakit.synthesis.gathering.rows import EligibleSide, StudyNumbers, UnusableError

MAY_MIX = {"mean_difference"}
"""Measures for which final values and changes may stand in one pool (Cochrane Handbook, section 10.5.2)."""

_WORDS = {"final": "final values", "change": "changes from baseline"}


def one_kind_within(sides: Sequence[EligibleSide]) -> list[EligibleSide]:
    """Keep one kind of value in a study: final values where every side has them, else changes.

    Raises
    ------
    UnusableError
        When one side gives only final values and the other only changes.
    """
    for kind in _WORDS:
        kept = [
            [
                (arm, fitting)
                for arm, values in side
                if (fitting := tuple(v for v in values if v.kind == kind))
            ]
            for side in sides
        ]
        if all(kept):
            return kept
    raise UnusableError("one arm gives final values, the other changes from baseline")


def one_kind_across(
    studies: Sequence[StudyNumbers], measure: Measure
) -> tuple[list[StudyNumbers], list[SetAside], list[str]]:
    """Keep studies of one kind where a measure cannot mix them; otherwise say so when they are mixed.

    The kind of more studies is kept, final values on a tie.
    """
    kinds = [study.values[0].kind for study in studies]
    if len(set(kinds)) < 2 or measure.kind is not MEANS:
        return list(studies), [], []
    names = {kind: [s.name for s, k in zip(studies, kinds, strict=True) if k == kind] for kind in _WORDS}
    if measure.name in MAY_MIX:
        return (
            list(studies),
            [],
            [
                f"Final values and changes from baseline are pooled together; changes: "
                f"{', '.join(names['change'])}."
            ],
        )
    counts = Counter(kinds)
    # A ratio of changes has no meaning: their zero is no true zero.
    changes_win = counts["change"] > counts["final"] and measure.name != "ratio_of_means"
    kept = "change" if changes_win else "final"
    aside = [
        SetAside(
            study=study.name,
            reason=f"gives {_WORDS[kind]}; a {measure.label} cannot mix them with the {_WORDS[kept]} of "
            f"the others",
        )
        for study, kind in zip(studies, kinds, strict=True)
        if kind != kept
    ]
    return [study for study, kind in zip(studies, kinds, strict=True) if kind == kept], aside, []
