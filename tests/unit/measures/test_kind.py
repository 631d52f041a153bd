"""What each kind of numbers is, by hand: what adds up, whose time matters, what is about time until an event."""

from __future__ import annotations

import pickle

import pytest

from metakit.measures import kind
from metakit.measures.kind import Kind

FACTS = {
    # adds_up, any_time, timed, size
    "counts": (True, False, False, "total"),
    "rates": (True, True, False, "time"),
    "means": (False, False, False, "total"),
    "hazards": (False, True, True, "total"),
    "survival": (False, False, True, "total"),
    "effects": (False, False, False, ""),
}


@pytest.mark.parametrize(
    "found", [one for one in vars(kind).values() if isinstance(one, Kind)], ids=lambda one: one.name
)
def test_facts_of_a_kind(found: Kind) -> None:
    assert (found.adds_up, found.any_time, found.timed, found.size) == FACTS[found.name]
    assert pickle.loads(pickle.dumps(found)) is found  # noqa: S301 - our own bytes
