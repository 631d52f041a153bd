"""What is done about cells without events (or without non-events) before a formula that cannot bear them.

A correction is an assumption: it is made only in studies that need it, and each one is logged.

References
----------
Sweeting MJ, Sutton AJ, Lambert PC (2004). Stat Med 23:1351-1375. Cochrane Handbook, section 10.4.4.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.core.registry import Registry


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """A zero-cell policy: what it is, what it adds to a cell, in words, and its source."""

    name: str
    label: str
    added: str
    reference: str

    @property
    def references(self) -> tuple[str, ...]:
        """Its source as a list, empty without one."""
        return (self.reference,) if self.reference else ()


POLICIES: Registry[Policy] = Registry("zero-cell policy")
for _policy in (
    Policy(name="none", label="no correction", added="nothing", reference=""),
    Policy(
        name="constant", label="0.5 to every cell of a study that has an empty one", added="0.5",
        reference="handbook",
    ),
    Policy(
        name="treatment_arm", label="by the sizes of the arms (Sweeting 2004)",
        added="an amount by the sizes of the arms", reference="sweeting_2004",
    ),
):  # fmt: skip
    POLICIES.add(_policy)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """The four cells of two arms: events and non-events of arm 1, then of arm 2."""

    events_1: FloatArray
    others_1: FloatArray
    events_2: FloatArray
    others_2: FloatArray

    @property
    def total_1(self) -> FloatArray:
        """Size of arm 1."""
        return self.events_1 + self.others_1

    @property
    def total_2(self) -> FloatArray:
        """Size of arm 2."""
        return self.events_2 + self.others_2

    def columns(self) -> dict[str, FloatArray]:
        """Return the cells as the raw columns of the two-arm family."""
        return {
            "events_1": self.events_1,
            "total_1": self.total_1,
            "events_2": self.events_2,
            "total_2": self.total_2,
        }


def amounts(total_1: FloatArray, total_2: FloatArray, zero_cells: str) -> tuple[FloatArray, FloatArray]:
    """Return what a policy adds to both cells of arm 1 and of arm 2.

    `treatment_arm` adds 1/(R + 1) and R/(R + 1) with R = total_2/total_1, so that the amounts add up to 1 and
    the corrected study does not lean towards the larger arm (Sweeting 2004).
    """
    if zero_cells == "constant":
        half = np.full(np.broadcast_shapes(np.shape(total_1), np.shape(total_2)), 0.5)
        return half, half
    if zero_cells == "treatment_arm":
        size = total_1 + total_2
        return total_1 / size, total_2 / size
    nothing = np.zeros(np.broadcast_shapes(np.shape(total_1), np.shape(total_2)))
    return nothing, nothing


def corrected_cells(cells: Cells, zero_cells: str, where: BoolArray) -> Cells:
    """Return the cells with the policy's amounts added in the studies of `where`."""
    first, second = amounts(cells.total_1, cells.total_2, zero_cells)
    first, second = np.where(where, first, 0.0), np.where(where, second, 0.0)
    return Cells(
        events_1=cells.events_1 + first,
        others_1=cells.others_1 + first,
        events_2=cells.events_2 + second,
        others_2=cells.others_2 + second,
    )


def has_zero_cell(cells: Cells) -> BoolArray:
    """Say which studies have at least one empty cell."""
    return np.asarray(
        (cells.events_1 == 0) | (cells.others_1 == 0) | (cells.events_2 == 0) | (cells.others_2 == 0)
    )
