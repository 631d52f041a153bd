"""The sections that are told in blocks: a new one is a function from facts to blocks, and one line here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from metakit.telling.blocks import Block
from metakit.telling.brief import brief_blocks
from metakit.telling.certainty import certainty_blocks
from metakit.telling.facts import Facts
from metakit.telling.networks import networks_blocks
from metakit.telling.planning.planned import planned_blocks
from metakit.telling.results import results_blocks
from metakit.telling.why_thumbs_come_back import why_thumbs_blocks

Tell = Callable[[Facts], tuple[Block, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A section: `name` is its anchor, `title` its heading; without blocks it is left out."""

    name: str
    title: str
    tell: Tell


SECTIONS = (
    Told(name="brief", title="The answer in brief", tell=brief_blocks),
    Told(name="results", title="Results", tell=results_blocks),
    Told(name="why-thumbs-come-back", title="Why thumbs come back", tell=why_thumbs_blocks),
    Told(name="networks", title="All techniques together", tell=networks_blocks),
    Told(name="certainty", title="How certain are the answers", tell=certainty_blocks),
    Told(name="plan", title="What was planned, and what became of it", tell=planned_blocks),
)
