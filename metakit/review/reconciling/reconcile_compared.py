"""What is compared: one field as two people have it, and one study as two people typed it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from metakit.core.values import Place
from metakit.forms.records import Reading
from metakit.forms.specs import Form
from metakit.forms.tree import Group, Missing, Value
from metakit.review.reconciling.reconcile_arms import Entry, Recognition

Kind = Literal["choice", "number", "text", "entry", "recognition"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """What one extractor typed ("" for nothing), where, and the page and table it was taken from."""

    typed: str
    place: Place
    source: str
    number: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One field of one study as two people have it.

    `address` names the field by what its entries are, not by their position:
    `outcomes[A/key_pinch/final/12/months].mean`; arms bear the ids that the first person gave them. `field`
    is its place in the form. `kind` entry is a whole entry or group; when only one person has it, `parts` are
    its fields, for the agreement. `kind` recognition asks, in `question`, which arm of one is which of the
    other.
    `wording` marks free text, which needs no decision. `choices` is how many answers the form's list holds
    where one of them is chosen, 0 elsewhere. `ids` are the arms concerned. `identifies` marks what says which
    arm is which.
    """

    study: str
    address: str
    field: str
    topic: str
    kind: Kind
    first: Side
    second: Side
    same: bool
    wording: bool = False
    choices: int = 0
    parts: tuple[Compared, ...] = ()
    question: str = ""
    ids: tuple[str, ...] = ()
    identifies: bool = False

    @property
    def needs_decision(self) -> bool:
        """Whether somebody has to decide before there is an agreed record."""
        return not self.same and not self.wording


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One study as two people typed it, and everything compared.

    The second of the `groups` bears the first person's ids of the arms; `recognised` says which are which.
    """

    study: str
    people: tuple[str, str]
    readings: tuple[Reading, Reading]
    groups: tuple[Group, Group]
    form: Form
    items: tuple[Compared, ...]
    recognised: tuple[Recognition, ...] = ()

    @property
    def disagreements(self) -> tuple[Compared, ...]:
        """The fields that differ, wording included."""
        return tuple(item for item in self.items if not item.same)

    @property
    def renamed(self) -> dict[str, str]:
        """The first person's ids of arms that the second person calls otherwise."""
        return {new: old for one in self.recognised for old, new in one.names.items() if old != new}


def same(one: Entry | None, two: Entry | None) -> bool:
    """Say whether two entries say the same: numbers by value, lists in any order, text by its words."""
    if isinstance(one, Value) and isinstance(two, Value):
        return _plain(one) == _plain(two)
    return one is None and two is None


def _plain(value: Value) -> object:
    found = value.value
    if isinstance(found, tuple):
        return frozenset(map(str, found))
    if isinstance(found, str):
        return " ".join(found.split()).casefold()
    return found


def typed(entry: Entry | None) -> str:
    """Return what stands in a record, as typed; "entered" for a whole entry, "" for nothing."""
    if entry is None:
        return ""
    if isinstance(entry, Value):
        return entry.text.strip() or "[]"
    return "entered"


def number_of(entry: Entry | None) -> float | None:
    """Return a number, None for anything else."""
    if not isinstance(entry, Value) or isinstance(entry.value, (Missing, bool)):
        return None
    return float(entry.value) if isinstance(entry.value, (int, float)) else None
