"""Answers to the drawn data sets of headline_protocol.md, by the default and by what stands beside it, counted.

    python -m tests.simulation.headline [family ...]

writes tests/simulation/headline_results.csv (one line a cell and answer) and headline_flips.csv; families that are
not named keep their lines. One process, about half an hour.
"""

from __future__ import annotations

import csv
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path

import numpy as np
from scipy import special, stats

from metakit.core.effects import BoolArray, FloatArray
from metakit.measures.families.one_arm_counts import proportion
from metakit.measures.families.two_arm_counts import odds_ratio, risk_ratio
from metakit.models.batch import random_effects_batch
from metakit.numerics.of_counts import one_stage_models as models
from metakit.numerics.of_counts.one_stage_fit import fit_latent
from metakit.numerics.of_counts.one_stage_profile import profile_limits
from metakit.numerics.posteriors.half_normal_effects import half_normal_effects
from tests.simulation.headline_cells import FAMILIES, Cell, Draw, cells, draw

HERE = Path(__file__).resolve().parent
REPEATS = {"risk_ratio_common": 2000, "standardized_mean_difference": 2000}
REPEATS_OF_COUNTS = 250
PROFILES = 60
Z2 = float(stats.chi2.ppf(0.95, 1))
Columns = Mapping[str, FloatArray]


@dataclass(slots=True)
class Answers:
    """Estimates, limits and limits for a new centre, shape (R,); NaN where there is no answer."""

    estimate: FloatArray
    lower: FloatArray
    upper: FloatArray
    new_lower: FloatArray
    new_upper: FloatArray

    @classmethod
    def none(cls, repeats: int) -> Answers:
        """Return answers that are all missing."""
        return cls(*(np.full(repeats, np.nan) for _ in fields(cls)))

    def put(self, rows: BoolArray, *values: FloatArray) -> Answers:
        """Fill rows, columns in the order of the fields."""
        for field, value in zip(fields(self), values, strict=False):
            getattr(self, field.name)[rows] = value
        return self


@dataclass(slots=True)
class Line:
    """What is counted for one cell and one way of answering; shares among the data sets with an answer."""

    family: str
    mechanism: str
    k: int
    tau: float
    stress: bool
    answer: str
    repeats: int
    not_estimable: float
    coverage: float
    new_coverage: float
    bias: float
    mean_width: float
    median_width: float


def normal_columns(family: str, columns: Columns) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return effects, variances and who is informative, empty arms corrected as the default does."""
    if family == "standardized_mean_difference":
        return columns["g"], columns["g_variance"], np.ones(columns["g"].shape, dtype=bool)
    if family == "proportion":
        found = proportion(columns)
    else:
        found = (odds_ratio if family.startswith("odds") else risk_ratio)(columns, zero_cells="treatment_arm")
    here = found.estimable
    return np.where(here, found.effect, 0.0), np.where(here, found.variance, 1.0), here


def informative(family: str, columns: Columns) -> BoolArray:
    """Say which studies carry weight in the default."""
    if family == "standardized_mean_difference":
        return np.ones(columns["g"].shape, dtype=bool)
    if family == "proportion":
        return np.ones(columns["events"].shape, dtype=bool)
    a, n1, c, n2 = (columns[name] for name in ("events_1", "total_1", "events_2", "total_2"))
    return (a + c > 0) & ~((a == n1) & (c == n2))


def answerable(family: str, columns: Columns) -> BoolArray:
    """Say which data sets have a headline: two informative studies, an event, not all events in one arm."""
    here = informative(family, columns).sum(axis=-1) > 1
    if family == "proportion":
        return here
    if "events_1" in columns:
        here = here & (columns["events_1"].sum(axis=-1) > 0) & (columns["events_2"].sum(axis=-1) > 0)
    return here


def default(family: str, columns: Columns, rows: BoolArray) -> Answers:
    """Return the default's answers."""
    from tests.simulation.headline_counts import count_answers

    answers = Answers.none(len(rows))
    if family in ("risk_ratio_common", "standardized_mean_difference"):
        effect, variance, here = normal_columns(family, columns)
        found = half_normal_effects(effect[rows], variance[rows], here[rows], spread=False)
        return answers.put(rows, found.median, found.lower, found.upper, found.new_lower, found.new_upper)
    part = {name: column[rows] for name, column in columns.items()}
    return answers.put(rows, *count_answers(family, part, informative(family, columns)[rows]))


