"""Rules on what was found and done the first time, and on outcomes of parts of an arm."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.rules.arms import PRACTICE, most
from metakit.forms.rules.bands import ENDS
from metakit.forms.rules.counts import arm_of, time_key
from metakit.forms.rules.measured import limits_of, to_stored_unit
from metakit.forms.rules.registry import Context, rule
from metakit.forms.rules.returns import once, too_many
from metakit.forms.specs import Term
from metakit.forms.tree import Group

FINDINGS = ("findings.finding", "findings.count", "findings.total", "findings.option")
SUBGROUPS = ("subgroups.outcome", "subgroups.events", "subgroups.total", "subgroups.mean")
PARTS = ("mp_option", "st_option", "osteophyte_option")


@rule("findings_add_up", "findings are within those looked at", needs=FINDINGS, basis="arithmetic")
def findings_add_up(context: Context) -> Iterator[Problem]:
    """Find counts above their totals or above the wider finding, and options of another joint."""
    entries = context.record.groups("findings")
    yield from once(entries, ("arm", "finding", "option"), "finding")
    whole = {(e.text("arm"), e.text("finding")): e for e in entries if not e.text("option")}
    for entry in entries:
        arm = arm_of(context, entry)
        size = most(arm, "thumbs") if arm else None
        yield from too_many(entry, "total", size, "in the arm")
        total = entry.integer("total")
        yield from too_many(entry, "count", size if total is None else total, "looked at")
        term = context.term(entry, "finding", "findings.finding")
        if term is None:
            continue
        yield from _option(context, entry, term)
        count, home = entry.integer("count"), whole.get((entry.text("arm"), term.id))
        if home is not None and home is not entry:
            yield from too_many(entry, "count", home.integer("count"), f"counted under {term.id}")
        for wider in term.facts.words("within") if not entry.text("option") else ():
            other = whole.get((entry.text("arm"), wider))
            number = other.integer("count") if other else None
            if count is not None and number is not None and count > number:
                yield entry.problem(
                    "count",
                    f"{count} {term.id}, but only {number} {wider}",
                    found=str(count),
                    allowed=f"at most {number}",
                    severity="error",
                )


def _option(context: Context, entry: Group, term: Term) -> Iterator[Problem]:
    """Find an option of another source of trouble, or one that left alone what was treated."""
    option = context.term(entry, "option", "findings.option")
    if option is None:
        return
    for fact, part in (("source", option.facts.text("source")), ("role", option.facts.text("done"))):
        own = term.facts.text(fact)
        if part and own and own != part:
            yield entry.problem(
                "option",
                f"{term.id} is about {own.replace('_', ' ')}, {option.id} about {part.replace('_', ' ')}",
                found=option.id,
                severity="error",
            )
            return


@rule(
    "findings_fit_arm",
    "what some thumbs had is not said of all",
    needs=(*FINDINGS, "arms.st_option", "arms.mp_option", "arms.metacarpal_osteophyte_removed"),
    basis=PRACTICE,
)
def findings_fit_arm(context: Context) -> Iterator[Problem]:
    """Ask when the arm says that all were treated, or none, and the counts say otherwise."""
    entries = context.record.groups("findings")
    whole = {(e.text("arm"), e.text("finding")): e.integer("count") for e in entries if not e.text("option")}
    for entry in entries:
        arm, term = arm_of(context, entry), context.term(entry, "finding", "findings.finding")
        field = term.facts.text("arm_field") if term else ""
        count = entry.integer("count")
        if arm is None or term is None or not field or count is None or entry.text("option"):
            continue
        # Treated are some of those found, where the report counts them; of all looked at otherwise.
        found = [whole.get((entry.text("arm"), wider)) for wider in term.facts.words("within")]
        size = next((number for number in found if number), None) or entry.integer("total")
        size = size or most(arm, "thumbs")
        if not size:
            continue
        said = {"yes": True, "no": False}.get(arm.text(field))
        if field in PARTS:
            option = context.term(arm, field, f"arms.{field}")
            done = option.facts.text("done") if option else ""
            said = True if done == "treated" else False if done in ("left", "normal") else None
        told = arm.typed(field)
        if said is True and count < 0.9 * size:
            what = f"{count} of {size} = {100 * count / size:.0f} %, the arm says {told} of all"
            hint = "what fewer than 90 % had stands under partly_given, or some"
        elif said is False and count > 0.1 * size:
            what = f"{count} of {size} = {100 * count / size:.0f} %, the arm says {told}"
            hint = "what some had stands under partly_given, or some"
        else:
            continue
        yield entry.problem("count", what, found=str(count), hint=hint, severity="question")


@rule(
    "subgroups_fit",
    "an outcome of part of an arm is within the arm",
    needs=SUBGROUPS,
    basis="arithmetic; definition of the outcomes",
)
def subgroups_fit(context: Context) -> Iterator[Problem]:
    """Find parts without a name, counts above totals, and values that do not fit their outcome."""
    entries = context.record.groups("subgroups")
    named = ("arm", "outcome", *PARTS, *(f"mp_before.{end}" for end in ENDS), "kind")
    yield from once(entries, (*named, "time.label", "time.value", "time.unit"), "outcome")
    whole = {
        (entry.text("arm"), entry.text("outcome"), *time_key(entry)): entry.integer("events")
        for entry in context.record.groups("outcomes")
    }
    for entry in entries:
        events = entry.integer("events")
        known = whole.get((entry.text("arm"), entry.text("outcome"), *time_key(entry)))
        if events is not None and known is not None and events > known:
            what = f"{events} in this part, {known} in the whole arm"
            yield entry.problem("events", what, found=str(events), severity="question")
        if not any(entry.text(part) for part in PARTS) and not entry.has("mp_before"):
            what = "which part of the arm? the whole arm stands under outcomes"
            yield entry.problem("outcome", what, allowed=", ".join((*PARTS, "mp_before")), severity="error")
        arm = arm_of(context, entry)
        size, total = most(arm, "thumbs") if arm else None, entry.integer("total")
        for name in ("total", "n"):
            yield from too_many(entry, name, size, "in the arm")
        yield from too_many(entry, "events", total, "in the part")
        if not entry.text("time.label") and entry.number("time.value") is None:
            yield entry.problem(
                "time", "neither a time nor a label", allowed="value and unit, or a label", severity="error"
            )
        term = context.term(entry, "outcome", "subgroups.outcome")
        if term is not None:
            yield from _values(context, entry, term)


def _values(context: Context, entry: Group, term: Term) -> Iterator[Problem]:
    kind = term.facts.text("kind")
    for name in ("events",) if kind == "continuous" else ("mean", "standard_deviation"):
        if entry.has(name):
            what = (
                f"{term.id} is {'measured, not counted' if kind == 'continuous' else 'counted, not measured'}"
            )
            yield entry.problem(name, what, found=entry.typed(name), severity="error")
    mean = entry.number("mean")
    if kind != "continuous" or mean is None:
        return
    if term.facts.flag("needs_sign") and not entry.text("sign"):
        yield entry.problem(
            "sign",
            f"say which direction of {term.id} is positive: MP 'extension' can mean either",
            allowed="positive_is_hyperextension, positive_is_flexion, unclear",
            severity="error",
        )
    convert, (low, high) = to_stored_unit(context, entry, term), limits_of(entry, term)
    if convert is None:
        return
    stored, change = convert(mean), entry.text("kind") == "change"
    if change and low is not None and high is not None:
        low, high = low - high, high - low
    if (low is not None and stored < low) or (high is not None and stored > high):
        ends = " to ".join("?" if end is None else f"{end:g}" for end in (low, high))
        yield entry.problem(
            "mean",
            "outside the limits of the outcome",
            found=entry.typed("mean"),
            allowed=ends,
            severity="error",
        )
