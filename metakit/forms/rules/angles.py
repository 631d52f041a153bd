"""Rules on the direction of angles: which side of neutral a number lies."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.rules.arms import PRACTICE
from metakit.forms.rules.counts import time_key
from metakit.forms.rules.registry import Context, rule
from metakit.forms.tree import Group

SIGNS = {"positive_is_hyperextension": 1, "positive_is_flexion": -1}
LEAST = 10.0


@rule(
    "angle_direction",
    "hyperextension lies on one side of neutral throughout",
    needs=("arms.mp_preoperative.sign", "outcomes.sign", "mp_bands.sign", "subgroups.sign"),
    basis=PRACTICE,
)
def angle_direction(context: Context) -> Iterator[Problem]:
    """Ask about angles that by their sign are flexion, or whose change runs against the angles themselves."""
    for arm in context.record.groups("arms"):
        yield from _flexed(arm.group("mp_preoperative"), "mean")
    angles = [entry for entry in context.record.groups("outcomes") if _signed(context, entry)]
    for entry in angles:
        if entry.text("kind") != "change":
            yield from _flexed(entry, "mean")
    for entry in context.record.groups("subgroups"):
        if _signed(context, entry) and entry.text("kind") != "change":
            yield from _flexed(entry, "mean")
    for entry in context.record.groups("mp_bands"):
        yield from _band(entry)
    yield from _changes(context, angles)


def _signed(context: Context, entry: Group) -> bool:
    term = context.outcome(entry)
    return term is not None and bool(term.facts.flag("needs_sign"))


def _flexed(entry: Group, field: str) -> Iterator[Problem]:
    value, sign = entry.number(field), SIGNS.get(entry.text("sign"), 0)
    if value is not None and value * sign <= -LEAST:
        yield entry.problem(
            field,
            f"by its sign a mean of {abs(value):g} degrees of flexion, not hyperextension; is it right?",
            found=entry.typed(field),
            hint=f"sign says {entry.text('sign')}",
            severity="question",
        )


def _band(entry: Group) -> Iterator[Problem]:
    sign = SIGNS.get(entry.text("sign") or "positive_is_hyperextension", 0)
    band, count = entry.group("band"), entry.integer("count")
    ends = ("above", "from") if sign < 0 else ("to", "below")
    for end in ends if count else ():
        value = band.number(end)
        if value is not None and value * sign <= -LEAST:
            yield band.problem(
                end,
                f"by its sign all of this band is {abs(value):g} degrees flexed or more; is it right?",
                found=band.typed(end),
                severity="question",
            )
    if sign == 0 and count:
        yield entry.problem(
            "sign", "the band is left out until the direction is known", found="unclear", severity="question"
        )


def _changes(context: Context, angles: list[Group]) -> Iterator[Problem]:
    """Ask about changes whose sign is that of the wrong way round."""
    before = {
        arm.text("id"): _stored(arm.group("mp_preoperative"))
        for arm in context.record.groups("arms")
        if _stored(arm.group("mp_preoperative")) is not None
    }
    before |= {entry.text("arm"): _stored(entry) for entry in angles if entry.text("kind") == "baseline"}
    after = {
        (entry.text("arm"), *time_key(entry)): _stored(entry)
        for entry in angles
        if entry.text("kind") == "final"
    }
    for entry in angles:
        start, end = before.get(entry.text("arm")), after.get((entry.text("arm"), *time_key(entry)))
        change = _stored(entry)
        if entry.text("kind") != "change" or change is None or start is None or end is None:
            continue
        moved = end - start
        if abs(moved) > 2 and abs(change) > 2 and abs(change + moved) < abs(change - moved):
            yield entry.problem(
                "mean",
                f"from {start:g} to {end:g} degrees is a change of {moved:+g}, typed {change:+g}",
                found=entry.typed("mean"),
                hint="was the sign lost?",
                severity="question",
            )


def _stored(entry: Group) -> float | None:
    """Return a mean angle with hyperextension positive."""
    value, sign = entry.number("mean"), SIGNS.get(entry.text("sign"), 0)
    return None if value is None or not sign else value * sign
