"""Loading certified and published values, and counting how many digits agree.

Digits are counted by the log relative error of the NIST Statistical Reference Datasets,
-log10(|computed - certified| / |certified|). Two named requirements are in use:

CLOSED = 12 digits, for closed forms: sums of k terms in double precision lose at most about three of the
almost 16 digits a double carries.
ITERATED = 9 digits, for roots and maxima: a maximum is flat, so half the digits of the function would be 8; Newton
steps on exact derivatives reach more, and 9 is what StRD calls a reliable nonlinear solution.

A location (a mean, a limit) that happens to lie near zero has no relative accuracy to lose, so its error
is counted against the larger of its size and its standard error; a tau2 likewise against the larger
of its size and the typical sampling variance. `scale` carries that second yardstick.
"""

from __future__ import annotations

import json
import math
from functools import cache
from pathlib import Path
from typing import Any

import yaml
from mpmath import mp, mpf

FastLoader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
HERE = Path(__file__).resolve().parent
CLOSED = 12.0
ITERATED = 9.0


@cache
def certified(topic: str) -> list[dict[str, Any]]:
    """Return the records of one certified file."""
    content = json.loads((HERE / "certified" / f"{topic}.json").read_text(encoding="utf-8"))
    cases: list[dict[str, Any]] = content["cases"]
    return cases


@cache
def published(name: str) -> dict[str, Any]:
    """Return one published worked example."""
    text = (HERE / "published" / f"{name}.yaml").read_text(encoding="utf-8")
    content: dict[str, Any] = yaml.load(text, Loader=FastLoader)  # noqa: S506 - a safe loader
    return content


def published_names() -> list[str]:
    """Return the names of all published examples."""
    return sorted(path.stem for path in (HERE / "published").glob("*.yaml"))


def digits(computed: float | None, truth: object, scale: object = 0) -> float:
    """Return the log relative error; 99 when the two are equal to the last bit."""
    if truth is None:
        return 99.0 if computed is None or math.isnan(computed) else -99.0
    if computed is None or math.isnan(computed):
        return -99.0
    with mp.workdps(40):
        target, yardstick = mpf(str(truth)), mpf(str(scale))
        if mp.isinf(target):
            return 99.0 if computed == float(target) else -99.0
        error = abs(mpf(computed) - target)
        size = max(abs(target), abs(yardstick))
        if error == 0:
            return 99.0
        return float(-mp.log10(error / size)) if size else float(-mp.log10(error))


class Comparison:
    """Collects every figure of one case, then fails once with all that fall short."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.short: list[str] = []
        self.checked = 0

    def check(
        self, what: str, computed: float | None, truth: object, required: float, scale: object = 0
    ) -> None:
        """Compare one figure."""
        self.checked += 1
        found = digits(computed, truth, scale)
        if found < required:
            self.short.append(
                f"{what}: computed {computed!r}, certified {truth}, {found:.1f} of {required:g} digits"
            )

    def check_pair(self, what: str, computed: Any, truth: Any, required: float, scale: object = 0) -> None:
        """Compare the two limits of an interval."""
        lower, upper = (None, None) if computed is None else computed
        true_lower, true_upper = (None, None) if truth is None else truth
        self.check(f"{what} lower", lower, true_lower, required, scale)
        self.check(f"{what} upper", upper, true_upper, required, scale)

    def close(self) -> None:
        """Fail if anything fell short, or if nothing was compared."""
        assert self.checked, f"{self.name}: nothing was compared"
        assert not self.short, f"{self.name}: {len(self.short)} of {self.checked} short\n" + "\n".join(
            self.short
        )
