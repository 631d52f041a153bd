"""Invented contents for the tests of figures; no number here belongs to a real study."""

from __future__ import annotations

import math
import random

from metakit.plots.forests.content import (
    ForestContent,
    ForestGroup,
    ForestRow,
    ForestSummary,
    FunnelContent,
    FunnelPoint,
)
from metakit.plots.forests.overview_content import OverviewContent, OverviewRow

NASTY_NAMES = (
    "Amsel 2011",
    "Amsel 2011",
    "A study with an exceedingly long name by the hand surgery group of northern and southern provinces 2019",
    "US$5 vs US$6 $\\frac{a}$",
    "😀🦴 Emoji 2020",
    "دراسة الإبهام 2018",
    "拇指研究 2017",
    "<script>alert(1)</script>",
    "Donaudampfschifffahrtsgesellschaftskapitänswitwenverband2020",
    "NA",
    "",
    "evil \u202etxt.exe\x00 name",
)

SPREAD = (
    "Spread of the true effects (τ) on the log scale: 0.31 (95 % interval 0.05 to 0.80). Are all the same? Q 12.3 "
    "on 7 degrees of freedom, p = 0.09. Share of the variation beyond chance (I²): 43 % (0 to 75 %)."
)


def rows(count: int, *, seed: int = 1, names: tuple[str, ...] = ()) -> tuple[ForestRow, ...]:
    draw = random.Random(seed)
    raw = []
    for number in range(count):
        sizes = draw.randint(15, 140), draw.randint(15, 140)
        error = math.sqrt(8 / sizes[0] + 8 / sizes[1]) * draw.uniform(0.7, 1.3)
        name = names[number % len(names)] if names else f"Study {number} {draw.randint(1998, 2024)}"
        raw.append((name, sizes, math.exp(draw.gauss(-0.3, 0.4)), error))
    total = math.fsum(1 / (error**2 + 0.1) for *_, error in raw)
    return tuple(
        ForestRow(
            study=name,
            cells=(f"{draw.randint(1, 12)}/{sizes[0]}", f"{draw.randint(1, 15)}/{sizes[1]}"),
            estimate=estimate,
            lower=estimate * math.exp(-1.96 * error),
            upper=estimate * math.exp(1.96 * error),
            weight=1 / (error**2 + 0.1) / total,
        )
        for name, sizes, estimate, error in raw
    )


def mean(label: str, *, prediction: bool = True, text: str = SPREAD) -> ForestSummary:
    return ForestSummary(
        label=label,
        estimate=0.75,
        lower=0.52,
        upper=1.07,
        prediction=(0.36, 1.55) if prediction else None,
        cells=("41/312", "55/320"),
        text=text,
    )


def forest(
    groups: tuple[ForestGroup, ...], summary: ForestSummary | None = None, **changes: object
) -> ForestContent:
    facts: dict[str, object] = {
        "title": "Any complication after LRTI against trapeziectomy alone (invented data)",
        "headings": ("LRTI events/thumbs", "Trapeziectomy events/thumbs"),
        "estimate_heading": "Risk ratio",
        "axis": "log",
        "null": 1.0,
        "left_words": "fewer complications after LRTI",
        "right_words": "more complications after LRTI",
        "footnotes": ("Spread estimated by restricted maximum likelihood.",),
    }
    return ForestContent(groups=groups, summary=summary, **(facts | changes))  # type: ignore[arg-type]


def one_group(count: int, **changes: object) -> ForestContent:
    label = f"Random-effects mean, {count} studies"
    return forest((ForestGroup(label="", rows=rows(count)),), mean(label), **changes)


def _nil(count: int) -> tuple[ForestRow, ...]:
    return tuple(
        ForestRow(study=f"Nil {i}", cells=("0/20", "0/22"), note="no events in either arm: no ratio")
        for i in range(count)
    )


def _extreme() -> ForestContent:
    numbers = (
        (1e-6, 1e-9, 1e-3), (1e6, 10.0, 1e9), (1.0, 0.9, 1.1), (0.5, 0.0, math.inf), (1.2, 0.9, 1.6),
        (0.8, 0.6, 1.1), (1.1, 0.8, 1.5),
    )  # fmt: skip
    weights = (0.05, 0.05, 0.5, 0.01, 0.2, 0.09, 0.1)
    members = tuple(
        ForestRow(study=f"Extreme {i}", cells=("1/10", "2/10"), estimate=e, lower=low, upper=high, weight=w)
        for i, ((e, low, high), w) in enumerate(zip(numbers, weights, strict=True))
    )
    return forest((ForestGroup(label="", rows=members),), mean("Mean of 7 studies"))


