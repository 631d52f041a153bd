"""Rules between outcomes: nesting, events that the operation rules out, times."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.rules.arms import PRACTICE
from metakit.forms.rules.counts import NEEDS, arm_of, time_key
from metakit.forms.rules.registry import Context, rule
from metakit.forms.rules.techniques import component_terms, components_of
from metakit.forms.rules.time import follow_up_months, in_months
from metakit.forms.tree import Group


@rule(
    "nested_outcomes", "a narrower outcome <= the wider one", needs=NEEDS, basis="definition of the outcomes"
)
def nested_outcomes(context: Context) -> Iterator[Problem]:
    """Find more revisions than reoperations, and ask about more events of one type than of all."""
    entries = context.record.groups("outcomes")
    spec = context.form.find("outcomes.outcome")
    terms = spec.terms if spec else {}
    wider: dict[tuple[object, ...], Group] = {}
    for entry in entries:
        if entry.integer("events") is not None:
            wider[
                (entry.text("arm"), entry.text("outcome"), *time_key(entry), entry.text("unit_of_analysis"))
            ] = entry
    for entry in entries:
        events, term = entry.integer("events"), context.outcome(entry)
        if events is None or term is None:
            continue
        for name in _ancestors(term.id, terms):
            parent = wider.get((entry.text("arm"), name, *time_key(entry), entry.text("unit_of_analysis")))
            above = parent.integer("events") if parent else None
            if parent is None or above is None or events <= above:
                continue
            certain = term.facts.text("family") == "reoperation"
            yield entry.problem(
                "events",
                f"{events} {term.id}, but {above} {name} (line {parent.place_of('events').line}) around it",
                found=str(events),
                allowed=f"at most {above}",
                hint=""
                if certain
                else "does the author's total leave this kind out? then say so under definition or note",
                severity="error" if certain else "question",
            )


def _ancestors(outcome: str, terms: object) -> list[str]:
    found: list[str] = []
    waiting = [outcome]
    while waiting:
        term = terms.get(waiting.pop()) if isinstance(terms, dict) else None
        for name in term.facts.words("within") if term else ():
            if name not in found:
                found.append(name)
                waiting.append(name)
    return found


@rule(
    "impossible_events", "the operation allows the event", needs=(*NEEDS, "arms.components"), basis="anatomy"
)
def impossible_events(context: Context) -> Iterator[Problem]:
    """Find events that the operation rules out, such as a conversion to trapeziectomy after trapeziectomy."""
    components = component_terms(context)
    for entry in context.record.groups("outcomes"):
        term, arm, events = context.outcome(entry), arm_of(context, entry), entry.integer("events")
        if term is None or arm is None or not events or arm.flag("mixed"):
            continue
        parts = components_of(context, arm)
        for part in term.facts.words("impossible_with"):
            if part in parts:
                yield entry.problem(
                    "events",
                    f"{term.id} is impossible after {part}",
                    found=str(events),
                    allowed="0",
                    severity="error",
                )
        has_implant = any(components[part].facts.flag("implant") for part in parts if part in components)
        if term.facts.flag("needs_implant") and parts and not has_implant:
            yield entry.problem(
                "events",
                f"{term.id} in an arm without an implant; is the technique right?",
                found=str(events),
                severity="question",
            )


@rule(
    "time_is_stated",
    "each outcome has its time",
    needs=("outcomes.time.value", "outcomes.time.unit"),
    basis=PRACTICE,
)
def time_is_stated(context: Context) -> Iterator[Problem]:
    """Find outcomes without a time, and ask about times beyond the arm's follow-up."""
    for entry in context.record.groups("outcomes"):
        value, unit, label = entry.number("time.value"), entry.text("time.unit"), entry.text("time.label")
        if value is not None and not unit:
            yield entry.problem(
                "time", f"{value:g} of which unit?", allowed="days, weeks, months, years", severity="error"
            )
        if value is None and not label and entry.has("time"):
            yield entry.problem(
                "time",
                "neither a time nor a label",
                allowed="value and unit, or label: last_follow_up",
                severity="error",
            )
        before = label == "before_surgery" or value == 0
        kind = entry.text("kind")
        if kind == "baseline" and not before:
            yield entry.problem(
                "time", "a baseline value at a time after surgery", hint="use time 0 months", severity="error"
            )
        if kind in ("final", "change") and before:
            yield entry.problem(
                "time", f"a {kind} value before surgery", hint="use kind: baseline", severity="error"
            )
        months, arm = (
            in_months(context, entry, "time.value", "time.unit", "outcomes.time.unit"),
            arm_of(context, entry),
        )
        longest = follow_up_months(context, arm, "maximum") if arm else None
        if months is not None and longest is not None and months > longest * 1.05 and not before:
            yield entry.problem(
                "time",
                f"{months:g} months, the longest follow-up of the arm is {longest:g}",
                found=f"{value:g} {unit}",
                severity="question",
            )
