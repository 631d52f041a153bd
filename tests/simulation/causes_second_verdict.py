"""The choice of causes_protocol_2.md, made from causes_results_2.csv.

    python -m tests.simulation.causes_second_verdict

writes the tables of the second run into causes_results.md.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from tests.simulation.causes_verdict import by_k, by_mechanism, place

HERE = Path(__file__).resolve().parent
COMMONER = 3
"""The first three causes, whose mean shares lie near 0.50, 0.30 and 0.15."""
WITHIN = 0.05
"""Share of width within which the Dirichlet-multinomial is taken."""


def read() -> pd.DataFrame:
    """Return the results of the second run."""
    return pd.read_csv(HERE / "causes_results_2.csv")


def mean_by_k(part: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Return coverage averaged over causes and cells of each k, with its error by data sets."""
    cells = part.groupby(["k", "mechanism", "spread"], sort=False).agg(
        coverage=("coverage", "mean"), error=("mean_error", "first")
    )
    grouped = cells.groupby("k")
    error = grouped["error"].agg(lambda item: float(np.sqrt((item**2).sum())) / len(item))
    return grouped["coverage"].mean(), error


def fails(part: pd.DataFrame) -> list[bool]:
    """Return which of the three criteria a candidate misses by more than two standard errors."""
    mean, error = mean_by_k(part)
    large = part[part["cause"] <= COMMONER]
    return [
        bool((mean + 2 * error < 0.925).any()),
        bool((large["coverage"] + 2 * large["coverage_error"] < 0.85).any()),
        bool((large["bias"].abs() - 2 * large["bias_error"] > 0.05).any()),
    ]


def lowest(part: pd.DataFrame) -> pd.Series:
    """Return the line of the lowest coverage of one of the commoner causes."""
    large = part[part["cause"] <= COMMONER]
    return large.loc[large["coverage"].idxmin()]


def chosen(table: pd.DataFrame) -> tuple[str, bool]:
    """Return the model that rule 4 chooses, and whether it holds."""
    parts = dict(iter(table.groupby("candidate", sort=False)))
    holding = [name for name, part in parts.items() if not any(fails(part))]
    if not holding:
        return max(parts, key=lambda name: float(lowest(parts[name])["coverage"])), False
    width = {name: float(parts[name]["mean_width"].mean()) for name in holding}
    narrowest = min(width, key=lambda name: width[name])
    first = "dirichlet_multinomial"
    if first in width and width[first] <= (1 + WITHIN) * width[narrowest]:
        return first, True
    return narrowest, True


def judged(table: pd.DataFrame) -> str:
    """Return the criteria for each candidate, with the error of each, and the choice."""
    rows = [
        "| candidate | lowest coverage of a k (92.5 %) | lowest coverage of a commoner cause (85 %) "
        "| largest bias of one (0.05) | mean width | |",
        "|---|---|---|---|---|---|",
    ]
    for candidate, part in table.groupby("candidate", sort=False):
        mean, error = mean_by_k(part)
        low, large = lowest(part), part[part["cause"] <= COMMONER]
        away = large.loc[large["bias"].abs().idxmax()]
        missed = fails(part)
        words = ", ".join(str(number + 1) for number, one in enumerate(missed) if one)
        k = mean.idxmin()
        rows.append(
            f"| {candidate} | {100 * mean[k]:.1f} % ± {100 * error[k]:.1f} (k = {k}) "
            f"| {100 * low['coverage']:.1f} % ± {100 * low['coverage_error']:.1f} ({place(low)}) "
            f"| {away['bias']:+.3f} ± {away['bias_error']:.3f} ({place(away)}) "
            f"| {part['mean_width'].mean():.4f} | {f'**fails {words}**' if words else 'holds'} |"
        )
    name, holds = chosen(table)
    verdict = "by rule 4" if holds else "by rule 4 although none holds"
    return "\n".join([*rows, "", f"Chosen {verdict}: **{name}**."])


def near(table: pd.DataFrame) -> str:
    """Return every coverage of a commoner cause below 88 %, whatever the candidate."""
    large = table[(table["cause"] <= COMMONER) & (table["coverage"] < 0.88)]
    wide = large.sort_values(["k", "mechanism", "cause", "candidate"])
    rows = ["| cell and cause | candidate | coverage |", "|---|---|---|"]
    rows += [
        f"| {place(row)} | {row['candidate']} | {100 * row['coverage']:.1f} ± {100 * row['coverage_error']:.1f} |"
        for _, row in wide.iterrows()
    ]
    return "\n".join(rows)


def redone(table: pd.DataFrame) -> str:
    """Return how often the logistic-normal was answered with more draws."""
    part = table[(table["candidate"] == "logistic_normal") & (table["cause"] == 1)]
    rows = ["| k | answered with 10,000 draws, % of data sets |", "|---|---|"]
    rows += [f"| {k} | {100 * share:.1f} |" for k, share in part.groupby("k")["redone"].mean().items()]
    return "\n".join(rows)


def commonest(table: pd.DataFrame, candidate: str) -> tuple[float, float]:
    """Return lowest and highest coverage of the commonest cause where centres are of two kinds, over all k."""
    part = table[
        (table["candidate"] == candidate) & (table["mechanism"] == "two_kinds") & (table["cause"] == 1)
    ]
    return float(part["coverage"].min()), float(part["coverage"].max())


def blocks(table: pd.DataFrame) -> dict[str, str]:
    """Return the tables of the second run by name."""
    return {
        "judged again": judged(table),
        "near": near(table),
        "by k again": by_k(table),
        "by mechanism again": by_mechanism(table),
        "redone": redone(table),
    }


if __name__ == "__main__":
    from tests.simulation.headline_verdict import renew

    report = HERE / "causes_results.md"
    report.write_text(renew(report.read_text(encoding="utf-8"), blocks(read())), encoding="utf-8")
