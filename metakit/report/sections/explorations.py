"""Why studies disagree: what the plan asked, and what was asked later, told apart; refusals are told too."""

from __future__ import annotations

from dataclasses import dataclass

from metakit.core.written import count
from metakit.report.drawing.figure_parts import FigurePart
from metakit.report.drawing.figures import ResultPart
from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section
from metakit.synthesis.choices.robustness_words import sign_words
from metakit.synthesis.exploring.credibility import CredibilityAnswer, credibility
from metakit.synthesis.exploring.exploration_words import explored
from metakit.synthesis.exploring.explored import Explored


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One exploration on the page."""

    anchor: str
    told: Explored
    bubble: FigurePart | None
    checklist: tuple[CredibilityAnswer, ...]
    tally: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Questioned:
    """One analysis with what was asked about its studies."""

    part: ResultPart
    signs: str
    items: tuple[Told, ...]


def build(page: Page) -> Content | None:
    """Return every exploration of every analysis, in the order of the plan."""
    looks = sum(len(part.finding.explorations) for part in page.figures.results)
    if looks == 0:
        return None
    found = [_questioned(page, part, looks) for part in page.figures.results if part.finding.explorations]
    items = [item for one in found for item in one.items]
    return {
        "found": found,
        "looks": looks,
        "planned": sum(item.told.exploration.planned for item in items),
        "refused": sum(bool(item.told.refusal) for item in items),
        "sources": page.citations.numbers(_sources(items)),
    }


def _sources(items: list[Told]) -> tuple[str, ...]:
    keys = ["handbook", "schandelmaier_2020"]
    if any(item.told.exploration.meta_regression is not None for item in items):
        keys += ["knapp_hartung_2003", "higgins_thompson_2004"]
    if any(item.told.exploration.subgroups is not None for item in items):
        keys.append("borenstein_higgins_2013")
    return tuple(keys)


def _questioned(page: Page, part: ResultPart, looks: int) -> Questioned:
    finding = part.finding
    bubbles = page.figures.explorations.bubbles
    items = []
    for exploration in finding.explorations:
        answers = credibility(exploration, looks=looks)
        items.append(
            Told(
                anchor=f"why-{part.anchor}-{exploration.id.replace('_', '-')}",
                told=explored(finding, exploration),
                bubble=bubbles.get((part.name, exploration.id)),
                checklist=answers,
                tally=_tally(answers),
            )
        )
    signs = sign_words(finding.left_words, finding.right_words) if finding.comparative else ""
    return Questioned(part=part, signs=signs, items=tuple(items))


def _tally(answers: tuple[CredibilityAnswer, ...]) -> str:
    sides = [answer.side for answer in answers]
    against, favour = sides.count("speaks against it"), sides.count("speaks for it")
    return f"{count(against, 'answer')} against, {favour} for, {len(sides) - against - favour} open"


SECTIONS.add(
    Section(
        name="explorations",
        title="Why do the studies disagree?",
        template="explorations.html.j2",
        build=build,
    )
)
