"""What can become of something that a protocol plans."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Became = Literal["done", "in_part", "not_done", "told", "people"]
WORDS: Mapping[Became, str] = {
    "not_done": "not carried out",
    "in_part": "carried out in part",
    "people": "for people: nothing in it is computed",
    "done": "carried out",
    "told": "told",
}
"""What becomes of a planned line, the most important to a reader first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fate:
    """What became of something planned.

    `where` is the anchor of a section or answer of the report that holds it, "" without one; `why` the reason
    or the remark.
    """

    became: Became
    where: str = ""
    why: str = ""
