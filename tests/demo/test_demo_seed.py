"""The seed was chosen by stated criteria, none of which looks at a difference between techniques."""

from __future__ import annotations

import generate_demo
import pytest
from invented import draws
from invented.counts import happened
from invented.spec import LAST

FIRST_TRIED, STEP = 20260119, 100


def share(drawn: draws.DrawnArm) -> float:
    return float(happened(drawn, "any_complication", 12).mean())


def usable() -> bool:
    """Say whether the drawn thumbs make a usable teaching set, as draws.py words it beside the seed."""
    drawn = generate_demo.draw_all()

    def count(study: str, arm: str, outcome: str, at: float | str) -> int:
        return int(happened(drawn[study][arm], outcome, at).sum())

    shares = [share(arm) for arms in drawn.values() for arm in arms.values()]
    if not 0.03 <= min(shares) <= max(shares) <= 0.45 or not 0.10 <= share(drawn["DEMO-18"]["A"]) <= 0.26:
        return False
    nerves = [drawn[f"DEMO-{number}"]["A"] for number in (15, 16, 17)]
    had = sum(int(happened(arm, "any_complication", 12).sum()) for arm in nerves)
    if not 0.07 <= had / sum(len(arm.follow_up) for arm in nerves) <= 0.16:
        return False
    if not count("DEMO-13", "C", "any_complication", 12):
        return False
    for number in range(15, 21):
        arm = drawn[f"DEMO-{number}"]["A"]
        rate = 1200 * happened(arm, "revision_index", LAST).sum() / arm.follow_up.sum()
        if not 0.3 < rate < 5:
            return False
    if not all(count("DEMO-07", arm, "revision_index", LAST) for arm in "AB"):
        return False
    if not any(count("DEMO-05", arm, "revision_index", LAST) for arm in "AB"):
        return False
    return all(
        count("DEMO-11", arm, "revision_index", LAST) >= count("DEMO-10", arm, "revision_index", LAST)
        and count("DEMO-11", arm, "any_complication", 60) >= count("DEMO-10", arm, "any_complication", 12)
        for arm in "AB"
    )


@pytest.mark.walk
def test_the_seed_is_the_first_that_gives_a_usable_set(monkeypatch: pytest.MonkeyPatch) -> None:
    chosen = draws.SEED
    for seed in range(FIRST_TRIED, chosen, STEP):
        monkeypatch.setattr(draws, "SEED", seed)
        assert not usable(), seed
    monkeypatch.setattr(draws, "SEED", chosen)
    assert (chosen - FIRST_TRIED) % STEP == 0
    assert usable()
