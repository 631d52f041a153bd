"""All techniques together: each planned network, from plain words down to every number."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from metakit.core.limits import TestStatistic
from metakit.core.notes import Assumption
from metakit.core.written import count, listed, p_value
from metakit.decision.network_body import name_of
from metakit.forms.library import vocabulary
from metakit.networks.inconsistency import Inconsistency
from metakit.synthesis.gathering.windows import when_words
from metakit.synthesis.networking.network_arms import component_label
from metakit.synthesis.networking.network_findings import NetworkComparison, NetworkFinding
from metakit.synthesis.networking.network_words import not_told
from metakit.synthesis.words import lower_first
from metakit.telling.blocks import (
    Block,
    Column,
    Part,
    Picture,
    Point,
    Run,
    Say,
    Table,
    folded,
    points,
    says,
)
from metakit.telling.facts import Facts
from metakit.telling.network_tables import NetworkTables, pair_words

BALL = "tendon_interposition"
DOUBT = 0.1
"""p value of a test of agreement from which on a sign of disagreement is told; common practice, no source."""
LEAD = (
    "A network sets every technique against every other, also those that no study compares: through studies "
    "that share a third one. Such an indirect answer holds only as far as the studies are alike, and it is "
    "weaker than its interval looks. Read what was compared with what first, ranks last."
)
RANKS = (
    "A place tells neither how large a difference is nor how certain it is; techniques of one or two small "
    "studies take the first and the last places by chance. Nothing should be chosen because of it."
)


def networks_blocks(facts: Facts) -> tuple[Block, ...]:
    """Return one article a network; nothing where the plan has none."""
    networks = facts.findings.networks
    return (Say(words=LEAD), *(_article(facts, item) for item in networks)) if networks else ()


def _article(facts: Facts, finding: NetworkFinding) -> Part:
    tables, name = NetworkTables(finding=finding), facts.names.networks[finding.plan.id]
    outcomes = {item.outcome: item for item in facts.findings.protocol.outcomes}
    when = when_words(finding.measure.kind, outcomes[finding.term.id].window)

    def picture(figure: str, look: str = "") -> Picture:
        return Picture(name=f"network-{name.end}-{figure}", look=look)

    blocks: tuple[Block, ...] = (
        *says(finding.sentences, first="answer"),
        *points(finding.cautions, look="caution", label="Cautions on the network"),
        picture("geometry", "flow wide"),
        picture("geometry-narrow", "flow narrow"),
        *_comparisons(facts, finding, picture("forest")),
        *(_components(finding, picture("components")) if finding.plan.components else ()),
        *_agreement(tables, picture("direct-and-indirect")),
        *tables.likeness(),
        *tables.moderator(),
        *_others(facts, finding),
        *tables.leagues(),
        *folded("Places of the techniques, with their uncertainty", _ranks(tables, picture("ranks"))),
        *tables.fragile(),
        *folded("Comparison-adjusted funnel", (picture("comparison-adjusted-funnel", "funnel"),)),
        *_left_behind(finding),
    )
    about = (f"Planned network · {when} · {finding.measure.label}", Run(cites=finding.references))
    return Part(title=finding.title, blocks=blocks, anchor=name.anchor, about=about)


def _reference(finding: NetworkFinding) -> str:
    return finding.analysis.parts[0].reference if finding.analysis else ""


def _comparisons(facts: Facts, finding: NetworkFinding, forest: Picture) -> tuple[Part, ...]:
    reference = _reference(finding)
    first = [item for item in finding.comparisons if item.comparator == reference]
    first.sort(key=lambda item: (item.evidence == "extrapolated", item.estimate))  # as the forest has them
    told = (_told(facts, finding, item, item.technique_label) for item in first)
    title = "Each technique against the reference"
    return (Part(title=title, blocks=(forest, *points(told, look="named")), level=2),) if first else ()


def _others(facts: Facts, finding: NetworkFinding) -> tuple[Part, ...]:
    told = [
        _told(facts, finding, item, pair_words(item.technique, item.comparator))
        for item in finding.comparisons
        if item.comparator != _reference(finding)
    ]
    return folded("All other comparisons in words", points(told, look="named"), number=len(told))


def _told(facts: Facts, finding: NetworkFinding, item: NetworkComparison, name: str) -> Point:
    """Tell one comparison, with the share of direct evidence and how certain it is."""
    under: list[str | Run] = []
    if item.evidence == "direct_and_indirect" and item.direct_share is not None:
        under.append(f"{100 * item.direct_share:.0f} % of the evidence is direct. ")
    own = next((c for c in facts.networks if c.body.analysis == name_of(finding, item.technique)), None)
    if own is not None and own.body.comparator == item.comparator_label:
        words = f"{own.level_words} ({own.status_words})"
        under += [
            "Certainty of the network's estimate: ",
            Run(text=words, to=f"certainty-{own.body.analysis}"),
            ".",
        ]
    else:
        under.append("Certainty of the network's estimate: judged against the reference only.")
    link = _pairwise(facts, finding, item)
    if link is not None:
        under += [" Of the studies that compare the two directly: ", link, "."]
    return Point(lead=name, words=" ".join(item.sentences), under=tuple(under))


def _pairwise(facts: Facts, finding: NetworkFinding, item: NetworkComparison) -> Run | None:
    """Return the certainty of the pairwise answer to the same question; None where there is none.

    It was judged for the studies that compare the two directly, not for the network's estimate.
    """
    pair = {(item.technique,), (item.comparator,)}
    plans = {one.plan.id: one for one in facts.findings.analyses}
    for certainty in facts.certainties:
        other = plans[certainty.body.analysis]
        comparison = other.comparison
        if comparison is None or other.plan.outcome != finding.plan.outcome:
            continue
        sides = {comparison.technique, comparison.comparator}
        if sides == pair and not (comparison.options(1) or comparison.options(2)):
            words = f"{certainty.level_words} ({certainty.status_words})"
            return Run(text=words, to=f"certainty-{certainty.body.analysis}")
    return None


def _components(finding: NetworkFinding, picture: Picture) -> tuple[Part, ...]:
    """Tell what each part of an operation adds: the tendon ball first, then all, tied ones once a set."""
    model, blocks = finding.components, list[Block]()
    if finding.component_reason:
        blocks.append(Say(words=f"No answer on parts: {finding.component_reason}."))
    if model is not None:
        balls = {term.id for term in vocabulary("components") if term.facts.text("group") == BALL}
        told = {effect.component for effect in model.effects if effect.estimate is not None}
        ball = [item.sentence for item in finding.component_sentences if item.component in balls]
        parts = [item.sentence for item in finding.component_sentences if item.component in told]
        parts += not_told(model, lambda name: lower_first(component_label(name)))
        if ball:
            asked = Run(text="Does the tendon ball add anything?", look="strong")
            blocks.append(Say(words=(asked, f" {' '.join(ball)}")))
        adds_up = "Whether parts of an operation add up cannot be tested with these studies."
        if model.additivity is not None:
            adds_up = f"Do parts of an operation add up, as all this assumes? {_verdict(model.additivity)}"
        blocks.append(Say(words=adds_up))
        title = "Every part, and which parts these studies cannot tell apart"
        blocks += folded(title, (*points(parts), picture) if parts else ())
    some = [item.words for item in finding.partly_given]
    title = "Given to some thumbs of an arm only: covariates, no components"
    blocks += folded(title, points(some), number=len(some))
    return (Part(title="What does each part of an operation add?", blocks=tuple(blocks), level=2),)


def _agreement(tables: NetworkTables, picture: Picture) -> tuple[Part, ...]:
    if not tables.parts:
        return ()
    found, splits = tables.parts[0].inconsistency, tables.splits()
    said: tuple[str, ...] = (
        "This model keeps direct and indirect evidence together; whether they agree is not tested here.",
    )
    if found is not None:
        whole = (
            "No loop of comparisons closes through different studies, so the whole network cannot be tested."
        )
        if found.design_by_treatment is not None:
            whole = (
                "All at once: do studies of different sets of techniques tell the same story? "
                f"{_verdict(found.design_by_treatment)}"
            )
        few = "With few studies such tests miss much: no disagreement found is not agreement shown."
        said = (whole, _split_sentence(found), few)
    beside: tuple[Block, ...] = (picture, *splits) if splits else ()
    number = len(splits[0].rows) if splits else None
    blocks: tuple[Block, ...] = (
        Say(words=" ".join(said)), *folded("Direct beside indirect evidence", beside, number=number)
    )  # fmt: skip
    return (Part(title="Do direct and indirect evidence agree?", blocks=blocks, level=2),)


def _split_sentence(found: Inconsistency) -> str:
    if not found.splits:
        return "No comparison has both direct and indirect evidence, so nothing can be set side by side."
    checked = (
        f"{count(len(found.splits), 'comparison has', 'comparisons have')} both direct and indirect evidence"
    )
    doubtful = [
        pair_words(split.technique, split.comparator) for split in found.splits if split.p_value < DOUBT
    ]
    if not doubtful:
        return f"{checked}; in none is there a sign that they disagree."
    return f"{checked}; they may disagree in {listed(doubtful)}. Read those answers apart."


def _verdict(test: TestStatistic) -> str:
    doubt = "There are signs that they do not" if test.p_value < DOUBT else "No sign that they do not"
    df = count(int(test.df), "degree")
    return f"{doubt} (Q {test.value:.1f} on {df} of freedom, {p_value(test.p_value)})."


def _ranks(tables: NetworkTables, picture: Picture) -> Sequence[Block]:
    ranked = any(item.ranking is not None for item in tables.parts)
    return (Say(words=RANKS, look="quiet"), picture) if ranked else ()


def _left_behind(finding: NetworkFinding) -> tuple[Block, ...]:
    """Return what was set aside, what was assumed, and the notes."""
    apart = [Point(lead=item.study, words=f"{item.reason}.") for item in finding.set_aside]
    steps, notes = finding.assumptions, finding.notes
    label = f"Assumed or derived in the network: {finding.title}, {finding.measure.label}"
    return (
        *folded("Set aside, and why", points(apart), number=len(apart)),
        *folded("Assumed or derived", steps_table(steps, label), number=len(steps)),
        *folded("Notes", points(notes), number=len(notes)),
    )


def steps_table(steps: Iterable[Assumption], label: str) -> tuple[Table, ...]:
    """Return every step between a typed number and an analysed one, nothing without any."""
    rows = tuple(
        (
            step.study,
            step.rule,
            step.inputs,
            Run(cites=(step.reference,)) if step.reference else "common practice",
        )
        for step in steps
    )
    names = ("Study", "What was done", "Numbers", "Source")
    columns = tuple(
        Column(name=name, share=share) for name, share in zip(names, (30, 50, 60, 16), strict=True)
    )
    caption = "Every step between a typed number and an analysed one"
    return (Table(caption=caption, columns=columns, rows=rows, label=label),) if rows else ()
