"""Rules that compare measured outcomes of one arm: pinch against grip, after against before."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.rules.arms import PRACTICE
from metakit.forms.rules.counts import time_key
from metakit.forms.rules.measured import NEEDS, measured, to_stored_unit
from metakit.forms.rules.registry import Context, rule
from metakit.forms.tree import Group


@rule("pinch_strengths", "grip > key and tripod pinch > tip pinch", needs=NEEDS, basis=PRACTICE)
def pinch_strengths(context: Context) -> Iterator[Problem]:
    """Ask about strengths in an unlikely order within one arm and time."""
    together: dict[tuple[object, ...], dict[str, tuple[float, Group]]] = {}
    for entry, term in measured(context):
        convert, mean = to_stored_unit(context, entry, term), entry.number("mean")
        if convert is not None and mean is not None and entry.text("kind") != "change":
            key = (entry.text("arm"), entry.text("kind"), *time_key(entry))
            together.setdefault(key, {})[term.id] = (convert(mean), entry)
    for strengths in together.values():
        for larger, smaller, most_ratio in (
            ("tripod_pinch", "key_pinch", 2.5),
            ("key_pinch", "tip_pinch", 1.0),
            ("tripod_pinch", "tip_pinch", 1.0),
            ("grip", "key_pinch", 0.4),
            ("grip", "tripod_pinch", 0.4),
        ):
            if larger not in strengths or smaller not in strengths:
                continue
            (big, _), (small, entry) = strengths[larger], strengths[smaller]
            if big > 0 and small > most_ratio * big:
                yield entry.problem(
                    "mean",
                    f"{smaller} {small:.3g} kg > {most_ratio:g} x {larger} {big:.3g} kg; is the unit right?",
                    found=entry.typed("mean"),
                    severity="question",
                )


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