def _proportions() -> ForestContent:
    counts = ((0, 54), (4, 140), (5, 72), (15, 222), (1, 99))
    members = tuple(
        ForestRow(
            study=f"Series {i}", cells=(f"{x}/{n}",), estimate=x / n, lower=max(0.0, x / n - 0.03), upper=x / n + 0.07,
            weight=0.2,
        )
        for i, (x, n) in enumerate(counts)
    )  # fmt: skip
    pooled = ForestSummary(
        label="One-stage mean", estimate=0.035, lower=0.02, upper=0.06, prediction=(0.008, 0.14)
    )
    return forest(
        (ForestGroup(label="", rows=members),), pooled, headings=("Revised/thumbs",), axis="percent", null=None,
        estimate_heading="Revised within 5 years", left_words="", right_words="",
    )  # fmt: skip


def _differences() -> ForestContent:
    members = tuple(
        ForestRow(
            study=f"Pinch {i}", cells=("4.1 (1.2), 40", "3.9 (1.4), 38"), estimate=d, lower=d - 0.8, upper=d + 0.8,
            weight=0.25,
        )
        for i, d in enumerate((-0.16, 1.07, 0.09, 0.39))
    )  # fmt: skip
    pooled = ForestSummary(
        label="Random-effects mean", estimate=0.35, lower=0.05, upper=0.65, prediction=(-0.6, 1.3)
    )
    return forest(
        (ForestGroup(label="", rows=members),), pooled, axis="linear", null=0.0, unit="kg",
        headings=("Prosthesis mean (SD), n", "Trapeziectomy mean (SD), n"), estimate_heading="Mean difference",
        left_words="weaker pinch after prosthesis", right_words="stronger pinch after prosthesis",
    )  # fmt: skip


def forests() -> dict[str, ForestContent]:
    """Return the forest plots that must look right, by name."""
    eighteen = rows(18)
    halves = (
        ForestGroup(
            label="Randomised studies", rows=eighteen[:7], summary=mean("Mean of 7 randomised studies")
        ),
        ForestGroup(label="Comparative cohorts", rows=eighteen[7:], summary=mean("Mean of 11 cohorts")),
    )
    lone = ForestRow(study="Amsel 2011", cells=("3/41", "6/39"), estimate=0.48, lower=0.13, upper=1.77)
    nasty = (*rows(12, seed=7, names=NASTY_NAMES), *_nil(1))
    many = tuple(
        ForestGroup(label=f"Group {i} with rather a long label that says what these studies share", rows=part)
        for i, part in enumerate(eighteen[i : i + 3] for i in range(0, 18, 3))
    )
    return {
        "one": forest((ForestGroup(label="", rows=(lone,)),), footnotes=("One study: nothing was pooled.",)),
        "two": forest(
            (ForestGroup(label="", rows=rows(2)),), mean("Common-effect mean", prediction=False, text="")
        ),
        "eighteen": one_group(18),
        "eighty": one_group(80),
        "two_groups": forest(halves, mean("Random-effects mean, 18 studies")),
        "two_groups_no_overall": forest(halves, overall_allowed=False),
        "many_groups": forest(many),
        "nasty_names": forest((ForestGroup(label="", rows=nasty),), mean("Mean of 12 studies")),
        "extreme": _extreme(),
        "none_estimable": forest((ForestGroup(label="", rows=_nil(4)),)),
        "no_study": forest((ForestGroup(label="", rows=()),)),
        "proportions": _proportions(),
        "differences": _differences(),
        "huge_footnotes": one_group(
            3, footnotes=tuple("A long footnote that goes on. " * 30 for _ in range(6))
        ),
        "no_title": one_group(3, title="", left_words="", right_words=""),
    }


