"""Rules on a protocol's pairs of options at a source of trouble."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem, nearest_names
from metakit.forms.rules.registry import Context, named_twice, rule

KINDS = ("events", "continuous")


@rule(
    "option_pairs_fit",
    "pairs of options ask about a source of trouble and outcomes of the plan",
    needs=(
        "option_pairs.id",
        "option_pairs.source",
        "option_pairs.outcomes",
        "outcomes.outcome",
        "networks.id",
    ),
    basis="references by name; definition of the measures",
)
def option_pairs_fit(context: Context) -> Iterator[Problem]:
    """Find names used twice, causes that are no source of trouble, outcomes without a window or a measure."""
    pairs = context.record.groups("option_pairs")
    yield from named_twice(pairs, "id")
    networks = {item.text("id") for item in context.record.groups("networks")}
    known = [item.text("outcome") for item in context.record.groups("outcomes")]
    spec, outcomes = context.form.find("option_pairs.source"), context.form.find("option_pairs.outcomes")
    terms = spec.terms if spec else {}
    for item in pairs:
        if item.text("id") in networks:
            yield item.problem(
                "id", "a network has this name; judgements of certainty are told apart by it",
                found=item.text("id"), severity="error",
            )  # fmt: skip
        source = terms.get(item.text("source"))
        if source is not None and not source.facts.flag("source_of_trouble"):
            allowed = ", ".join(name for name, term in terms.items() if term.facts.flag("source_of_trouble"))
            yield item.problem(
                "source", "no operation deals with this cause the first time",
                found=source.id, allowed=allowed, severity="error",
            )  # fmt: skip
        for name in item.words("outcomes"):
            term = outcomes.terms.get(name) if outcomes else None
            if term is None:
                continue
            if term.facts.text("kind") not in KINDS:
                yield item.problem(
                    "outcomes", f"pairs of options are compared by {' or '.join(KINDS)}",
                    found=name, severity="error",
                )  # fmt: skip
            elif name not in known:
                yield item.problem(
                    "outcomes", "the protocol names no time window for it: list it under outcomes",
                    found=name, hint=nearest_names(name, known), severity="error",
                )  # fmt: skip
