"""The raw numbers of a study as the cells beside its row, as its kind of numbers writes them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from metakit.core.effects import EffectTable
from metakit.core.written import amount, fixed
from metakit.measures.registry import Measure
from metakit.plots.forests.content import Place

UNKNOWN = "–"


@dataclass(frozen=True, slots=True, kw_only=True)
class CellTable:
    """The cells beside the rows of a forest plot: by study of the table, and how they add up.

    `total` gives the cells of a mean over some studies; the `narrow` ones stand below the names where a
    figure has no room for columns.
    """

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    total: Callable[[Sequence[int]], tuple[str, ...]]
    places: tuple[Place, ...] = ()
    narrow_headings: tuple[str, ...] = ()
    narrow_arms: int | None = None
    narrow: tuple[tuple[str, ...], ...] = ()
    narrow_total: Callable[[Sequence[int]], tuple[str, ...]] | None = None
    gauges: tuple[tuple[str, float | None], ...] = ()
    notes: tuple[str, ...] = ()


def usual_cells(measure: Measure, table: EffectTable, arm_labels: tuple[str, str], counted: str) -> CellTable:
    """Return one column an arm with the raw numbers of its studies, as their kind of numbers writes them."""
    return CellTable(
        headings=cell_headings(measure, arm_labels, counted),
        rows=tuple(study_cells(measure, table, i) for i in range(len(table))),
        total=lambda used: total_cells(measure, table, used),
    )


def arms_of(measure: Measure) -> tuple[str, ...]:
    """Return what the names of each arm's columns end in."""
    if "mean_before" in measure.columns:
        return ("_before", "_after")
    return ("_1", "_2") if measure.comparative else ("",)


def column_of(name: str, arm: str) -> str:
    """Return a column's name; before and after are the same thumbs."""
    return name if name == "total" and arm in {"_before", "_after"} else name + arm


def cell_headings(measure: Measure, arm_labels: tuple[str, str], counted: str) -> tuple[str, ...]:
    """Return one heading an arm, () for measures without raw numbers worth showing."""
    what = measure.kind.heading.format(counted=counted)
    if not what:
        return ()
    if "mean_before" in measure.columns:
        return f"Before {what}", f"After {what}"
    if not measure.comparative:
        return (what[:1].upper() + what[1:],)
    return tuple(f"{label} {what}" for label in arm_labels)


def study_cells(measure: Measure, table: EffectTable, i: int) -> tuple[str, ...]:
    """Return the cells of one study; a number that the table lacks shows as an en dash."""
    cell = measure.kind.cell
    if cell is None:
        return ()

    def writer(arm: str, write: Callable[[float], str]) -> Callable[[str], str]:
        def written(name: str) -> str:
            column = table.data.get(column_of(name, arm))
            return UNKNOWN if column is None or column[i] != column[i] else write(float(column[i]))

        return written

    return tuple(
        cell(writer(arm, amount), writer(arm, lambda value: fixed(value, 1))) for arm in arms_of(measure)
    )


def total_cells(measure: Measure, table: EffectTable, used: Sequence[int]) -> tuple[str, ...]:
    """Return sums of events and sizes over the studies used; of means only the sizes add up."""
    kind = measure.kind
    if kind.cell is None:
        return ()

    def total(name: str) -> str:
        column = table.data.get(name)
        found = None if column is None else float(column[list(used)].sum())
        return UNKNOWN if found is None or found != found else amount(found)

    names = ("events", kind.size) if kind.adds_up else (kind.size,)
    return tuple("/".join(total(column_of(name, arm)) for name in names) for arm in arms_of(measure))