def hartung_knapp(family: str, columns: Columns) -> Answers:
    """REML, floored Hartung-Knapp t(k - 1); new centre with the floored error and t(k - 1)."""
    effect, variance, here = normal_columns(family, columns)
    count = here.sum(axis=-1)
    rows = count > 1
    answers = Answers.none(len(effect))
    if not rows.any():
        return answers
    found = random_effects_batch(effect[rows], variance[rows], here[rows], prediction=None)
    quantile = stats.t.ppf(0.975, count[rows] - 1)
    error = (found.mean.upper - found.mean.estimate) / quantile
    away = quantile * np.sqrt(error**2 + found.tau2.tau2)
    middle = found.mean.estimate
    return answers.put(rows, middle, found.mean.lower, found.mean.upper, middle - away, middle + away)


def mantel_haenszel(family: str, columns: Columns) -> Answers:
    """Mantel-Haenszel ratio with the sandwich variance of its estimating equation (Noma & Nagashima)."""
    a, n1, c, n2 = (columns[name] for name in ("events_1", "total_1", "events_2", "total_2"))
    total = n1 + n2
    if family.startswith("odds"):
        top, bottom = a * (n2 - c) / total, c * (n1 - a) / total
    else:
        top, bottom = a * n2 / total, c * n1 / total
    rows = (top.sum(axis=-1) > 0) & (bottom.sum(axis=-1) > 0)
    top, bottom = top[rows], bottom[rows]
    ratio = top.sum(axis=-1) / bottom.sum(axis=-1)
    pieces = top - ratio[:, None] * bottom
    error = np.sqrt((pieces**2).sum(axis=-1)) / top.sum(axis=-1)
    middle, z = np.log(ratio), np.sqrt(Z2)
    return Answers.none(len(a)).put(rows, middle, middle - z * error, middle + z * error)


def profile(family: str, columns: Columns) -> Answers:
    """One-stage maximum likelihood and its profile interval (chi-squared)."""
    here = informative(family, columns)
    if family == "proportion":
        x, n = columns["events"], columns["total"]
        rows = (x.sum(axis=-1) > 0) & (x.sum(axis=-1) < n.sum(axis=-1))
        prepared = models.binomial_normal(x[rows], n[rows])
    else:
        names = ("events_1", "total_1", "events_2", "total_2")
        a, n1, c, n2 = (np.where(here, columns[name], 0.0) for name in names)
        rows = answerable(family, columns)
        make = (
            models.hypergeometric_normal if family.startswith("odds") else models.conditional_binomial_normal
        )
        sizes = [np.where(here, part, 1.0) for part in (n1, n2)]
        prepared = make(a[rows], sizes[0][rows], c[rows], sizes[1][rows])
    fit = fit_latent(prepared.model, prepared.beta, prepared.intercepts)
    lower, upper = profile_limits(prepared.model, fit, parameter=0, cutoff=np.full(int(rows.sum()), Z2))
    return Answers.none(len(rows)).put(rows, fit.maximum.parameters[:, 0], lower, upper)


def counted(cell: Cell, name: str, answers: Answers, new_effect: FloatArray) -> Line:
    """Count one way of answering."""
    here = np.isfinite(answers.estimate) & ~np.isnan(answers.lower) & ~np.isnan(answers.upper)
    lower, upper = answers.lower[here], answers.upper[here]
    finite = np.isfinite(upper - lower)
    widths = (upper - lower)[finite]
    new = here & np.isfinite(answers.new_lower)
    inside = (answers.new_lower[new] <= new_effect[new]) & (new_effect[new] <= answers.new_upper[new])

    def mean(values: FloatArray | BoolArray) -> float:
        return float(np.mean(values)) if len(values) else float("nan")

    return Line(
        family=cell.family,
        mechanism=cell.mechanism,
        k=cell.k,
        tau=cell.tau,
        stress=cell.stress,
        answer=name,
        repeats=len(here),
        not_estimable=1 - mean(here),
        coverage=mean((lower <= cell.theta) & (cell.theta <= upper)),
        new_coverage=mean(inside),
        bias=mean(answers.estimate[here] - cell.theta),
        mean_width=mean(widths),
        median_width=float(np.median(widths)) if len(widths) else float("nan"),
    )


def run(cell: Cell, repeats: int = 0) -> Iterator[Line]:
    """Answer and count one cell."""
    drawn = draw(cell, repeats or REPEATS.get(cell.family, REPEATS_OF_COUNTS))
    columns = drawn.columns
    yield counted(
        cell, "default", default(cell.family, columns, answerable(cell.family, columns)), drawn.new_effect
    )
    yield counted(cell, "hartung_knapp", hartung_knapp(cell.family, columns), drawn.new_effect)
    if "events_1" in columns:
        yield counted(cell, "mantel_haenszel", mantel_haenszel(cell.family, columns), drawn.new_effect)
    if cell.family in ("risk_ratio_rare", "odds_ratio_rare", "proportion"):
        first = {name: column[:PROFILES] for name, column in columns.items()}
        yield counted(cell, "profile", profile(cell.family, first), drawn.new_effect[:PROFILES])


