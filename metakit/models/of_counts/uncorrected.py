"""An effect table under another policy for zero cells than the one it was made with."""

from __future__ import annotations

from dataclasses import replace

from metakit.core.effects import EffectTable
from metakit.measures.effect_log import correction_lines, notes_on, set_aside_lines
from metakit.measures.registry import MEASURES

UNCORRECTED = "The model uses the counts as reported; no zero cell is corrected."
DEFAULT_CORRECTION = "treatment_arm"
"""Policy of the default inference for studies with an empty arm (Sweeting 2004)."""


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
    before = measure.kernel(effects.data, scale=scale.name, zero_cells=effects.zero_cells)
    aside = set_aside_lines(effects.study, effects.data, measure, scale, effects.zero_cells, before)
    found = _under(effects, "none")
    notes = list(found.notes)
    if len(found.assumptions) < len(effects.assumptions):
        notes.append(UNCORRECTED)
    return replace(
        found,
        set_aside=tuple(item for item in effects.set_aside if item not in aside),
        notes=tuple(notes),
    )


def with_default_correction(effects: EffectTable) -> EffectTable:
    """Return the table under the policy of the default inference, unless a policy was named for it."""
    measure = MEASURES[effects.measure]
    if (
        effects.zero_cells_named
        or effects.zero_cells == DEFAULT_CORRECTION
        or DEFAULT_CORRECTION not in measure.zero_cell_policies
        or not set(measure.columns) <= set(effects.data)
    ):
        return effects
    return _under(effects, DEFAULT_CORRECTION)


def _under(effects: EffectTable, policy: str) -> EffectTable:
    """Return the table under another policy, its log lines and notes those of that policy."""
    measure, scale = MEASURES[effects.measure], MEASURES[effects.measure].scale(effects.scale)
    names, data = effects.study, effects.data
    before = measure.kernel(data, scale=scale.name, zero_cells=effects.zero_cells)
    after = measure.kernel(data, scale=scale.name, zero_cells=policy)
    dropped = correction_lines(names, data, measure, effects.zero_cells, before)
    added = correction_lines(names, data, measure, policy, after)
    aside = set_aside_lines(names, data, measure, scale, effects.zero_cells, before)
    dropped_notes = notes_on(names, data, measure, scale, before)
    return replace(
        effects,
        effect=after.effect,
        variance=after.variance,
        estimable=after.estimable,
        zero_cells=policy,
        set_aside=(
            *(item for item in effects.set_aside if item not in aside),
            *set_aside_lines(names, data, measure, scale, policy, after),
        ),
        assumptions=(*(item for item in effects.assumptions if item not in dropped), *added),
        notes=(
            *(note for note in effects.notes if note not in dropped_notes),
            *notes_on(names, data, measure, scale, after),
        ),
    )
