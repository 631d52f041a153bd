"""Rules that compare measured outcomes of one arm: pinch against grip, after against before."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.rules.arms import PRACTICE
from metakit.forms.rules.counts import time_key
from metakit.forms.rules.measured import NEEDS, measured, to_stored_unit
from metakit.forms.rules.registry import Context, rule
from metakit.forms.specs import Term
from metakit.forms.tree import Group


@rule("pinch_strengths", "an outcome is at most as large as another of the arm", needs=NEEDS, basis=PRACTICE)
def pinch_strengths(context: Context) -> Iterator[Problem]:
    """Ask about outcomes of one arm and time in an unlikely order, as the vocabulary says it."""
    together: dict[tuple[object, ...], dict[str, tuple[float, Group, Term]]] = {}
    for entry, term in measured(context):
        convert, mean = to_stored_unit(context, entry, term), entry.number("mean")
        if convert is not None and mean is not None and entry.text("kind") != "change":
            key = (entry.text("arm"), entry.text("kind"), *time_key(entry))
            together.setdefault(key, {})[term.id] = (convert(mean), entry, term)
    for values in together.values():
        for smaller, (small, entry, term) in values.items():
            for limit in term.facts.groups("usually_at_most"):
                larger, most_ratio = limit.text("outcome"), limit.number("times") or 1.0
                if larger not in values:
                    continue
                big, _, other = values[larger]
                if big > 0 and small > most_ratio * big:
                    yield entry.problem(
                        "mean",
                        f"{smaller} {_sized(small, term)} > {most_ratio:g} x {larger} {_sized(big, other)}; "
                        "is the unit right?",
                        found=entry.typed("mean"),
                        severity="question",
                    )


def _sized(value: float, term: Term) -> str:
    unit = term.facts.text("unit")
    return f"{value:.3g} {unit}" if unit and "_" not in unit else f"{value:.3g}"


@rule("score_gets_better", "scores improve after surgery", needs=(*NEEDS, "outcomes.kind"), basis=PRACTICE)
def score_gets_better(context: Context) -> Iterator[Problem]:
    """Ask about patient-reported scores and pain that are worse after surgery than before."""
    before: dict[tuple[str, str], float] = {}
    for entry, term in measured(context):
        mean, convert = entry.number("mean"), to_stored_unit(context, entry, term)
        if entry.text("kind") == "baseline" and mean is not None and convert is not None:
            before[(entry.text("arm"), term.id)] = convert(mean)
    for entry, term in measured(context):
        mean, convert, first = (
            entry.number("mean"),
            to_stored_unit(context, entry, term),
            before.get((entry.text("arm"), term.id)),
        )
        better = term.facts.text("better")
        if term.facts.text("family") not in ("patient_reported", "pain") or better not in ("lower", "higher"):
            continue
        if mean is None or convert is None or first is None or entry.text("kind") != "final":
            continue
        after = convert(mean)
        if (after > first) if better == "lower" else (after < first):
            yield entry.problem(
                "mean",
                f"{term.id} {first:g} before, {after:g} after, {better} is better: is the direction right?",
                found=entry.typed("mean"),
                severity="question",
            )