# --- flips ---------------------------------------------------------------------------------------


@dataclass(slots=True)
class FlipLine:
    """One event more or less: share of changes that move a limit across the border, and widths' ratios."""

    family: str
    k: int
    answer: str
    changes: int
    flips: float
    narrowest: float
    widest: float
    lost: float


def changed(drawn: Draw) -> tuple[dict[str, FloatArray], FloatArray]:
    """Return every data set with one event more or less in one arm of one study, and whose it is."""
    names = [name for name in drawn.columns if name.startswith("events")]
    kept: list[dict[str, FloatArray]] = []
    owners = []
    for name in names:
        total = drawn.columns[name.replace("events", "total")]
        for study in range(drawn.cell.k):
            for step in (-1.0, 1.0):
                moved = drawn.columns[name].copy()
                moved[:, study] += step
                rows = (moved[:, study] >= 0) & (moved[:, study] <= total[:, study])
                columns = {**drawn.columns, name: moved}
                kept.append({key: column[rows] for key, column in columns.items()})
                owners.append(np.nonzero(rows)[0])
    joined = {key: np.concatenate([part[key] for part in kept]) for key in drawn.columns}
    return joined, np.concatenate(owners)


def side(answers: Answers, border: float) -> FloatArray:
    """Return -1 below the border, 1 above, 0 across it; NaN without an answer."""
    place = np.where(answers.upper < border, -1.0, np.where(answers.lower > border, 1.0, 0.0))
    return np.where(np.isnan(answers.lower), np.nan, place)


def flips(cell: Cell, repeats: int) -> Iterator[FlipLine]:
    """Count what one event does to the default and to floored Hartung-Knapp."""
    drawn = draw(cell, repeats)
    border = float(special.logit(0.05)) if cell.family == "proportion" else 0.0
    columns, owner = changed(drawn)

    def by_default(data: Columns) -> Answers:
        return default(cell.family, data, answerable(cell.family, data))

    for name, way in (
        ("default", by_default),
        ("hartung_knapp", lambda data: hartung_knapp(cell.family, data)),
    ):
        before, after = way(drawn.columns), way(columns)
        first, then = side(before, border)[owner], side(after, border)
        both = ~np.isnan(first) & ~np.isnan(then)
        ratio = (after.upper - after.lower)[both] / (before.upper - before.lower)[owner][both]
        low, high = np.quantile(ratio, [0.005, 0.995])
        yield FlipLine(
            family=cell.family,
            k=cell.k,
            answer=name,
            changes=int(both.sum()),
            flips=float(np.mean(first[both] != then[both])),
            narrowest=float(low),
            widest=float(high),
            lost=float(np.mean(np.isnan(first) != np.isnan(then))),
        )


# --- writing -------------------------------------------------------------------------------------


def kept_lines(path: Path, families: list[str]) -> list[dict[str, str]]:
    """Return the lines of families that are not run again."""
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["family"] not in families]


def write(path: Path, kind: type, rows: list[dict[str, object]]) -> None:
    """Write lines, numbers to four digits after the point."""
    shown = [
        {key: f"{value:.4f}" if isinstance(value, float) else value for key, value in row.items()}
        for row in rows
    ]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, [field.name for field in fields(kind)], lineterminator="\n")
        writer.writeheader()
        writer.writerows(shown)


def main(families: list[str]) -> None:
    """Run families, one after the other."""
    paths = HERE / "headline_results.csv", HERE / "headline_flips.csv"
    lines: list[dict[str, object]] = [dict(row) for row in kept_lines(paths[0], families)]
    turned: list[dict[str, object]] = [dict(row) for row in kept_lines(paths[1], families)]
    for family in families:
        started = time.process_time()
        lines += [asdict(line) for cell in cells() if cell.family == family for line in run(cell)]
        if family != "standardized_mean_difference":
            for k, repeats in ((2, 60), (3, 40), (5, 24)):
                turned += [asdict(line) for line in flips(Cell(family, "heavy_tails", k, 0.3), repeats)]
        write(paths[0], Line, lines)
        write(paths[1], FlipLine, turned)
        print(f"{family}: {time.process_time() - started:.0f} s of processor time", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:] or list(FAMILIES))
