"""Rules on what a protocol asks to explore: names that exist, properties that the analysis can have."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.rules.registry import Context, rule


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
