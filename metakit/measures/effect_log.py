"""The lines that travel with an effect table: corrections made, studies set aside, notes for the reader."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from metakit.core.effects import FloatArray
from metakit.core.notes import Assumption, SetAside
from metakit.measures.double_arcsine import harmonic_mean
from metakit.measures.kind import COUNTS, RATES
from metakit.measures.registry import KernelEffects, Measure, Scale
from metakit.measures.zero_cells import POLICIES

LARGE_STANDARDIZED = 3.0
"""Standardised differences beyond this are more often a standard error typed as SD than a real effect."""


def correction_lines(
    names: Sequence[str],
    data: Mapping[str, FloatArray],
    measure: Measure,
    policy: str,
    kernel: KernelEffects,
) -> tuple[Assumption, ...]:
    """Return one log line a corrected study, with the numbers before and after."""
    return tuple(
        Assumption(
            study=names[row],
            rule=_rule(measure, policy, kernel.variance_only),
            inputs=_before_and_after(data, kernel, row),
            reference=POLICIES[policy].reference,
        )
        for row in np.flatnonzero(kernel.corrected).tolist()
    )


def _rule(measure: Measure, policy: str, variance_only: bool) -> str:
    added = POLICIES[policy].added
    if measure.kind is COUNTS and measure.comparative:
        where = "to each cell"
    elif measure.kind is COUNTS:
        where = "to events and to non-events"
    else:
        where = "to the events" if measure.arms == 1 else "to the events of both arms"
    if variance_only:
        return f"variance computed with {added} added {where}, since it would be 0; the effect is as observed"
    reason = (
        "one of which is 0" if measure.comparative or measure.kind is not RATES else "of which there are none"
    )
    return f"{added} added {where}, {reason}"


def _before_and_after(data: Mapping[str, FloatArray], kernel: KernelEffects, row: int) -> str:
    if kernel.variance_only:
        return f"variance 0 -> {kernel.variance[row]:.6g}"
    changes = [
        f"{name} {data[name][row]:g} -> {kernel.used[name][row]:.6g}"
        for name in data
        if name in kernel.used and kernel.used[name][row] != data[name][row]
    ]
    return ", ".join(changes)


def set_aside_lines(
    names: Sequence[str],
    data: Mapping[str, FloatArray],
    measure: Measure,
    scale: Scale,
    policy: str,
    kernel: KernelEffects,
) -> tuple[SetAside, ...]:
    """Return one line for each study that is not estimable, with the reason."""
    lines = []
    for row in np.flatnonzero(~kernel.estimable).tolist():
        numbers = {name: float(column[row]) for name, column in data.items()}
        reason = measure.reason(numbers, scale=scale.name, zero_cells=policy)
        lines.append(SetAside(study=names[row], reason=reason))
    return tuple(lines)


def notes_on(
    names: Sequence[str],
    data: Mapping[str, FloatArray],
    measure: Measure,
    scale: Scale,
    kernel: KernelEffects,
) -> list[str]:
    """Return the sentences that a reader of these effects must see."""
    notes = []
    corrected, k = int(np.sum(kernel.corrected)), len(names)
    if corrected and not kernel.variance_only and measure.one_stage:
        notes.append(f"{corrected} of {k} studies have an empty cell and were corrected for it.")
    fractions = [
        name for name in data if name.startswith(("events", "total")) and np.any(data[name] % 1 != 0)
    ]
    if fractions:
        notes.append(f"Some numbers are effective numbers, not counts ({', '.join(fractions)}).")
    if scale.caution:
        notes.append(scale.caution)
    if scale.name == "double_arcsine":
        crude = 100 * np.sum(data["events"]) / np.sum(data["total"])
        notes.append(
            "Pooled values come back to proportions by Miller's formula at "
            f"{harmonic_mean(data['total']):.6g}, the harmonic mean of the {k} sample sizes. The crude "
            f"proportion, all events over all totals, is {crude:.4g} %."
        )
    if measure.name == "standardized_mean_difference":
        large = np.flatnonzero(
            kernel.estimable & (np.abs(np.nan_to_num(kernel.effect)) > LARGE_STANDARDIZED)
        ).tolist()
        notes += [
            f"{names[row]}: a standardised difference of {kernel.effect[row]:.1f} is hardly "
            "possible; check whether a "
            "standard error was typed as standard deviation."
            for row in large
        ]
    return notes
