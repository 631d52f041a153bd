"""What may explain differences between studies, read from their records without extra typing.

Values describe studies, not patients: means and percentages of the arms that are in the analysis, weighted
by their thumbs or patients. A value that one of these arms lacks is missing for the study, with the reason;
it is never filled in. Every component of the vocabulary `components` is a moderator too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from metakit.core.effects import EffectTable
from metakit.errors import UnknownNameError
from metakit.forms.library import vocabulary
from metakit.synthesis.exploring.moderator_shapes import (
    MODERATORS,
    Found,
    MissingValueError,
    ModeratorColumn,
    ModeratorValue,
    arms_of,
)
from metakit.synthesis.exploring.moderator_values import component_reader
from metakit.synthesis.gathering.rows import StudyNumbers


def moderator_columns(studies: Sequence[StudyNumbers], outcome: str) -> tuple[ModeratorColumn, ...]:
    """Read every moderator of the studies in one analysis.

    Parameters
    ----------
    studies : sequence of StudyNumbers
        As they enter the analysis, in the order of its effect table.
    outcome : str
        The outcome; appraisal is judged for it.

    Returns
    -------
    tuple of ModeratorColumn
        The registry's, without those that need two arms in an analysis of series, then one a component that
        any arm has. Columns without a single value are kept: what nobody reports is worth knowing.
    """
    comparative = any(len(study.sides) > 1 for study in studies)
    terms = vocabulary("moderators")  # those of another joint may lack some of ours
    names = [
        entry.name
        for entry in MODERATORS
        if entry.name in terms and (comparative or not terms[entry.name].facts.flag("comparative"))
    ]
    parts = [
        term.id
        for term in vocabulary("components")
        if any(
            term.id in arm.components or term.id in arm.partly_given
            for study in studies
            for arm in arms_of(study)
        )
    ]
    return tuple(moderator_column(name, studies, outcome) for name in (*names, *parts))


def moderator_column(name: str, studies: Sequence[StudyNumbers], outcome: str) -> ModeratorColumn:
    """Read one moderator.

    Raises
    ------
    UnknownNameError
        For a name that is neither a moderator nor a component.
    """
    kinds, parts = vocabulary("moderators"), vocabulary("components")
    if name in kinds:
        term, kind = kinds[name], kinds[name].facts.text("kind")
        read = MODERATORS[name].read
    elif name in parts:
        term, kind = parts[name], "words"
        read = component_reader(name)
    else:
        raise UnknownNameError("moderator", name, [*(t.id for t in kinds), *(t.id for t in parts)])
    return ModeratorColumn(
        name=name,
        label=term.label,
        unit=term.facts.text("unit") if name in kinds else "",
        kind=kind,
        values=tuple(_value(study, read, outcome) for study in studies),
    )


def with_moderators(table: EffectTable, columns: Sequence[ModeratorColumn]) -> EffectTable:
    """Attach moderators to an effect table, so that regressions and subgroups can be run on it."""
    by_study = {column.name: {value.study: value.value for value in column.values} for column in columns}
    added = {name: tuple(values.get(study) for study in table.study) for name, values in by_study.items()}
    return replace(table, moderators={**table.moderators, **added})


def _value(study: StudyNumbers, read: Callable[[StudyNumbers, str], Found], outcome: str) -> ModeratorValue:
    try:
        value, basis = read(study, outcome)
    except MissingValueError as reason:
        return ModeratorValue(study=study.name, value=None, reason=str(reason))
    return ModeratorValue(study=study.name, value=value, basis=basis)
