"""The raw numbers of a study as the cells beside its row, by family of measures."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.effects import EffectTable
from metakit.core.written import amount
from metakit.measures.registry import Measure

_COUNTS = {"two_arm_counts", "one_arm_counts"}
_RATES = {"two_arm_rates", "one_arm_rates"}
_MEANS = {"two_arm_means", "one_arm_means"}


def _suffixes(measure: Measure) -> tuple[str, ...]:
    if "mean_before" in measure.columns:
        return ("_before", "_after")
    return ("_1", "_2") if measure.comparative else ("",)


def _sizes(measure: Measure) -> tuple[str, ...]:
    """Return the column of the size of each cell; before and after are the same thumbs."""
    return tuple("total" if arm in {"_before", "_after"} else "total" + arm for arm in _suffixes(measure))


def cell_headings(measure: Measure, arm_labels: tuple[str, str], counted: str) -> tuple[str, ...]:
    """Return one heading an arm, () for measures without raw numbers worth showing."""
    if measure.family in _COUNTS:
        what = f"events/{counted}"
    elif measure.family in _RATES:
        what = "events/thumb-years"
    elif measure.family in _MEANS:
        what = "mean (SD), n"
    else:
        return ()
    if "mean_before" in measure.columns:
        return "Before mean (SD), n", "After mean (SD), n"
    if not measure.comparative:
        return (what[:1].upper() + what[1:],)
    return tuple(f"{label} {what}" for label in arm_labels)


def study_cells(measure: Measure, table: EffectTable, i: int) -> tuple[str, ...]:
    """Return the cells of one study; a number that the table lacks shows as an en dash."""

    def number(name: str) -> float | None:
        column = table.data.get(name)
        return None if column is None or column[i] != column[i] else float(column[i])

    def count(name: str) -> str:
        value = number(name)
        return "–" if value is None else amount(value)

    def score(name: str) -> str:
        value = number(name)
        return "–" if value is None else f"{value:.1f}".replace("-", "−")

    if measure.family in _COUNTS:
        return tuple(f"{count('events' + arm)}/{count('total' + arm)}" for arm in _suffixes(measure))
    if measure.family in _RATES:
        return tuple(f"{count('events' + arm)}/{count('time' + arm)}" for arm in _suffixes(measure))
    if measure.family in _MEANS:
        sizes = _sizes(measure)
        return tuple(
            f"{score('mean' + arm)} ({score('sd' + arm)}), {count(size)}"
            for arm, size in zip(_suffixes(measure), sizes, strict=True)
        )
    return ()


def total_cells(measure: Measure, table: EffectTable, used: Sequence[int]) -> tuple[str, ...]:
    """Return sums of events and sizes over the studies used; of means only the sizes add up."""

    def total(name: str) -> str:
        column = table.data.get(name)
        sum_ = None if column is None else float(column[list(used)].sum())
        return "–" if sum_ is None or sum_ != sum_ else amount(sum_)

    if measure.family in _COUNTS:
        return tuple(f"{total('events' + arm)}/{total('total' + arm)}" for arm in _suffixes(measure))
    if measure.family in _RATES:
        return tuple(f"{total('events' + arm)}/{total('time' + arm)}" for arm in _suffixes(measure))
    if measure.family in _MEANS:
        return tuple(total(size) for size in _sizes(measure))
    return ()
