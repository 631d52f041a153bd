"""The seven criteria of headline_protocol.md, judged on headline_results.csv: `python -m tests.simulation.headline_verdict`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).resolve().parent
BY_K = ["family", "k"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """One criterion: what was asked, what was found where it is worst, and whether it fails."""

    number: int
    asked: str
    found: str
    fails: bool


def read(name: str) -> pd.DataFrame:
    """Return a table of results."""
    return pd.read_csv(HERE / name)


def judged(table: pd.DataFrame, answer: str = "default") -> pd.DataFrame:
    """Return the 375 cells of one way of answering, with the Monte Carlo error of each coverage."""
    own = table[(table["answer"] == answer) & ~table["stress"].astype(bool)].copy()
    answered = own["repeats"] * (1 - own["not_estimable"])
    for name in ("coverage", "new_coverage"):
        own[f"{name}_error"] = np.sqrt(own[name] * (1 - own[name]) / answered)
    own["bias_error"] = own["mean_width"] / 3.92 / np.sqrt(answered)
    return own


def averaged(own: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return the mean over mechanisms and spreads by family and k, with its error."""
    grouped = own.groupby(BY_K)
    mean = grouped[name].mean()
    error = grouped[f"{name}_error"].agg(lambda part: float(np.sqrt((part**2).sum())) / len(part))
    return pd.DataFrame({"mean": mean, "error": error})


def where(index: object) -> str:
    """Return a family and k in words."""
    family, k = index  # type: ignore[misc]
    return f"{family}, k = {k}"


def verdicts(table: pd.DataFrame, flips: pd.DataFrame, answer: str = "default") -> list[Verdict]:
    """Judge all criteria; the sixth compares the default with floored Hartung-Knapp and is left out for others."""
    own = judged(table, answer)
    found = []

    mean = averaged(own, "coverage")
    worst = mean["mean"].idxmin()
    found.append(
        Verdict(
            1,
            "coverage of the mean, by family and k, 92.5 % or more",
            f"lowest {100 * mean['mean'].min():.1f} % ({where(worst)})",
            bool((mean["mean"] + 2 * mean["error"] < 0.925).any()),
        )
    )
    low = own["coverage"] + 2 * own["coverage_error"] < 0.90
    found.append(
        Verdict(
            2,
            "at most one cell in twenty below 90 %",
            f"{int((own['coverage'] < 0.90).sum())} of {len(own)} cells, {int(low.sum())} of them clearly",
            bool(low.mean() > 0.05),
        )
    )
    very_low = own[own["coverage"] + 2 * own["coverage_error"] < 0.85]
    bottom = own.loc[own["coverage"].idxmin()]
    found.append(
        Verdict(
            3,
            "no cell below 85 %",
            f"{len(very_low)} cell{'s' * (len(very_low) != 1)} clearly below; lowest {100 * bottom['coverage']:.1f} % ({bottom['family']}, "
            f"{bottom['mechanism']}, k = {bottom['k']}, tau {bottom['tau']:g})",
            len(very_low) > 0,
        )
    )
    ahead = averaged(own[own["k"] >= 5], "new_coverage")
    found.append(
        Verdict(
            4,
            "coverage of a new centre from k = 5 on, by family and k, 90 % or more",
            f"lowest {100 * ahead['mean'].min():.1f} % ({where(ahead['mean'].idxmin())})",
            bool((ahead["mean"] + 2 * ahead["error"] < 0.90).any()),
        )
    )
    bias = averaged(own[own["k"] >= 10], "bias")
    away = bias["mean"].abs()
    found.append(
        Verdict(
            5,
            "absolute bias at k = 10 and 20, by family and k, at most 0.1",
            f"largest {bias.loc[away.idxmax(), 'mean']:+.3f} ({where(away.idxmax())})",
            bool((away - 2 * bias["error"] > 0.1).any()),
        )
    )
    if answer == "default":
        judged_cells = table[~table["stress"].astype(bool) & (table["k"] <= 3)]
        width = judged_cells.groupby(["answer", *BY_K])["mean_width"].mean()
        ratio = width["default"] / width["hartung_knapp"]
        found.append(
            Verdict(
                6,
                "mean width at k = 2 and 3 below that of floored Hartung-Knapp",
                f"largest ratio {ratio.max():.2f} ({where(ratio.idxmax())})",
                bool((ratio >= 1).any()),
            )
        )
    turned = flips[flips["answer"] == answer]
    share = turned.groupby("family")["flips"].mean()
    error = np.sqrt(share * (1 - share) / turned.groupby("family")["changes"].sum())
    found.append(
        Verdict(
            7,
            "at most 5 % of the changes by one event move a limit across no effect",
            f"largest {100 * share.max():.1f} % ({share.idxmax()})",
            bool((share - 2 * error > 0.05).any()),
        )
    )
    return found


def markdown(found: list[Verdict]) -> str:
    """Return the table of the report."""
    rows = ["| | asked | found | |", "|---|---|---|---|"]
    rows += [
        f"| {item.number} | {item.asked} | {item.found} | {'**fails**' if item.fails else 'holds'} |"
        for item in found
    ]
    return "\n".join(rows)


