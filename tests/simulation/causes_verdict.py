"""The choice of causes_protocol.md, made from causes_results.csv: `python -m tests.simulation.causes_verdict`."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).resolve().parent


def read() -> pd.DataFrame:
    """Return the results, with the Monte Carlo error of each coverage."""
    table = pd.read_csv(HERE / "causes_results.csv")
    table["error"] = np.sqrt(table["coverage"] * (1 - table["coverage"]) / table["repeats"])
    return table


def by_k(table: pd.DataFrame) -> str:
    """Return coverage, of a new centre too, bias and width by candidate and k, averaged over causes and cells."""
    rows = ["| candidate | k | coverage | new centre | mean width |", "|---|---|---|---|---|"]
    for key, part in table.groupby(["candidate", "k"], sort=False):
        candidate, k = key  # type: ignore[misc]
        ahead = part["new_coverage"].mean()
        shown = "" if np.isnan(ahead) else f"{100 * ahead:.1f}"
        rows.append(
            f"| {candidate} | {k} | {100 * part['coverage'].mean():.1f} | {shown} | {part['mean_width'].mean():.3f} |"
        )
    return "\n".join(rows)


def judged(table: pd.DataFrame) -> str:
    """Return the three criteria for each candidate."""
    rows = [
        "| candidate | lowest coverage of a k (92.5 % or more) | lowest coverage of a cause of 0.15 or more (85 %) "
        "| largest bias of one (0.05) | |",
        "|---|---|---|---|---|",
    ]
    for candidate, part in table.groupby("candidate", sort=False):
        grouped = part.groupby("k")
        mean = grouped["coverage"].mean()
        error = grouped["error"].agg(lambda item: float(np.sqrt((item**2).sum())) / len(item))
        large = part[part["truth"] >= 0.14]
        low, away = large.loc[large["coverage"].idxmin()], large.loc[large["bias"].abs().idxmax()]
        fails = [
            bool((mean + 2 * error < 0.925).any()),
            bool((large["coverage"] + 2 * large["error"] < 0.85).any()),
            bool(large["bias"].abs().max() > 0.05),
        ]
        words = (
            "holds"
            if not any(fails)
            else "**fails " + ", ".join(str(i + 1) for i in range(3) if fails[i]) + "**"
        )
        rows.append(
            f"| {candidate} | {100 * mean.min():.1f} % (k = {mean.idxmin()}) | {100 * low['coverage']:.0f} % ({place(low)}) "
            f"| {away['bias']:+.3f} ({place(away)}) | {words} |"
        )
    return "\n".join(rows)


def place(row: pd.Series) -> str:
    """Return a cell and cause in words."""
    return f"k = {row['k']}, {row['mechanism']}, {row['spread']} spread, cause {row['cause']}"


def by_mechanism(table: pd.DataFrame) -> str:
    """Return coverage by mechanism and spread, averaged over k and causes."""
    wide = table.pivot_table(
        index=["mechanism", "spread"], columns="candidate", values="coverage", sort=False
    )
    rows = [
        "| mechanism | spread | " + " | ".join(wide.columns) + " |",
        "|---" * (2 + len(wide.columns)) + "|",
    ]
    for key, row in wide.iterrows():
        mechanism, spread = key  # type: ignore[misc]
        rows.append(f"| {mechanism} | {spread} | " + " | ".join(f"{100 * value:.1f}" for value in row) + " |")
    return "\n".join(rows)


def blocks(table: pd.DataFrame) -> dict[str, str]:
    """Return the tables of the report by name."""
    return {"judged": judged(table), "by k": by_k(table), "by mechanism": by_mechanism(table)}


if __name__ == "__main__":
    from tests.simulation.headline_verdict import renew

    report = HERE / "causes_results.md"
    report.write_text(renew(report.read_text(encoding="utf-8"), blocks(read())), encoding="utf-8")
