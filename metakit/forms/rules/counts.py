"""Rules on counted outcomes: events, totals, percentages, definitions."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.arithmetic import half_step
from metakit.forms.rules.arms import PRACTICE, most
from metakit.forms.rules.registry import Context, rule
from metakit.forms.tree import Group

COUNTED = ("events", "event_count", "percent")
MEASURED = ("mean", "standard_deviation", "standard_error", "median", "quartiles", "minimum", "maximum")
VALUES = (*COUNTED, *MEASURED, "interval")
NEEDS = ("outcomes.outcome", "outcomes.events", "outcomes.total")


def time_key(entry: Group) -> tuple[object, ...]:
    """Return what makes two entries stand for one time."""
    return entry.text("time.label"), entry.number("time.value"), entry.text("time.unit")


def arm_of(context: Context, entry: Group) -> Group | None:
    """Return the arm that an outcome belongs to."""
    name = entry.text("arm")
    return next((arm for arm in context.record.groups("arms") if name and arm.text("id") == name), None)


@rule(
    "outcome_entered_once", "an outcome of an arm and time stands once", needs=NEEDS, basis="double counting"
)
def outcome_entered_once(context: Context) -> Iterator[Problem]:
    """Find two entries for one outcome, arm, time, kind, unit and definition."""
    first: dict[tuple[object, ...], Group] = {}
    for entry in context.record.groups("outcomes"):
        if not entry.text("arm") or not entry.text("outcome"):
            continue
        what = tuple(
            entry.text(name)
            for name in ("arm", "outcome", "kind", "unit_of_analysis", "definition", "author_definition")
        )
        key = (*what, *time_key(entry))
        if key in first:
            yield entry.problem(
                "outcome",
                f"line {first[key].place.line} has the same outcome of this arm and time",
                found=entry.text("outcome"),
                hint="keep one, or say what differs under author_definition",
                severity="error",
            )
        first.setdefault(key, entry)


@rule(
    "values_fit_outcome",
    "events are counted, scores measured",
    needs=NEEDS,
    basis="definition of the outcomes",
)
def values_fit_outcome(context: Context) -> Iterator[Problem]:
    """Find means typed for counted outcomes and events typed for measured ones."""
    for entry in context.record.groups("outcomes"):
        term = context.outcome(entry)
        kind = term.facts.text("kind") if term else ""
        if not term or not kind:
            continue
        wrong = {
            "events": (*MEASURED, "interval"),
            "continuous": (*COUNTED, "total"),
            "survival": (*(name for name in MEASURED if name != "standard_error"), "events"),
        }.get(kind, ())
        words = {
            "events": "is counted: it takes events and total",
            "continuous": "is measured: it takes n, mean and standard_deviation, or what stands instead",
            "survival": "is a share at a stated time: it takes percent and interval (or standard_error)",
        }.get(kind, "")
        for name in wrong:
            if entry.has(name):
                yield entry.problem(name, f"{term.id} {words}", found=entry.typed(name), severity="error")


@rule(
    "reporting_fits_values",
    "reporting agrees with the values",
    needs=("outcomes.reporting", *NEEDS),
    basis="a reported zero is not silence",
)
def reporting_fits_values(context: Context) -> Iterator[Problem]:
    """Find reported outcomes without a value, silent ones with a value, and zeros that are none."""
    for entry in context.record.groups("outcomes"):
        reporting = entry.text("reporting")
        typed = [name for name in VALUES if entry.has(name)]
        term = context.outcome(entry)
        counted = term is not None and term.facts.text("kind") == "events"
        if reporting == "reported" and not typed:
            what = "events and total" if counted else "a value such as mean"
            yield entry.problem(
                "reporting",
                f"reported, but no value is typed (or none could be read); {what} is missing",
                hint="measured_not_reported when there is no number; reported_zero when there were none",
                severity="error",
            )
        if reporting in ("not_reported", "measured_not_reported"):
            for name in typed:
                yield entry.problem(
                    name, f"a value beside reporting: {reporting}", found=entry.typed(name), severity="error"
                )
        if reporting == "reported_zero":
            for name in COUNTED:
                if entry.number(name):
                    yield entry.problem(
                        name,
                        "not zero beside reporting: reported_zero",
                        found=entry.typed(name),
                        severity="error",
                    )
            if entry.integer("total") is None:
                yield entry.problem(
                    "", "a reported zero needs the total: none of how many?", severity="error"
                )
        if reporting == "reported" and counted and entry.integer("events") == 0:
            yield entry.problem(
                "events",
                "zero events: reporting is reported_zero then",
                found="0",
                hint="",
                severity="question",
            )


@rule("events_within_total", "events <= total", needs=NEEDS, basis="arithmetic")
def events_within_total(context: Context) -> Iterator[Problem]:
    """Find more thumbs with an event than thumbs, and fewer events than thumbs with one."""
    for entry in context.record.groups("outcomes"):
        events, total, count = entry.integer("events"), entry.integer("total"), entry.integer("event_count")
        if events is not None and total is not None and events > total:
            yield entry.problem(
                "events",
                f"{events} of {total} cannot have the event",
                found=str(events),
                allowed=f"at most {total}",
                hint="when the report counts events rather than thumbs: event_count, and counted: per_event",
                severity="error",
            )
        if events is not None and count is not None and count < events:
            what = f"{events} thumbs with an event, but only {count} events"
            yield entry.problem(
                "event_count", what, found=str(count), allowed=f"at least {events}", severity="error"
            )
        if events is not None and total is None:
            yield entry.problem(
                "events", f"{events} of how many? total is missing", found=str(events), severity="error"
            )


@rule(
    "total_within_arm",
    "total <= thumbs or patients of the arm",
    needs=("outcomes.unit_of_analysis", "arms.thumbs", "arms.patients", *NEEDS),
    basis="arithmetic",
)
def total_within_arm(context: Context) -> Iterator[Problem]:
    """Find totals larger than the arm, and ask about totals larger than those analysed."""
    for entry in context.record.groups("outcomes"):
        arm, unit = arm_of(context, entry), entry.text("unit_of_analysis")
        if arm is None or unit not in ("thumbs", "patients"):
            continue
        limit, analysed = most(arm, unit), arm.integer(f"{unit}.analysed")
        for name in ("total", "n"):
            total = entry.integer(name)
            if total is None or limit is None:
                continue
            if total > limit:
                yield entry.problem(
                    name,
                    f"{total} {unit}, the arm never had more than {limit}",
                    found=str(total),
                    allowed=f"at most {limit}",
                    hint="is unit_of_analysis right?",
                    severity="error",
                )
            elif analysed is not None and total > analysed and entry.text("kind") != "baseline":
                yield entry.problem(
                    name,
                    f"{total} {unit}, {analysed} were analysed; is it right?",
                    found=str(total),
                    severity="question",
                )


@rule(
    "percent_matches_events",
    "percentage = events / total",
    needs=("outcomes.percent", *NEEDS),
    basis="arithmetic, within rounding",
)
def percent_matches_events(context: Context) -> Iterator[Problem]:
    """Ask about percentages that do not fit the counts, or that no whole number of thumbs can give."""
    for entry in context.record.groups("outcomes"):
        percent, events, total = entry.number("percent"), entry.integer("events"), entry.integer("total")
        term = context.outcome(entry)
        if percent is None or term is None or term.facts.text("kind") != "events":
            continue
        if total is None:
            yield entry.problem(
                "percent", "a percentage needs its total", found=entry.typed("percent"), severity="error"
            )
            continue
        slack = half_step(entry.typed("percent")) + 1e-9
        if events is not None and events <= total:
            right = 100 * events / total
            if abs(right - percent) > slack:
                yield entry.problem(
                    "percent",
                    f"{events} of {total} = {right:.2f} %",
                    found=entry.typed("percent"),
                    hint="does the percentage have another denominator?",
                    severity="question",
                )
        elif events is None and entry.text("counted") != "per_event":
            nearest = round(percent * total / 100)
            if abs(100 * nearest / total - percent) > slack:
                yield entry.problem(
                    "percent",
                    f"{percent:g} % of {total} = {percent * total / 100:.2f}, not a whole number "
                    f"({nearest} of {total} = {100 * nearest / total:.2f} %)",
                    found=entry.typed("percent"),
                    hint="does the percentage have another denominator?",
                    severity="question",
                )


@rule(
    "counted_per_event",
    "events counted per event",
    needs=("outcomes.counted", "outcomes.event_count"),
    basis=PRACTICE,
)
def counted_per_event(context: Context) -> Iterator[Problem]:
    """Find numbers said to count events that stand in the field for thumbs."""
    for entry in context.record.groups("outcomes"):
        if entry.text("counted") == "per_event" and entry.has("events") and not entry.has("event_count"):
            yield entry.problem(
                "events",
                "events counts thumbs, but counted says per_event",
                found=entry.typed("events"),
                hint="move the number to event_count",
                severity="error",
            )


@rule(
    "definition_fits_outcome",
    "the mapped definition belongs to the outcome",
    needs=("outcomes.definition", "outcomes.author_definition"),
    basis="complications and revisions are never pooled across definitions in silence",
)
def definition_fits_outcome(context: Context) -> Iterator[Problem]:
    """Find definitions of another outcome, and ask for the mapping of loosely used words, once an outcome."""
    spec = context.form.find("outcomes.definition")
    terms = spec.terms if spec else {}
    variants: dict[str, list[str]] = {}
    for term in terms.values():
        for outcome in term.facts.words("for_outcomes"):
            variants.setdefault(outcome, []).append(term.id)
    asked: set[str] = set()
    for entry in context.record.groups("outcomes"):
        outcome, definition = entry.text("outcome"), entry.text("definition")
        allowed = [outcome, *variants.get(outcome, [])]
        if definition and outcome and definition not in allowed:
            yield entry.problem(
                "definition",
                f"not a definition of {outcome}",
                found=definition,
                allowed=", ".join(allowed),
                severity="error",
            )
        loose = outcome in variants and entry.text("reporting") in ("reported", "reported_zero")
        if loose and not definition and outcome not in asked:
            asked.add(outcome)
            yield entry.problem(
                "definition",
                f"which definition of {outcome} did the report use?",
                allowed=", ".join(allowed),
                severity="question",
            )
        if definition.endswith(("_author", "author_definition")) and not entry.has("author_definition"):
            yield entry.problem(
                "author_definition", "the author's own words are missing", severity="question"
            )
