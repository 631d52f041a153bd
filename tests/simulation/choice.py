"""What a user gets who names no model: the whole way of `effect_sizes` and `pool`, by simulation.

    python -m tests.simulation.choice [repeats]

prints a table in markdown. The choice of model is made anew from each simulated table, so that the coverage is
that of the whole procedure: the choice, the model and its headline interval. Tables that end as not estimable are
counted apart. The data are invented (seeded random numbers).
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from scipy import special

import metakit
from metakit.errors import NotEstimableError
from tests.simulation.coverage import BASELINE_SPREAD, LOG_RATIO, sizes

MEASURES = ("odds_ratio", "risk_ratio", "rate_ratio", "proportion", "rate")
STUDIES = (3, 5, 10)
RISKS = (0.02, 0.15)
SPREADS = (0.3, 0.6)


@dataclass(slots=True)
class Outcome:
    """Counts of one scenario."""

    measure: str
    k: int
    risk: float
    tau: float
    repeats: int = 0
    covered: int = 0
    not_estimable: int = 0
    below: int = 0
    chosen: Counter[str] = field(default_factory=Counter)

    @property
    def estimable(self) -> int:
        """Repeats with an answer."""
        return self.repeats - self.not_estimable

    @property
    def coverage(self) -> float:
        """Share of the answers whose interval holds the truth."""
        return self.covered / max(self.estimable, 1)

    def markdown(self) -> str:
        """Return one line of the table."""
        models = ", ".join(f"{name} {100 * n / self.repeats:.0f} %" for name, n in self.chosen.most_common())
        return (
            f"| {self.measure} | {self.k} | {100 * self.risk:g} % | {self.tau:g} | {models} | "
            f"{100 * self.not_estimable / self.repeats:.0f} | {100 * self.coverage:.1f} |"
        )


HEADER = (
    "| measure | k | risk or rate of the comparator | tau | model chosen | not estimable, % | coverage, % |\n"
    "|---|---|---|---|---|---|---|"
)


def table(measure: str, k: int, risk: float, tau: float, rng: np.random.Generator) -> dict[str, object]:
    """Draw one table of studies around a log ratio, or around the logit or log of a level."""
    n1, n2 = sizes(rng, (1, k))[0], sizes(rng, (1, k))[0]
    study = [f"study {i + 1}" for i in range(k)]
    away = tau * rng.standard_normal(k)
    if measure == "proportion":
        events = rng.binomial(n1.astype(int), special.expit(special.logit(risk) + away))
        return {"study": study, "events": events, "total": n1.astype(int)}
    years = rng.uniform(1.0, 6.0, size=k)
    if measure == "rate":
        return {"study": study, "events": rng.poisson(n1 * years * risk * np.exp(away)), "time": n1 * years}
    if measure == "rate_ratio":
        base = risk * np.exp(BASELINE_SPREAD * rng.standard_normal(k))
        rows = {"events_1": rng.poisson(n1 * years * base * np.exp(LOG_RATIO + away)), "time_1": n1 * years}
        return {"study": study, **rows, "events_2": rng.poisson(n2 * years * base), "time_2": n2 * years}
    base = special.logit(risk) + BASELINE_SPREAD * rng.standard_normal(k)
    second = special.expit(base)
    first = (
        special.expit(base + LOG_RATIO + away)
        if measure == "odds_ratio"
        else np.minimum(second * np.exp(LOG_RATIO + away), 1.0)
    )
    return {
        "study": study,
        "events_1": rng.binomial(n1.astype(int), first),
        "total_1": n1.astype(int),
        "events_2": rng.binomial(n2.astype(int), second),
        "total_2": n2.astype(int),
    }


def truth(measure: str, risk: float) -> float:
    """Return the value that intervals should hold, on the analysis scale."""
    if measure == "proportion":
        return float(special.logit(risk))
    return float(np.log(risk)) if measure == "rate" else LOG_RATIO


def scenario(measure: str, k: int, risk: float, tau: float, repeats: int) -> Outcome:
    """Pool `repeats` simulated tables without naming a model."""
    rng = np.random.default_rng([MEASURES.index(measure), k, int(10_000 * risk), int(10 * tau)])
    outcome, goal = Outcome(measure, k, risk, tau), truth(measure, risk)
    for _ in range(repeats):
        drawn = table(measure, k, risk, tau, rng)
        outcome.repeats += 1
        try:
            result = metakit.pool(metakit.effect_sizes(drawn, measure=measure))
        except NotEstimableError:
            outcome.not_estimable += 1
            continue
        outcome.chosen[result.model] += 1
        low, high = result.interval
        outcome.covered += low <= goal <= high
        outcome.below += high < goal
    return outcome


def all_outcomes(repeats: int) -> Iterator[Outcome]:
    """Run every scenario; rates are a quarter of the risks."""
    for measure in MEASURES:
        for k in STUDIES:
            for risk in RISKS:
                for tau in SPREADS:
                    level = risk / 4 if measure.startswith("rate") else risk
                    yield scenario(measure, k, level, tau, repeats)


if __name__ == "__main__":
    print(HEADER)
    for line in all_outcomes(int(sys.argv[1]) if len(sys.argv) > 1 else 400):
        print(line.markdown(), flush=True)
