"""Reporting checklists: where each item is answered, found out from what the review holds, and what is blank.

A checklist is a YAML file in `checklists/` and one line in `checklists`; a way to find out is one function in
`checklist_checks.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Literal

from metakit.core.registry import Registry

if TYPE_CHECKING:
    from metakit.report.page import Page

State = Literal["answered", "typed", "in_part", "blank"]
STATE_WORDS: dict[State, str] = {
    "answered": "answered",
    "typed": "typed, to be judged",
    "in_part": "in part",
    "blank": "BLANK",
}
STATE_MEANING = (
    "Answered: the report says it, from the records and decisions themselves. Typed, to be judged: somebody "
    "typed a text; whether it says enough only a reader can tell. In part: the remark says what is missing. "
    "Blank: nothing in the folder of the review answers it."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """How an item is answered: its state, the places, and what is missing or should be known."""

    state: State
    where: tuple[str, ...] = ()
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A way to find out how an item is answered."""

    name: str
    find: Callable[[Page], Found]


CHECKS: Registry[Check] = Registry(
    "check",
    (
        "metakit.report.reporting.checklist_checks",
        "metakit.report.reporting.checklist_openness",
        "metakit.report.reporting.checklist_networks",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """An item of a checklist, in our own words, with how this review answers it."""

    number: str
    section: str
    topic: str
    words: str
    found: Found


@dataclass(frozen=True, slots=True, kw_only=True)
class Checklist:
    """A checklist as this review answers it; `reference` is its source."""

    name: str
    title: str
    reference: str
    items: tuple[Item, ...]

    def counts(self) -> dict[State, int]:
        """Return how many items are in each state, all states named."""
        return {state: sum(item.found.state == state for item in self.items) for state in STATE_WORDS}


def checklists(page: Page) -> tuple[Checklist, ...]:
    """Return PRISMA 2020 and, for a review that plans a network, its extension."""
    found = [prisma_2020(page)]
    if page.findings.protocol.networks:
        found.append(_filled("prisma_network", page))
    return tuple(found)


def prisma_2020(page: Page) -> Checklist:
    """Return PRISMA 2020 as this review answers it."""
    return _filled("prisma_2020", page)


def blanks(checklist: Checklist) -> list[Item]:
    """Return the items that nothing answers."""
    return [item for item in checklist.items if item.found.state == "blank"]


def items_of(name: str) -> tuple[dict[str, str], list[dict[str, str]]]:
    """Return head and items of a shipped checklist, as typed."""
    import yaml

    text = resources.files("metakit.report").joinpath("checklists", f"{name}.yaml").read_text("utf-8")
    found = yaml.safe_load(text)
    return {key: value for key, value in found.items() if key != "items"}, found["items"]


def _filled(name: str, page: Page) -> Checklist:
    head, items = items_of(name)
    return Checklist(
        name=head["name"],
        title=head["title"],
        reference=head["reference"],
        items=tuple(_items(items, page)),
    )


def _items(items: list[dict[str, str]], page: Page) -> Iterable[Item]:
    for item in items:
        found = CHECKS[item["check"]].find(page)
        yield Item(
            number=item["number"],
            section=item["section"],
            topic=item["topic"],
            words=item["words"],
            found=found,
        )