def funnels() -> dict[str, FunnelContent]:
    """Return the funnel plots that must look right, by name."""
    from metakit.measures.scales import LOGIT, RATIO, RAW_SHARE

    draw = random.Random(2)
    points = tuple(
        FunnelPoint(
            study=f"Study {i}", effect=draw.gauss(-0.3, error), standard_error=error, size=40 / error**2
        )
        for i, error in enumerate(draw.uniform(0.12, 0.8) for _ in range(18))
    )
    shares = tuple(
        FunnelPoint(study=f"Series {i}", effect=draw.randint(0, 5) / size, size=float(size))
        for i, size in enumerate(draw.randint(15, 900) for _ in range(14))
    )
    logits = tuple(
        FunnelPoint(study=f"Series {i}", effect=draw.gauss(-3, 0.4), standard_error=draw.uniform(0.1, 0.9))
        for i in range(12)
    )
    facts = {
        "title": "Any complication (invented data)",
        "centre": -0.31,
        "null": 0.0,
        "scale": RATIO,
        "effect_heading": "Risk ratio",
        "left_words": "fewer complications after LRTI",
        "right_words": "more complications after LRTI",
    }
    alone = facts | {"null": None, "left_words": "", "right_words": "", "effect_heading": "Revised"}
    return {
        "contours": FunnelContent(points=points, contours=True, **facts),  # type: ignore[arg-type]
        "plain": FunnelContent(points=points, **facts),  # type: ignore[arg-type]
        "three": FunnelContent(points=points[:3], contours=True, **facts),  # type: ignore[arg-type]
        "one": FunnelContent(points=points[:1], contours=True, **(facts | {"centre": None})),  # type: ignore[arg-type]
        "none": FunnelContent(points=(), **(facts | {"centre": None})),  # type: ignore[arg-type]
        "size": FunnelContent(points=points, vertical="study_size", **facts),  # type: ignore[arg-type]
        "shares": FunnelContent(
            points=shares, vertical="study_size", **(alone | {"scale": RAW_SHARE, "centre": 0.02})
        ),  # type: ignore[arg-type]
        "logits": FunnelContent(points=logits, **(alone | {"scale": LOGIT, "centre": -3.0})),  # type: ignore[arg-type]
    }


def overviews() -> dict[str, OverviewContent]:
    """Return the overviews that must look right, by name."""
    ratio = {"measure": "risk ratio", "axis": "log", "null": 1.0}

    def row(outcome: str, numbers: tuple[float, float, float] | None = None, **facts: object) -> OverviewRow:
        parts = dict(zip(("estimate", "lower", "upper"), numbers or (), strict=False))
        return OverviewRow(outcome=outcome, **(ratio | parts | facts))  # type: ignore[arg-type]

    difference = {"measure": "mean difference", "axis": "linear", "null": 0.0}
    mixed = (
        row(
            "Any complication",
            (0.84, 0.51, 1.37),
            studies=9,
            size="812 thumbs",
            direction="below 1: fewer after LRTI",
        ),
        row(
            "Key pinch at 12 months",
            (0.35, 0.05, 0.65),
            unit="kg",
            studies=6,
            size="402 thumbs",
            **difference,
        ),
        row(
            "Revision within 5 years",
            (1.9, 0.6, 6.1),
            studies=6,
            size="540 thumbs",
            direction="below 1: fewer after LRTI",
        ),
        row("Secondary MP procedure", note="no events in any study", studies=3, size="150 thumbs"),
        row(
            "Score ($x$ & <b>)",
            (-2.1, -6.3, 2.1),
            unit="points of 100",
            studies=5,
            size="377 thumbs",
            **difference,
        ),
        row(
            "Revision after prosthesis", (0.035, 0.02, 0.06), measure="proportion", axis="percent", null=None
        ),
    )
    return {
        "mixed": OverviewContent(title="All outcomes (invented data)", rows=mixed, footnotes=("Invented.",)),
        "same_labels": OverviewContent(
            title="", rows=tuple(row("Same label", (v, v / 2, v * 2)) for v in (2.0, 0.5, 1.0))
        ),
        "unbounded": OverviewContent(
            title="Wide",
            rows=(row("A", (1.0, 0.0, math.inf)), row("B", (1.0, 0.9, 1.1)), row("$C$", (1e6, 1.0, 1e9))),
        ),
        "a_point": OverviewContent(title="Point", rows=(row("A", (1.0, 1.0, 1.0)),)),
        "none_pooled": OverviewContent(title="None", rows=(row("A", note="one study only"),)),
    }
