"""An effect table as it is before any zero-cell correction, for models that work on the raw counts."""

from __future__ import annotations

from dataclasses import replace

from metakit.core.effects import EffectTable
from metakit.measures.effect_log import correction_lines, notes_on, set_aside_lines
from metakit.measures.registry import MEASURES

UNCORRECTED = "The model uses the counts as reported; no zero cell is corrected."


def uncorrected(effects: EffectTable) -> EffectTable:
    """Take zero-cell corrections back, with the log lines and notes about them.

    Parameters
    ----------
    effects : EffectTable
        With its raw columns.

    Returns
    -------
    EffectTable
        Studies that have no effect without a correction are not estimable, but not set aside: the
        caller's model uses their counts, or says itself why it does not.
    """
    measure, scale = MEASURES[effects.measure], MEASURES[effects.measure].scale(effects.scale)
    names, data = effects.study, effects.data
    before = measure.kernel(data, scale=scale.name, zero_cells=effects.zero_cells)
    after = measure.kernel(data, scale=scale.name, zero_cells="none")
    corrections = correction_lines(names, data, measure, effects.zero_cells, before)
    aside = set_aside_lines(names, data, measure, scale, effects.zero_cells, before)
    dropped_notes = notes_on(names, data, measure, scale, before)
    notes = [note for note in effects.notes if note not in dropped_notes]
    if corrections:
        notes.append(UNCORRECTED)
    return replace(
        effects,
        effect=after.effect,
        variance=after.variance,
        estimable=after.estimable,
        zero_cells="none",
        set_aside=tuple(item for item in effects.set_aside if item not in aside),
        assumptions=tuple(item for item in effects.assumptions if item not in corrections),
        notes=(*notes, *notes_on(names, data, measure, scale, after)),
    )
