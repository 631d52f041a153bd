"""Rules on thumbs that came back: how many, for which causes, what was done then."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from metakit.errors import Problem
from metakit.forms.rules.arms import PRACTICE, most, order_problems
from metakit.forms.rules.counts import arm_of
from metakit.forms.rules.registry import Context, rule
from metakit.forms.rules.techniques import component_terms, components_of
from metakit.forms.rules.time import follow_up_months, in_months
from metakit.forms.tree import Group

OPERATION = "operation"
NOT_STATED = "not_stated"
NEEDS = ("returns.arm", "returns.kind", "returns.count", "return_causes.cause", "return_causes.count")


def named_alike(entries: Sequence[Group], fields: Sequence[str]) -> Iterator[tuple[Group, Group]]:
    """Yield entries that say the same in all these fields as an earlier one, with that one."""
    first: dict[tuple[str, ...], Group] = {}
    for entry in entries:
        key = tuple(entry.typed(name) for name in fields)
        if not key[0]:
            continue
        if key in first:
            yield entry, first[key]
        first.setdefault(key, entry)


def once(entries: Sequence[Group], fields: Sequence[str], at: str) -> Iterator[Problem]:
    """Find entries that stand twice."""
    for entry, earlier in named_alike(entries, fields):
        what = f"line {earlier.place.line} says this already"
        yield entry.problem(at, what, found=entry.typed(at), hint="keep one", severity="error")


def too_many(entry: Group, field: str, limit: int | None, of: str) -> Iterator[Problem]:
    """Find a count above the number that it is a part of."""
    count = entry.integer(field)
    if count is not None and limit is not None and count > limit:
        yield entry.problem(
            field, f"{count} of {limit} {of}", found=str(count), allowed=f"at most {limit}", severity="error"
        )


@rule("returns_within_arm", "those that came back are within the arm", needs=NEEDS, basis="arithmetic")
def returns_within_arm(context: Context) -> Iterator[Problem]:
    """Find more returns than thumbs followed, entries that stand twice, and times beyond the follow-up."""
    entries = context.record.groups("returns")
    yield from once(entries, ("arm", "kind"), "arm")
    for entry in entries:
        arm = arm_of(context, entry)
        followed = entry.integer("total")
        whole = most(arm, "thumbs") if arm else None
        yield from too_many(entry, "total", whole, "in the arm")
        yield from too_many(entry, "count", whole if followed is None else followed, "followed")
        after = entry.group("came_back_after")
        yield from order_problems(after)
        latest = in_months(context, after, "maximum", "unit", "returns.came_back_after.unit")
        longest = follow_up_months(context, arm, "maximum") if arm else None
        if latest is not None and longest is not None and latest > longest * 1.05:
            what = f"{latest:g} months, the longest follow-up of the arm is {longest:g}"
            yield after.problem("maximum", what, found=after.typed("maximum"), severity="question")


@rule("return_causes_add_up", "causes make up those that came back", needs=NEEDS, basis="arithmetic")
def return_causes_add_up(context: Context) -> Iterator[Problem]:
    """Find a cause above all returns; ask about causes that miss them, or overlap without saying so."""
    causes = context.record.groups("return_causes")
    yield from once(causes, ("arm", "kind", "cause"), "cause")
    homes: dict[tuple[str, str], Group] = {}
    for entry in context.record.groups("returns"):
        homes.setdefault((entry.text("arm"), entry.text("kind")), entry)
    parts: dict[tuple[str, str], list[Group]] = {}
    for cause in causes:
        key = (cause.text("arm"), cause.text("kind"))
        if not all(key):
            continue
        if key not in homes:
            yield cause.problem(
                "cause",
                f"no entry of arm {key[0]} and {key[1]} under returns: of how many that came back?",
                found=cause.text("cause"),
                severity="error",
            )
            continue
        parts.setdefault(key, []).append(cause)
        yield from too_many(cause, "count", homes[key].integer("count"), "that came back")
    for key, home in homes.items():
        yield from _sum(home, parts.get(key, []))


def _sum(home: Group, causes: list[Group]) -> Iterator[Problem]:
    whole = home.integer("count")
    counts = [count for cause in causes if (count := cause.integer("count")) is not None]
    if whole is None or len(counts) < len(causes) or any(count > whole for count in counts):
        return
    if not causes:
        if whole:
            yield home.problem(
                "count",
                f"{whole} came back and no cause is named",
                found=str(whole),
                hint="name the causes under return_causes, or not_stated with their number",
                severity="question",
            )
        return
    lost = sum(cause.integer("count") or 0 for cause in causes if cause.text("cause") == NOT_STATED)
    for cause in causes:
        count = cause.integer("count") or 0
        if lost and cause.text("cause") != NOT_STATED and count + lost > whole:
            what = f"{count} with this cause and {lost} without a stated one, {whole} came back"
            yield cause.problem("count", what, found=cause.typed("count"), severity="error")
            return
    overlap = home.flag("causes_overlap")
    sums = " + ".join(f"{cause.integer('count')} {cause.text('cause')}" for cause in causes)
    told = f"{sums} = {sum(counts)}, {whole} came back"
    if sum(counts) > whole and not overlap:
        yield causes[-1].problem(
            "count",
            told,
            found=causes[-1].typed("count"),
            hint="can one stand under several causes? then causes_overlap: yes",
            severity="question",
        )
    elif sum(counts) < whole:
        yield causes[-1].problem(
            "count",
            told,
            found=causes[-1].typed("count"),
            hint="is a cause left out? type what the report leaves open as not_stated",
            severity="question",
        )


@rule(
    "return_cause_fits_arm",
    "the operation allows the cause",
    needs=(*NEEDS, "arms.components"),
    basis="anatomy",
)
def return_cause_fits_arm(context: Context) -> Iterator[Problem]:
    """Ask about causes that need an implant, or a part, which the arm does not have."""
    components = component_terms(context)
    for entry in context.record.groups("return_causes"):
        term = context.term(entry, "cause", "return_causes.cause")
        arm = arm_of(context, entry)
        if term is None or arm is None or not entry.integer("count") or arm.flag("mixed"):
            continue
        given = [part.text("component") for part in arm.groups("partly_given")]
        parts = (*components_of(context, arm), arm.text("mp_option"), arm.text("st_option"), *given)
        implant = any(components[part].facts.flag("implant") for part in parts if part in components)
        needed = term.facts.words("needs_component")
        if term.facts.flag("needs_implant") and not implant:
            what = f"{term.id} in an arm without an implant; is the technique right?"
        elif needed and not set(needed) & set(parts):
            what = f"{term.id} in an arm without {' or '.join(needed)}; is the technique right?"
        else:
            continue
        yield entry.problem("cause", what, found=term.id, severity="question")


@rule(
    "second_operations_fit",
    "second operations are within those that came back",
    needs=(*NEEDS, "second_operations.operation", "second_operations.count"),
    basis="arithmetic",
)
def second_operations_fit(context: Context) -> Iterator[Problem]:
    """Find more second operations of one kind than thumbs that had any; ask about those without one."""
    operations = context.record.groups("second_operations")
    yield from once(operations, ("arm", "operation", "cause"), "operation")
    homes: dict[str, Group] = {}
    for entry in context.record.groups("returns"):
        if entry.text("kind") == OPERATION:
            homes.setdefault(entry.text("arm"), entry)
    causes = {
        (cause.text("arm"), cause.text("cause")): cause
        for cause in context.record.groups("return_causes")
        if cause.text("kind") == OPERATION
    }
    done: dict[str, list[Group]] = {}
    for entry in operations:
        arm, cause = entry.text("arm"), entry.text("cause")
        if not arm:
            continue
        if arm not in homes:
            what = f"no entry of arm {arm} and operation under returns: of how many that came back?"
            yield entry.problem("operation", what, found=entry.text("operation"), severity="error")
            continue
        done.setdefault(arm, []).append(entry)
        yield from too_many(entry, "count", homes[arm].integer("count"), "that came back")
        if cause and (arm, cause) not in causes:
            what = "this cause is not among the causes of the arm"
            yield entry.problem("cause", what, found=cause, severity="question")
        elif cause:
            count, known = entry.integer("count"), causes[arm, cause].integer("count")
            if count is not None and known is not None and count > known:
                what = f"{count} operated for {cause}, {known} came back for it"
                yield entry.problem("count", what, found=str(count), severity="question")
    spec = context.form.find("second_operations.operation")
    known_operations = spec.terms if spec else {}
    silent = [name for name, term in known_operations.items() if term.facts.flag("not_stated")]
    for arm, entries in done.items():
        whole = homes[arm].integer("count")
        counts = [count for entry in entries if (count := entry.integer("count")) is not None]
        if whole is not None and len(counts) == len(entries) and sum(counts) < whole:
            yield entries[-1].problem(
                "count",
                f"{' + '.join(map(str, counts))} = {sum(counts)} operations, {whole} were operated again",
                found=entries[-1].typed("count"),
                hint=" or ".join(("type the others", *(f"{name} with their number" for name in silent))),
                severity="question",
            )


@rule(
    "returns_match_outcomes",
    "those that came back are the reoperations of the outcomes",
    needs=(*NEEDS, "second_operations.operation", "outcomes.events"),
    basis=PRACTICE,
)
def returns_match_outcomes(context: Context) -> Iterator[Problem]:
    """Ask when the last follow-up gives other numbers of reoperations under outcomes."""
    events: dict[tuple[str, str], int] = {}
    spec = context.form.find("outcomes.outcome")
    everybody = [
        name for name, term in (spec.terms if spec else {}).items() if term.facts.flag("counts_returns")
    ]
    for entry in context.record.groups("outcomes"):
        number = entry.integer("events")
        if number is not None and entry.text("time.label") == "last_follow_up":
            events.setdefault((entry.text("arm"), entry.text("outcome")), number)
    for entry in context.record.groups("returns"):
        for outcome in everybody:
            count, known = entry.integer("count"), events.get((entry.text("arm"), outcome))
            if entry.text("kind") == OPERATION and None not in (count, known) and count != known:
                what = f"{count} came back for an operation, {outcome} counts {known}"
                yield entry.problem("count", what, found=str(count), severity="question")
    for entry in context.record.groups("second_operations"):
        term = context.term(entry, "operation", "second_operations.operation")
        outcome = term.facts.text("outcome") if term else ""
        count, known = entry.integer("count"), events.get((entry.text("arm"), outcome))
        if count is not None and known is not None and count > known:
            what = f"{count} had {entry.text('operation')}, {outcome} counts {known}"
            yield entry.problem("count", what, found=str(count), severity="question")
