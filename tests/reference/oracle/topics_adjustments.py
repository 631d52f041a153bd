"""Topics about adjustments for small-study effects: PET, PEESE, limit meta-analysis, step selection."""

from __future__ import annotations

import random

from mpmath import mpf

from . import adjustments, cases, selection
from .precision import Number, Vector, doubles
from .tau2 import dersimonian_laird, reml

Records = list[dict[str, object]]
LEVEL = mpf("0.95")
SEED = 20250311
# table, measure, zero-cell policy, sign that makes the larger effect the one that gets published
TABLES = (
    ("bcg", "odds_ratio", "none", -1),
    ("magnesium", "odds_ratio", "constant", -1),
    ("nicotine_gum", "odds_ratio", "none", 1),
    ("borenstein_smd", "standardized_mean_difference", "", 1),
    ("toothpaste_md", "mean_difference", "", -1),
    ("toothpaste_md", "mean_difference", "", 1),
)
STEPS = (("0.025",), ("0.025", "0.5"), ("0.01", "0.05", "0.5"))


def drawn(k: int, mu: float, tau: float, kept: float, seed: int) -> tuple[Vector, Vector]:
    """Draw effects of which results with one-sided p above 0.025 are kept with a probability."""
    source = random.Random(seed)
    y: list[str] = []
    v: list[str] = []
    while len(y) < k:
        variance = float(f"{10 ** source.uniform(-2.5, -0.3):.6g}")
        effect = float(f"{source.gauss(mu, (tau**2 + variance) ** 0.5):.6g}")
        if effect / variance**0.5 >= 1.96 or source.random() < kept:
            y.append(repr(effect))
            v.append(repr(variance))
    return doubles(y), doubles(v)


def sets() -> list[tuple[str, Vector, Vector]]:
    """Return every set of effects, published, drawn and hard."""
    found = []
    for table, measure, policy, sign in TABLES:
        pairs = [pair for pair in cases.table_effects(table, measure, policy) if pair is not None]
        label = f"{table}/{measure}" + ("" if sign > 0 else ", sign turned")
        y: Vector = [sign * pair[0] for pair in pairs]  # type: ignore[operator, misc]
        v: Vector = [pair[1] for pair in pairs]  # type: ignore[misc]
        found.append((label, y, v))
    for k, mu, tau, kept in ((12, 0.3, 0.3, 0.3), (30, 0.2, 0.4, 0.4), (60, 0.0, 0.2, 0.2)):
        found.append((f"seeded draw of {k}, {kept} kept", *drawn(k, mu, tau, kept, SEED + k)))
    y, v = drawn(15, 0.5, 0.3, 0.5, SEED)
    found.append(("effects times 1e6", [item * 10**6 for item in y], [item * 10**12 for item in v]))
    wide = [mpf(10) ** (i - 6) * (1 + mpf(i % 3) / 8) for i in range(13)]
    far = [mpf((-1) ** i * (i % 4)) * wide[i] ** mpf("0.5") / 2 + mpf(1) / 4 for i in range(13)]
    found.append(
        (
            "variances over 12 orders",
            doubles(str(float(x)) for x in far),
            doubles(str(float(x)) for x in wide),
        )
    )
    return found


def small_study_adjustments() -> tuple[str, Records]:
    """Certify PET, PEESE and limit meta-analysis."""
    records: Records = []
    for name, y, v in sets():
        taus: dict[str, Number] = {
            "zero": mpf(0),
            "dersimonian_laird": dersimonian_laird(y, v),
            "reml": reml(y, v),
        }
        records.append(
            {
                "name": name,
                "effect": y,
                "variance": v,
                "pet_peese": adjustments.regression_to_no_error(y, v, LEVEL),
                "limit": {
                    label: adjustments.limit_meta_analysis(y, v, tau2, LEVEL) for label, tau2 in taus.items()
                },
            }
        )
    return (
        "PET and PEESE; limit meta-analysis by expectation at three tau2; effects and variances near doubles",
        records,
    )


def selection_models() -> tuple[str, Records]:
    """Certify step selection models; a set with an empty interval is left out, with its reason."""
    records: Records = []
    for name, y, v in sets():
        for steps in STEPS:
            cuts = [mpf(step) for step in steps]
            filled = {selection.interval_of(yi, vi, cuts) for yi, vi in zip(y, v, strict=True)}
            if len(filled) <= len(cuts) or "orders" in name:
                continue
            try:
                answer = selection.fit(y, v, cuts)
            except ArithmeticError as problem:
                print(f"   {name} {steps}: {problem}")
                continue
            records.append({"name": name, "steps": steps, "effect": y, "variance": v, **answer})
    return "step selection models by maximum likelihood; p values one-sided, small for large effects", records
