"""The sets of effects that are certified: published tables, seeded draws, and hard cases."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import yaml

from . import means, one_arm, two_arms
from .precision import Vector, doubles
from .tau2 import local_maxima

PUBLISHED = Path(__file__).resolve().parent.parent / "published"
SEED = 20240607
DRAWS = 40


@dataclass(frozen=True)
class Case:
    """A named set of effects; `texts` holds the doubles as typed, empty for effects derived from a table."""

    name: str
    source: str
    effect: Vector
    variance: Vector
    texts: tuple[tuple[str, ...], tuple[str, ...]] | None = None
    level: str = "0.95"
    table: str = ""
    measure: str = ""


def table(name: str) -> dict[str, object]:
    """Read one published table."""
    text = (PUBLISHED / f"{name}.yaml").read_text(encoding="utf-8")
    content: dict[str, object] = yaml.load(text, Loader=yaml.CSafeLoader)
    return content


def columns(content: dict[str, object], *names: str) -> list[tuple[object, ...]]:
    """Return the named columns, row by row; decimals as text so that they enter exactly."""
    header: list[str] = content["columns"]  # type: ignore[assignment]
    rows: list[list[object]] = content["rows"]  # type: ignore[assignment]
    places = [header.index(name) for name in names]
    return [tuple(repr(row[i]) if isinstance(row[i], float) else row[i] for i in places) for row in rows]


TWO_COUNTS = ("events_1", "total_1", "events_2", "total_2")
TWO_MEANS = ("mean_1", "sd_1", "total_1", "mean_2", "sd_2", "total_2")
TWO_RATES = ("events_1", "time_1", "events_2", "time_2")

TABLE_MEASURES: tuple[tuple[str, str, str], ...] = (
    *(("aspirin_fleiss", m, "none") for m in ("odds_ratio", "risk_ratio", "risk_difference")),
    *(
        ("bcg", m, "none")
        for m in ("odds_ratio", "risk_ratio", "risk_difference", "arcsine_difference", "peto_odds_ratio")
    ),
    ("betablockers", "odds_ratio", "none"),
    ("borenstein_or", "odds_ratio", "none"),
    *(
        ("borenstein_smd", m, "")
        for m in ("standardized_mean_difference", "mean_difference", "ratio_of_means")
    ),
    ("china_smoking", "odds_ratio", "none"),
    ("doctors_irr", "rate_ratio", ""),
    *(("lanza_smallk", m, "constant") for m in ("odds_ratio", "risk_ratio")),
    ("lanza_smallk", "risk_difference", "none"),
    ("magnesium", "odds_ratio", "constant"),
    ("magnesium", "risk_ratio", "treatment_arm"),
    ("nicotine_gum", "odds_ratio", "none"),
    ("nicotine_gum", "risk_ratio", "none"),
    ("rabbits_zero_cells", "odds_ratio", "constant"),
    ("streptokinase_cumulative", "odds_ratio", "constant"),
    *(
        ("toothpaste_md", m, "")
        for m in ("standardized_mean_difference", "mean_difference", "ratio_of_means")
    ),
    ("surgical_mortality", "proportion/logit", "constant"),
    ("surgical_mortality", "proportion/arcsine", "none"),
    ("surgical_mortality", "proportion/double_arcsine", "none"),
    ("pump_rates", "rate/log", ""),
    ("pump_rates", "rate/square_root", ""),
)


def table_effects(name: str, measure: str, policy: str) -> list[tuple[object, object] | None]:
    """Return effect and variance of every row of a published table."""
    content = table(name)
    family, _, scale = measure.partition("/")
    if family == "proportion":
        return [one_arm.proportion(scale, *row, policy) for row in columns(content, "events", "total")]
    if family == "rate":
        return [one_arm.rate(scale, *row) for row in columns(content, "events", "time")]
    if family == "rate_ratio":
        return [one_arm.rate_ratio(*row) for row in columns(content, *TWO_RATES)]
    if content["family"] == "two_arm_means":
        return [means.effect(measure, row) for row in columns(content, *TWO_MEANS)]
    return [two_arms.effect(measure, row, policy) for row in columns(content, *TWO_COUNTS)]


def published() -> Iterator[Case]:
    """Yield one case a table and measure, with the effects in full precision."""
    for name, measure, policy in TABLE_MEASURES:
        pairs = [pair for pair in table_effects(name, measure, policy) if pair is not None]
        label = f"{name}/{measure}" + (f"/{policy}" if policy not in ("", "none") else "")
        y, v = [pair[0] for pair in pairs], [pair[1] for pair in pairs]
        yield Case(label, str(table(name)["source"]), y, v, table=name, measure=measure)
    pairs = [pair for pair in table_effects("bcg", "risk_ratio", "none") if pair is not None]
    for level in ("0.9", "0.99"):
        y, v = [pair[0] for pair in pairs], [pair[1] for pair in pairs]
        yield Case(
            f"bcg/risk_ratio/level {level}",
            str(table("bcg")["source"]),
            y,
            v,
            level=level,
            table="bcg",
            measure="risk_ratio",
        )


def typed(name: str, source: str, y: list[str], v: list[str]) -> Case:
    """Make a case from decimal strings, each standing for the double nearest to it."""
    return Case(name, source, doubles(y), doubles(v), (tuple(y), tuple(v)))


def _shown(value: float) -> str:
    return f"{value:.6g}"


def draws() -> Iterator[Case]:
    """Yield seeded draws: 2 to 40 studies, scales from 1e-3 to 1e3, variances over up to five orders."""
    source = random.Random(SEED)
    for number in range(DRAWS):
        k = source.choice((2, 3, 3, 4, 5, 6, 8, 10, 15, 25, 40))
        scale = 10 ** source.uniform(-3, 3)
        width = source.uniform(0.2, 5)
        v = [scale**2 * 10 ** source.uniform(-width / 2, width / 2) for _ in range(k)]
        middle = sorted(v)[k // 2]
        tau2 = source.choice((0.0, 0.1, 1.0, 10.0)) * middle
        centre = source.choice((0.0, 1.0, -3.0)) * scale
        y = [centre + math.sqrt(tau2 + vi) * source.gauss(0, 1) for vi in v]
        yield typed(
            f"draw {number + 1:02d}",
            f"seeded draw, seed {SEED}",
            [_shown(x) for x in y],
            [_shown(x) for x in v],
        )


def two_maxima(restricted: bool) -> tuple[list[str], list[str]]:
    """Search seeded draws for a likelihood with two maxima of nearly equal height, away from zero if possible."""
    source = random.Random(SEED + restricted)
    best: tuple[float, list[str], list[str]] | None = None
    for _ in range(20000):
        k = source.choice((4, 5, 6))
        v = [10 ** source.uniform(-3, 1) for _ in range(k)]
        y = [source.gauss(0, 1) * source.choice((0.1, 1, 4)) for _ in range(k)]
        if _rough_maxima(y, v, restricted) < 2:
            continue
        texts = [_shown(x) for x in y], [_shown(x) for x in v]
        maxima = local_maxima(doubles(texts[0]), doubles(texts[1]), restricted=restricted)
        if len(maxima) < 2 or min(point for point, _ in maxima) == 0:
            continue
        gap = float(maxima[0][1] - maxima[1][1])
        if gap > 1e-3 and (best is None or gap < best[0]):
            best = (gap, *texts)
        if best is not None and best[0] < 0.15:
            break
    if best is None:
        raise ArithmeticError("no likelihood with two maxima was found")
    return best[1], best[2]


def _rough_maxima(y: list[float], v: list[float], restricted: bool) -> int:
    """Count falls of the score through zero on a coarse grid, in ordinary floating point."""
    falls, before = 0, 1.0
    for step in range(70):
        tau2 = 10 ** (-4 + step * 0.1)
        w = [1 / (vi + tau2) for vi in v]
        s1, s2 = sum(w), sum(wi * wi for wi in w)
        mean = sum(wi * yi for wi, yi in zip(w, y, strict=True)) / s1
        slope = sum(wi * wi * (yi - mean) ** 2 for wi, yi in zip(w, y, strict=True)) - s1
        slope += s2 / s1 if restricted else 0.0
        falls += before > 0 >= slope
        before = slope
    return falls


def hard() -> Iterator[Case]:
    """Yield the cases that break floating-point code."""
    invented = "invented hard case"
    bcg = [pair for pair in table_effects("bcg", "risk_ratio", "none") if pair is not None]
    y6, v6 = [_shown(float(p[0])) for p in bcg], [_shown(float(p[1])) for p in bcg]
    yield typed(
        "three near-equal effects",
        "check value of the project's methods paper",
        ["0.30", "0.31", "0.29"],
        ["0.04", "0.05", "0.06"],
    )
    yield typed(
        "variances over 12 orders",
        invented,
        ["0.5", "1.5", "-2", "3", "0.1", "10", "-40"],
        ["1e-6", "1e-4", "1e-2", "1", "1e2", "1e4", "1e6"],
    )
    yield typed(
        "variances over 12 orders, effects close",
        invented,
        ["1", "1.001", "0.98", "1.3", "-7", "50", "300"],
        ["1e-6", "1e-4", "1e-2", "1", "1e2", "1e4", "1e6"],
    )
    yield typed("effects 1e8 apart", invented, ["0", "1e8", "5", "-3", "2.5e7"], ["1", "2", "0.5", "1", "4"])
    yield typed(
        "effects 1e8 apart, large variances", invented, ["-5e7", "5e7", "1e6"], ["1e12", "3e12", "1e10"]
    )
    yield typed("identical effects", invented, ["0.25"] * 5, ["0.1", "0.2", "0.05", "0.3", "0.08"])
    yield typed("identical effects and variances", invented, ["-1.5"] * 4, ["0.5"] * 4)
    yield typed("identical effects of two studies", invented, ["2", "2"], ["0.3", "0.7"])
    yield typed("two studies far apart", invented, ["0", "3"], ["0.1", "0.2"])
    yield typed("two studies close together", invented, ["0.5", "0.6"], ["0.1", "0.2"])
    yield typed(
        "homogeneous: tau2 at zero",
        invented,
        ["0.1", "0.12", "0.09", "0.11", "0.13", "0.08"],
        ["0.02", "0.03", "0.025", "0.04", "0.01", "0.05"],
    )
    yield typed("Q exactly k - 1", invented, ["-1", "0", "1"], ["1", "1", "1"])
    yield typed("Q just above k - 1", invented, ["-1.0000001", "0", "1.0000001"], ["1", "1", "1"])
    yield typed(
        "one giant study", invented, ["0.1", "1", "-0.6", "0.9", "0.2"], ["1e-8", "1", "0.8", "1.5", "0.5"]
    )
    yield typed(
        "one tiny study",
        invented,
        ["0.1", "0.3", "-0.1", "0.2", "25"],
        ["0.04", "0.05", "0.03", "0.06", "1e6"],
    )
    yield typed(
        "far from zero",
        invented,
        ["1000000.1", "1000000.9", "999999.2", "1000000.4"],
        ["0.04", "0.09", "0.06", "0.1"],
    )
    yield typed("BCG risk ratios to six digits", "rounded from bcg.yaml", y6, v6)
    for power in (-8, 8):
        y = [f"{text}e{power}" for text in y6]
        v = [f"{text}e{2 * power}" for text in v6]
        yield typed(f"BCG risk ratios times 1e{power}", "rounded from bcg.yaml and rescaled", y, v)
    source = random.Random(SEED + 100)
    yield typed(
        "a hundred studies",
        f"seeded draw, seed {SEED + 100}",
        [_shown(source.gauss(0.2, 0.5)) for _ in range(100)],
        [_shown(10 ** source.uniform(-2.5, 0)) for _ in range(100)],
    )
    yield typed("two maxima of the restricted likelihood", "seeded search", *two_maxima(True))
    yield typed("two maxima of the likelihood", "seeded search", *two_maxima(False))
