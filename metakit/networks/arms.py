"""From typed arms to the arm values that the network model regresses.

Each arm gets a value and a variance such that differences of values are the study's contrasts and variances
add: the logit or log of the risk, the risk, the mean, the log rate.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.core.notes import Assumption, SetAside
from metakit.errors import DataError, NotEstimableError, Problem, UnknownNameError, UsageError


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NetworkArms:
    """Arms of a network, sorted by study.

    study, technique : names, length n; `value`, `variance`: shape (n,); `thumbs`: shape (n,), NaN where
    unknown; `data`: the raw columns, shape (n,) each.
    """

    measure: str
    study: tuple[str, ...]
    technique: tuple[str, ...]
    value: FloatArray
    variance: FloatArray
    thumbs: FloatArray
    data: Mapping[str, FloatArray]
    set_aside: tuple[SetAside, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def studies(self) -> tuple[str, ...]:
        """Names of the studies, in order."""
        return tuple(dict.fromkeys(self.study))

    @property
    def techniques(self) -> tuple[str, ...]:
        """Names of the techniques, in alphabetical order."""
        return tuple(sorted(set(self.technique)))

    @property
    def study_index(self) -> np.ndarray:
        """Index of each arm's study, shape (n,), sorted."""
        position = {name: number for number, name in enumerate(self.studies)}
        return np.array([position[name] for name in self.study], dtype=np.intp)

    def select(self, keep: BoolArray) -> NetworkArms:
        """Return only the arms where `keep` is True."""
        index = np.flatnonzero(keep)
        return replace(
            self,
            study=tuple(self.study[i] for i in index),
            technique=tuple(self.technique[i] for i in index),
            value=self.value[index],
            variance=self.variance[index],
            thumbs=self.thumbs[index],
            data={name: column[index] for name, column in self.data.items()},
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmMeasure:
    """How a measure's contrasts come from arm values. `kernel` gives (value, variance) of arms."""

    name: str
    columns: tuple[str, ...]
    kernel: Callable[..., tuple[FloatArray, FloatArray]]
    corrects_zeros: bool


def _logit(events: FloatArray, total: FloatArray) -> tuple[FloatArray, FloatArray]:
    return np.log(events / (total - events)), 1 / events + 1 / (total - events)


def _log_risk(events: FloatArray, total: FloatArray) -> tuple[FloatArray, FloatArray]:
    return np.log(events / total), 1 / events - 1 / total


def _risk(events: FloatArray, total: FloatArray) -> tuple[FloatArray, FloatArray]:
    risk = events / total
    return risk, risk * (1 - risk) / total


def _mean(mean: FloatArray, sd: FloatArray, total: FloatArray) -> tuple[FloatArray, FloatArray]:
    return mean, sd**2 / total


def _log_rate(events: FloatArray, time: FloatArray) -> tuple[FloatArray, FloatArray]:
    return np.log(events / time), 1 / events


ARM_MEASURES = {
    entry.name: entry
    for entry in (
        ArmMeasure(name="odds_ratio", columns=("events", "total"), kernel=_logit, corrects_zeros=True),
        ArmMeasure(name="risk_ratio", columns=("events", "total"), kernel=_log_risk, corrects_zeros=True),
        ArmMeasure(name="risk_difference", columns=("events", "total"), kernel=_risk, corrects_zeros=True),
        ArmMeasure(
            name="mean_difference", columns=("mean", "sd", "total"), kernel=_mean, corrects_zeros=False
        ),
        ArmMeasure(name="rate_ratio", columns=("events", "time"), kernel=_log_rate, corrects_zeros=True),
    )
}


CORRECTION = "0.5 added to each cell of every arm, since an arm has no events or nothing but events"
BY_SIZE = (
    "an arm has no events or nothing but events: to each cell of every arm its share of the thumbs was "
    "added, times half the number of arms"
)


def corrected_by_size(arms: NetworkArms) -> NetworkArms:
    """Return the arms with corrections in proportion to the sizes of arms instead of 0.5 a cell.

    With two arms this is the treatment-arm correction of Sweeting 2004 (n1 / (n1 + n2) and n2 / (n1 + n2)),
    which does not lean towards the larger arm; with more, the same with amounts that average 0.5. Arms of
    measures without sizes or corrections are returned as they are.
    """
    entry = ARM_MEASURES[arms.measure]
    if entry.name not in ("odds_ratio", "risk_ratio") or not set(entry.columns) <= set(arms.data):
        return arms
    corrected, log = _correct(arms.study, arms.data, is_rate=False, by_size=True)
    value, variance = entry.kernel(*(corrected[name] for name in entry.columns))
    kept = tuple(item for item in arms.assumptions if item.rule != CORRECTION)
    return replace(arms, value=value, variance=variance, assumptions=(*kept, *log))


def as_counted(arms: NetworkArms, model: str) -> NetworkArms:
    """Return the arms for a model of the counts themselves, without the corrections made for arm values.

    Raises
    ------
    UsageError
        If there are no counts, or the measure is no odds ratio.
    """
    if arms.measure != "odds_ratio" or not {"events", "total"} <= set(arms.data):
        raise UsageError(f"the {model} network needs events and totals of every arm and measure odds_ratio")
    kept = tuple(item for item in arms.assumptions if item.rule != CORRECTION)
    return replace(arms, assumptions=kept)


def arms_from_counts_or_means(
    measure: str,
    study: Sequence[str],
    technique: Sequence[str],
    data: Mapping[str, Sequence[float]],
    *,
    file: str = "table",
) -> NetworkArms:
    """Make network arms from long rows, one a study's arm.

    Two rows of one study with one technique are combined (counts added, means pooled) and logged. Studies
    left with one technique, and studies without an event in any arm (for ratios), are set aside by name.
    Where a study has an arm with no events (or nothing but events), 0.5 is added to each cell of all its
    arms, logged.

    Raises
    ------
    UnknownNameError
        For a measure that networks cannot be built from.
    DataError
        With every impossible row at once.
    NotEstimableError
        If no study compares two techniques.
    """
    if measure not in ARM_MEASURES:
        raise UnknownNameError("network measure", measure, ARM_MEASURES)
    entry = ARM_MEASURES[measure]
    columns = {name: np.asarray(data[name], dtype=float) for name in entry.columns}
    _check(columns, study, file)
    order = sorted(range(len(study)), key=lambda row: (list(dict.fromkeys(study)).index(study[row]), row))
    rows = [
        (study[row], technique[row], {name: float(column[row]) for name, column in columns.items()})
        for row in order
    ]
    merged, assumptions = _merge(rows)
    kept, set_aside = _comparing(merged, entry)
    if not kept:
        reasons = "; ".join(f"{item.study}: {item.reason}" for item in set_aside)
        raise NotEstimableError(
            f"no study compares two techniques with information on this measure ({reasons})"
        )
    values = {name: np.array([row[2][name] for row in kept]) for name in entry.columns}
    names = [row[0] for row in kept]
    corrected = dict(values)
    if entry.corrects_zeros:
        corrected, more = _correct(names, values, is_rate="time" in values)
        assumptions += more
    value, variance = entry.kernel(*(corrected[name] for name in entry.columns))
    return NetworkArms(
        measure=measure,
        study=tuple(names),
        technique=tuple(row[1] for row in kept),
        value=value,
        variance=variance,
        thumbs=values.get("total", np.full(len(kept), np.nan)),
        data=values,
        set_aside=tuple(set_aside),
        assumptions=tuple(assumptions),
    )


Row = tuple[str, str, dict[str, float]]


def _check(columns: Mapping[str, FloatArray], study: Sequence[str], file: str) -> None:
    problems = []

    def wrong(row: int, field: str, allowed: str) -> None:
        found = f"{columns[field][row]:g}"
        problems.append(
            Problem(
                file=file,
                line=row + 2,
                field=field,
                what=f"impossible in {study[row]}",
                found=found,
                allowed=allowed,
            )
        )

    for row in range(len(study)):
        for field, column in columns.items():
            if not np.isfinite(column[row]):
                wrong(row, field, "a number")
            elif field in ("total", "time", "sd") and column[row] <= 0:
                wrong(row, field, "more than 0")
            elif field == "events" and column[row] < 0:
                wrong(row, field, "0 or more")
        if "events" in columns and "total" in columns and columns["events"][row] > columns["total"][row]:
            wrong(row, "events", f"at most the total, {columns['total'][row]:g}")
    if problems:
        raise DataError(problems)


def _merge(rows: Sequence[Row]) -> tuple[list[Row], list[Assumption]]:
    """Combine arms of one study that had the same technique."""
    groups: dict[tuple[str, str], list[dict[str, float]]] = {}
    for study, technique, values in rows:
        groups.setdefault((study, technique), []).append(values)
    merged: list[Row] = []
    log: list[Assumption] = []
    for (study, technique), cells in groups.items():
        if len(cells) == 1:
            merged.append((study, technique, cells[0]))
            continue
        merged.append((study, technique, _together(cells)))
        log.append(
            Assumption(
                study=study,
                rule=f"{len(cells)} arms with {technique} were combined into one",
                inputs="; ".join(
                    ", ".join(f"{name} {value:g}" for name, value in cell.items()) for cell in cells
                ),
                reference="handbook",
            )
        )
    return merged, log


def _together(cells: Sequence[dict[str, float]]) -> dict[str, float]:
    if "mean" not in cells[0]:
        return {name: sum(cell[name] for cell in cells) for name in cells[0]}
    total = sum(cell["total"] for cell in cells)
    mean = sum(cell["total"] * cell["mean"] for cell in cells) / total
    squares = sum(
        (cell["total"] - 1) * cell["sd"] ** 2 + cell["total"] * (cell["mean"] - mean) ** 2 for cell in cells
    )
    return {"mean": mean, "sd": (squares / (total - 1)) ** 0.5, "total": total}


def _comparing(rows: Sequence[Row], entry: ArmMeasure) -> tuple[list[Row], list[SetAside]]:
    by_study: dict[str, list[Row]] = {}
    for row in rows:
        by_study.setdefault(row[0], []).append(row)
    kept, aside = [], []
    for study, arms in by_study.items():
        if len(arms) < 2:
            aside.append(
                SetAside(study=study, reason=f"only one technique ({arms[0][1]}): nothing is compared")
            )
        elif (
            entry.name != "risk_difference"
            and entry.corrects_zeros
            and all(arm[2]["events"] == 0 for arm in arms)
        ):
            aside.append(SetAside(study=study, reason="no events in any arm: no information on a ratio"))
        elif entry.name in ("odds_ratio", "risk_ratio") and all(
            arm[2]["events"] == arm[2]["total"] for arm in arms
        ):
            aside.append(
                SetAside(study=study, reason="nothing but events in every arm: no information on a ratio")
            )
        else:
            kept += arms
    return kept, aside


def _correct(
    study: Sequence[str], values: Mapping[str, FloatArray], *, is_rate: bool, by_size: bool = False
) -> tuple[dict[str, FloatArray], list[Assumption]]:
    events = values["events"]
    empty = events == 0 if is_rate else (events == 0) | (events == values["total"])
    touched = {name for name, none in zip(study, empty, strict=True) if none}
    amount = np.full(len(study), 0.5)
    if by_size:
        place = {name: number for number, name in enumerate(dict.fromkeys(study))}
        index = np.array([place[name] for name in study])
        size = np.bincount(index, weights=values["total"])[index]
        amount = values["total"] / size * np.bincount(index)[index] / 2
    add = np.where([name in touched for name in study], amount, 0.0)
    corrected = {**values, "events": events + add}
    if not is_rate:
        corrected["total"] = values["total"] + 2 * add
    log = [
        Assumption(
            study=name,
            rule=BY_SIZE if by_size else CORRECTION,
            reference="sweeting_2004",
        )
        for name in dict.fromkeys(study)
        if name in touched
    ]
    return corrected, log
