"""Topics about networks of counts."""

from __future__ import annotations

import itertools
import random

from . import network_random
from .network_counts import Counts, logistic_common, mantel_haenszel

Records = list[dict[str, object]]
SEED = 20250314

TRIANGLE = [
    Counts("one", (("A", 4, 30), ("B", 18, 32))),
    Counts("two", (("A", 6, 41), ("C", 5, 39))),
    Counts("three", (("A", 9, 36), ("B", 4, 33), ("C", 15, 35))),
]
RARE = [
    Counts("ab1", (("A", 1, 40), ("B", 0, 38))),
    Counts("ab2", (("A", 2, 55), ("B", 4, 60))),
    Counts("ab3", (("A", 0, 25), ("B", 0, 27))),
    Counts("ac1", (("A", 3, 48), ("C", 1, 50))),
    Counts("ac2", (("A", 0, 33), ("C", 2, 30))),
    Counts("bc1", (("B", 1, 61), ("C", 1, 35))),
    Counts("bc2", (("B", 2, 44), ("C", 0, 45))),
    Counts("cd1", (("C", 1, 70), ("D", 5, 66))),
    Counts("cd2", (("C", 2, 31), ("D", 1, 29))),
]
MULTI = [
    *RARE,
    Counts("abc1", (("A", 1, 30), ("B", 2, 31), ("C", 0, 29))),
    Counts("abc2", (("A", 3, 52), ("B", 1, 50), ("C", 2, 54))),
    Counts("abcd1", (("A", 2, 28), ("B", 1, 30), ("C", 3, 27), ("D", 4, 26))),
    Counts("abcd2", (("A", 1, 45), ("B", 2, 44), ("C", 1, 46), ("D", 3, 43))),
]


def drawn() -> list[Counts]:
    """Draw thirty studies of five techniques, two to four arms, risks of a few per cent."""
    source = random.Random(SEED)
    effects = dict(zip("ABCDE", (0.0, 0.4, -0.3, 0.7, 0.1), strict=True))
    designs = [*itertools.combinations("ABCDE", 2), ("A", "B", "C"), ("B", "C", "D"), ("A", "C", "D", "E")]
    found: list[Counts] = []
    while len(found) < 30:
        design = designs[len(found) % len(designs)]
        odds = 10 ** source.uniform(-1.4, -0.5)
        arms = []
        for t in design:
            n = source.randint(20, 150)
            share = odds * 2.718281828 ** effects[t]
            arms.append((t, sum(source.random() < share / (1 + share) for _ in range(n)), n))
        found.append(Counts(f"study {len(found) + 1:02d}", tuple(arms)))
    return found


def _rows(studies: list[Counts]) -> list[dict[str, object]]:
    return [{"study": study.name, "arms": study.arms} for study in studies]


def count_networks() -> tuple[str, Records]:
    """Certify Mantel-Haenszel networks and one-stage models."""
    records: Records = []
    for name, studies in (("triangle", TRIANGLE), ("rare", RARE), ("multi-arm", MULTI), ("drawn", drawn())):
        several = any(len(study.arms) > 2 for study in studies)
        answers: dict[str, object] = {}
        for rule in ("three", "six", "four") if several else ("three",):
            for averaged in (False, True) if several and rule == "three" else (several,):
                try:
                    key = f"{rule}/{'averaged' if averaged else 'plain'}"
                    answers[key] = mantel_haenszel(studies, "A", rule, averaged)
                except ArithmeticError as problem:
                    print(f"   {name}: {problem}")
        record: dict[str, object] = {
            "name": name,
            "studies": _rows(studies),
            "mantel_haenszel": answers,
            "one_stage_common": logistic_common(studies, "A"),
        }
        if name == "triangle":
            record["one_stage_random"] = [
                network_random.fit(studies, "A", coding) for coding in ("centred", "first_arm")
            ]
        records.append(record)
    return (
        "networks of counts, invented: Mantel-Haenszel in two stages (covariance rules and averaging in "
        "oracle/network_counts.py), one-stage binomial; log odds ratios of the technique against A",
        records,
    )
