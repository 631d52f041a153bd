"""Rules on what a protocol asks beside its analyses: to explore why studies differ, and pairs of options."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem, nearest_names
from metakit.forms.rules.registry import Context, named_twice, rule

KINDS = ("events", "continuous")
"""Kinds of outcomes by which pairs of options are compared."""


@rule(
    "exploration_fits",
    "an exploration fits its analyses",
    needs=("explorations.moderators", "explorations.kind", "explorations.analyses", "analyses.id"),
    basis="definition of subgroups and meta-regression",
)
def exploration_fits(context: Context) -> Iterator[Problem]:
    """Find analyses that do not exist, groups made of numbers, and arm differences asked of series."""
    analyses = {item.text("id"): item for item in context.record.groups("analyses")}
    spec = context.form.find("explorations.moderators")
    terms = spec.terms if spec else {}
    first: dict[str, int] = {}
    for item in context.record.groups("explorations"):
        name = item.text("id")
        if name in first:
            yield item.problem("id", f"stands on line {first[name]} already", found=name, severity="error")
        elif name:
            first[name] = item.place.line
        for unknown in (asked for asked in item.words("analyses") if asked not in analyses):
            yield item.problem(
                "analyses", "no such analysis", found=unknown, allowed=", ".join(analyses), severity="error"
            )
        moderators = item.words("moderators")
        numbers = [key for key in moderators if key in terms and terms[key].facts.text("kind") == "number"]
        if item.text("kind") == "subgroups" and len(moderators) > 1:
            yield item.problem(
                "moderators",
                "subgroups are made by one property",
                found=", ".join(moderators),
                allowed="one property in words",
                severity="error",
            )
        if item.text("kind") == "subgroups" and numbers:
            yield item.problem(
                "moderators",
                "a number makes no groups without an arbitrary cut-off",
                found=", ".join(numbers),
                allowed="a property in words, or kind: meta_regression",
                severity="error",
            )
        two_arms = [key for key in numbers if terms[key].facts.flag("comparative")]
        series = [
            key for key in item.words("analyses") if key in analyses and analyses[key].has("techniques")
        ]
        if two_arms and series:
            yield item.problem(
                "moderators",
                "a difference between arms does not exist in series",
                found=f"{', '.join(two_arms)} for {', '.join(series)}",
                severity="error",
            )


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