def summary(table: pd.DataFrame) -> str:
    """Return coverage, bias and width by family, k and answer, averaged over mechanisms and spreads."""
    kept = table[~table["stress"].astype(bool)]
    mean = kept.groupby(["family", "k", "answer"], sort=False)[
        ["coverage", "new_coverage", "bias", "mean_width"]
    ].mean()
    lost = kept.groupby(["family", "k", "answer"], sort=False)["not_estimable"].max()
    rows = [
        "| family | k | answer | coverage | new centre | bias | mean width | not estimable, worst cell |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for key, row in mean.iterrows():
        family, k, answer = key  # type: ignore[misc]
        ahead = "" if np.isnan(row["new_coverage"]) else f"{100 * row['new_coverage']:.1f}"
        rows.append(
            f"| {family} | {k} | {answer} | {100 * row['coverage']:.1f} | {ahead} | {row['bias']:+.2f} | "
            f"{row['mean_width']:.2f} | {100 * lost.loc[key]:.0f} % |"
        )
    return "\n".join(rows)


def low_cells(table: pd.DataFrame) -> str:
    """Return every cell of the default below 90 %, stress cells too, with floored Hartung-Knapp beside it."""
    keys = ["family", "mechanism", "k", "tau"]
    both = table.pivot_table(index=keys, columns="answer", values=["coverage", "mean_width"])
    low = both[both["coverage"]["default"] < 0.90].sort_values(("coverage", "default"))
    rows = [
        "| family | mechanism | k | tau | default | Hartung-Knapp | width | width, Hartung-Knapp |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for key, row in low.iterrows():
        family, mechanism, k, tau = key  # type: ignore[misc]
        rows.append(
            f"| {family} | {mechanism} | {k} | {tau:g} | {100 * row['coverage', 'default']:.1f} | "
            f"{100 * row['coverage', 'hartung_knapp']:.1f} | {row['mean_width', 'default']:.2f} | "
            f"{row['mean_width', 'hartung_knapp']:.2f} |"
        )
    return "\n".join(rows)


def blocks(table: pd.DataFrame, flips: pd.DataFrame) -> dict[str, str]:
    """Return the tables of the report by name."""
    return {
        "verdicts": markdown(verdicts(table, flips)),
        "verdicts on Hartung-Knapp": markdown(verdicts(table, flips, "hartung_knapp")),
        "summary": summary(table),
        "low cells": low_cells(table),
        "flips": flip_table(flips),
    }


def short(table: pd.DataFrame) -> str:
    """Return the table of the contributors' page: coverage by family and k, and the worst cell of each family."""
    kept = table[~table["stress"].astype(bool)]
    mean = kept.pivot_table(index="family", columns=["k", "answer"], values="coverage", sort=False)
    own = kept[kept["answer"] == "default"]
    ks = sorted(kept["k"].unique())
    rows = [
        "| family | " + " | ".join(f"k = {k}" for k in ks) + " | worst cell |",
        "|---" * (len(ks) + 2) + "|",
    ]
    for family, row in mean.iterrows():
        low = own.loc[own.loc[own["family"] == family, "coverage"].idxmin()]
        cells = [f"**{100 * row[k, 'default']:.1f}** / {100 * row[k, 'hartung_knapp']:.1f}" for k in ks]
        worst = f"{100 * low['coverage']:.1f} ({low['mechanism']}, k = {low['k']}, tau {low['tau']:g})"
        rows.append(f"| {family} | {' | '.join(cells)} | {worst} |")
    return "\n".join(rows)


def flip_table(flips: pd.DataFrame) -> str:
    """Return what one event does, by family and k, the default and floored Hartung-Knapp."""
    rows = [
        "| family | k | changes | default: limits that cross | widths x | Hartung-Knapp: limits that cross | widths x |",
        "|---|---|---|---|---|---|---|",
    ]
    for key, part in flips.groupby(["family", "k"], sort=False):
        family, k = key  # type: ignore[misc]
        own, other = (part[part["answer"] == name].iloc[0] for name in ("default", "hartung_knapp"))
        cells = [
            f"{100 * row['flips']:.1f} % | {row['narrowest']:.2f} to {row['widest']:.2f}"
            for row in (own, other)
        ]
        rows.append(f"| {family} | {k} | {own['changes']} | {' | '.join(cells)} |")
    return "\n".join(rows)


def renew(text: str, named: dict[str, str]) -> str:
    """Return the report with its tables, each between two comments that name it, made again."""
    for name, table in named.items():
        first, last = f"<!-- {name} -->\n", f"\n<!-- end of {name} -->"
        start, end = text.index(first) + len(first), text.index(last)
        text = text[:start] + table + text[end:]
    return text


PAGES = {"report": HERE / "headline_results.md", "chapter": HERE.parents[1] / "metakit/models/COVERAGE.md"}


def renewed(table: pd.DataFrame, flips: pd.DataFrame) -> dict[Path, str]:
    """Return the pages that show results, with their tables made again."""
    named = {"report": blocks(table, flips), "chapter": {"short": short(table)}}
    return {path: renew(path.read_text(encoding="utf-8"), named[page]) for page, path in PAGES.items()}


if __name__ == "__main__":
    for path, text in renewed(read("headline_results.csv"), read("headline_flips.csv")).items():
        path.write_text(text, encoding="utf-8")
