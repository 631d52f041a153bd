"""Pictures of headline_results.csv: `python -m tests.simulation.headline_figures`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib

matplotlib.use("Agg")

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from PIL import Image

from metakit.plots.style import HAIRLINE, INK, MEAN, QUIET, STUDY_LINE, styled
from tests.simulation.headline_cells import STUDIES

HERE = Path(__file__).resolve().parent
WORDS = {
    "risk_ratio_common": "risk ratio, 15 %",
    "risk_ratio_rare": "risk ratio, 2 %",
    "odds_ratio_rare": "odds ratio, 2 %",
    "proportion": "risk of one arm, 5 %",
    "standardized_mean_difference": "standardised difference",
}
LOOK = {
    "default": ("default", MEAN, "-", "o"),
    "hartung_knapp": ("Hartung-Knapp, floored", STUDY_LINE, "--", "s"),
    "mantel_haenszel": ("Mantel-Haenszel, sandwich", QUIET, ":", "^"),
    "profile": ("one stage, profile", INK, "-.", "D"),
}


def results() -> pd.DataFrame:
    """Return the judged cells."""
    table = pd.read_csv(HERE / "headline_results.csv")
    return table[~table["stress"].astype(str).str.lower().eq("true")]


def panels(title: str) -> tuple[Any, list[Any]]:
    """Return a figure with one panel a family."""
    families = list(results()["family"].unique())
    figure, axes = plt.subplots(1, len(families), figsize=(11, 2.9), sharey=True, layout="constrained")
    figure.suptitle(title, fontsize=9.5, x=0.01, ha="left")
    for axis, family in zip(axes, families, strict=True):
        axis.set_title(WORDS[family], fontsize=8.5)
        axis.set_xticks(range(len(STUDIES)), [str(k) for k in STUDIES], fontsize=8)
        axis.set_xlabel("studies", fontsize=8)
        axis.tick_params(labelsize=8, length=2)
        for side in ("top", "right"):
            axis.spines[side].set_visible(False)
    return figure, list(axes)


def lines(
    axis: Any,
    table: pd.DataFrame,
    column: str,
    dots: bool,
    answers: tuple[str, ...],
    scale: Callable[[Any], Any],
) -> None:
    """Draw the average over mechanisms and spreads, and one dot a cell of the default."""
    place = {k: i for i, k in enumerate(STUDIES)}
    if dots:
        own = table[table["answer"] == "default"]
        jitter = np.linspace(-0.25, 0.25, 5)
        mechanism = {name: i for i, name in enumerate(sorted(own["mechanism"].unique()))}
        x = own["k"].map(place) + jitter[own["mechanism"].map(mechanism)]
        shade = {0.0: 0.25, 0.3: 0.5, 0.6: 1.0}
        for spread, rows in own.groupby("tau"):
            axis.scatter(
                x[rows.index], scale(rows[column]), s=7, color=MEAN, alpha=shade[spread], linewidths=0
            )
    for name in answers:
        rows = table[(table["answer"] == name) & table[column].notna()]
        if len(rows):
            label, colour, dash, mark = LOOK[name]
            mean = scale(rows.groupby("k")[column].mean())
            axis.plot(
                [place[k] for k in mean.index],
                mean,
                dash,
                color=colour,
                marker=mark,
                ms=3.2,
                lw=1.1,
                label=label,
            )


def save(figure: Any, name: str) -> None:
    """Write a small picture."""
    path = HERE / name
    figure.savefig(path, dpi=110)
    plt.close(figure)
    Image.open(path).convert("RGB").quantize(64).save(path, optimize=True)


def percent(values: Any) -> Any:
    """Return per cent."""
    return 100 * values


def main() -> None:
    """Draw three pictures."""
    table = results()
    every = tuple(LOOK)
    with styled():
        for column, name, answers, title in (
            (
                "coverage", "headline_coverage.png", every,
                "Coverage of the mean effect by 95 % intervals. Lines: mean over mechanisms and spreads. "
                "Dots: cells of the default (tau 0 pale, 0.6 dark)",
            ),
            (
                "new_coverage", "headline_new_centre.png", every[:2],
                "Coverage of the effect in one new centre by 95 % prediction intervals. Lines and dots as before",
            ),
        ):  # fmt: skip
            figure, axes = panels(title)
            for axis, family in zip(axes, table["family"].unique(), strict=True):
                axis.axhline(95, color=HAIRLINE, lw=0.9, zorder=0)
                axis.axhline(90, color=HAIRLINE, lw=0.9, ls=":", zorder=0)
                lines(axis, table[table["family"] == family], column, True, answers, percent)
                axis.set_ylim(48, 101)
            axes[0].set_ylabel("per cent", fontsize=8)
            axes[2].legend(fontsize=7, frameon=False, loc="lower right")
            save(figure, name)
        figure, axes = panels("Mean width of the interval (log, logit or standard deviations)")
        for axis, family in zip(axes, table["family"].unique(), strict=True):
            lines(axis, table[table["family"] == family], "mean_width", False, every, lambda values: values)
            axis.set_yscale("log")
            axis.set_yticks([0.3, 1, 3, 10], ["0.3", "1", "3", "10"])
        axes[2].legend(fontsize=7, frameon=False, loc="upper right")
        save(figure, "headline_width.png")


if __name__ == "__main__":
    main()
