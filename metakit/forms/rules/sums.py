"""Rules on numbers that should be one number: told twice, parts and their whole, arms and their study."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.arithmetic import half_step
from metakit.forms.rules.arms import STAGES
from metakit.forms.rules.counts import NEEDS, time_key
from metakit.forms.rules.registry import Context, rule
from metakit.forms.tree import Group

BRIEF = "contradictions met in published abstracts"


@rule(
    "told_twice",
    "a number told twice is one number",
    needs=("also_reported.number", "also_reported.value", *NEEDS),
    basis=BRIEF,
)
def told_twice(context: Context) -> Iterator[Problem]:
    """Ask about numbers that the report gives differently elsewhere, such as in its conclusion."""
    for entry in context.record.groups("also_reported"):
        name, other = entry.text("number"), entry.number("value")
        homes = [
            home
            for home in context.record.groups("outcomes")
            if home.text("arm") == entry.text("arm")
            and home.text("outcome") == entry.text("outcome")
            and time_key(home) == time_key(entry)
            and home.number(name) is not None
        ]
        if other is None or not name:
            continue
        if not homes:
            yield entry.problem(
                "number",
                f"no outcome of this arm, outcome and time has {name}",
                found=name,
                hint="type the number that counts under outcomes",
                severity="error",
            )
        for home in homes[:1]:
            value = home.number(name) or 0.0
            slack = max(half_step(home.typed(name)), half_step(entry.typed("value")))
            if abs(value - other) <= slack + 1e-9:
                continue
            yield entry.problem(
                "value",
                f"{name} is {value:g} in one place and {other:g} in another, {abs(value - other):.4g} apart",
                found=entry.typed("value"),
                hint="which one counts, and why?",
                severity="question",
            )


@rule("parts_add_up", "kinds of events are no more than all events", needs=NEEDS, basis=BRIEF)
def parts_add_up(context: Context) -> Iterator[Problem]:
    """Ask about kinds whose numbers of events add up to more than the number of all events."""
    entries = context.record.groups("outcomes")
    for whole in entries:
        count = whole.integer("event_count")
        if count is None:
            continue
        below = {
            part.text("outcome"): number
            for part in entries
            if part is not whole
            and part.text("arm") == whole.text("arm")
            and time_key(part) == time_key(whole)
            and (number := _events(part)) is not None
            and _directly_within(context, part, whole, entries)
        }
        if sum(below.values()) <= count:
            continue
        sums = " + ".join(f"{number} {name}" for name, number in below.items())
        yield whole.problem(
            "event_count",
            f"the kinds give {sums} = {sum(below.values())}, more than {count}",
            found=str(count),
            hint="does the total leave a kind out, or was one counted twice?",
            severity="question",
        )


def _events(entry: Group) -> int | None:
    count = entry.integer("event_count")
    return entry.integer("events") if count is None else count


def _directly_within(context: Context, part: Group, whole: Group, entries: tuple[Group, ...]) -> bool:
    """Say whether a kind belongs to the whole and to no other typed kind in between.

    Grades of severity cut across the kinds: an outcome that only grades others is left out.
    """
    term = context.outcome(part)
    wider = term.facts.words("within") if term else ()
    name = whole.text("outcome")
    grades = term is not None and bool(term.facts.flag("grades"))
    between = {
        other.text("outcome")
        for other in entries
        if other.text("arm") == whole.text("arm") and time_key(other) == time_key(whole)
    } - {name}
    return name in wider and not grades and not between & set(wider)


@rule(
    "breakdown_adds_up",
    "the parts of a breakdown make up its whole",
    needs=("breakdowns.whole", "breakdowns.part", "breakdowns.count", "breakdowns.percent"),
    basis=BRIEF,
)
def breakdown_adds_up(context: Context) -> Iterator[Problem]:
    """Ask about counts that miss their whole, shares that miss 100 %, and shares off their counts."""
    wholes: dict[tuple[str, str], list[Group]] = {}
    for entry in context.record.groups("breakdowns"):
        key = (" ".join(entry.text("whole").casefold().split()), entry.text("arm"))
        wholes.setdefault(key, []).append(entry)
    for parts in wholes.values():
        totals = [total for part in parts if (total := part.integer("total")) is not None]
        if len(set(totals)) > 1:
            what = f"the whole is given as {' and as '.join(map(str, dict.fromkeys(totals)))}"
            yield parts[-1].problem("total", what, found=parts[-1].typed("total"), severity="question")
            continue
        total = totals[0] if totals else None
        for part in parts:
            yield from _share(part, total)
        if not any(part.flag("overlapping") for part in parts):
            yield from _counts(parts, total)
            yield from _shares(parts)


def _share(part: Group, total: int | None) -> Iterator[Problem]:
    count, percent = part.integer("count"), part.number("percent")
    if count is None or percent is None or not total:
        return
    right = 100 * count / total
    if abs(right - percent) > half_step(part.typed("percent")) + 1e-9:
        what = f"{count} of {total} = {right:.2f} %"
        yield part.problem("percent", what, found=part.typed("percent"), severity="question")


def _counts(parts: list[Group], total: int | None) -> Iterator[Problem]:
    counts = [count for part in parts if (count := part.integer("count")) is not None]
    if total is None or len(counts) < len(parts) or sum(counts) == total:
        return
    sums = " + ".join(map(str, counts))
    yield parts[-1].problem(
        "count",
        f"{parts[-1].text('whole')}: {sums} = {sum(counts)}, not {total}",
        found=parts[-1].typed("count"),
        hint="is the list complete? was one counted twice? overlapping: yes if parts may overlap",
        severity="question",
    )


def _shares(parts: list[Group]) -> Iterator[Problem]:
    shares = [share for part in parts if (share := part.number("percent")) is not None]
    if len(shares) < len(parts) or len(shares) < 2:
        return
    slack = sum(half_step(part.typed("percent")) for part in parts)
    if abs(sum(shares) - 100) <= slack + 1e-9:
        return
    sums, rest = " + ".join(f"{share:g}" for share in shares), 100 - sum(shares)
    unstated = f", {rest:.3g} % unstated" if rest > 0 else ", more than the whole"
    yield parts[-1].problem(
        "percent",
        f"{parts[-1].text('whole')}: {sums} = {sum(shares):.4g} %{unstated}",
        found=parts[-1].typed("percent"),
        hint="is a part missing? overlapping: yes if parts may overlap",
        severity="question",
    )


@rule(
    "arms_add_up",
    "the arms add up to the study",
    needs=("design.stated_patients", "design.stated_thumbs", "arms.patients", "arms.thumbs"),
    basis=BRIEF,
)
def arms_add_up(context: Context) -> Iterator[Problem]:
    """Ask about arms whose numbers do not add up to what the report states for the whole study."""
    arms, within = context.record.groups("arms"), context.record.flag("design.within_person")
    for unit in ("patients", "thumbs"):
        for stage in STAGES:
            path = f"design.stated_{unit}.{stage}"
            stated = context.record.integer(path)
            numbers = [arm.integer(f"{unit}.{stage}") for arm in arms]
            known = [number for number in numbers if number is not None]
            # A patient with one treatment a side is in two arms: patients do not add up then.
            if stated is None or not arms or len(known) < len(arms) or (within and unit == "patients"):
                continue
            if sum(known) != stated:
                yield context.record.problem(
                    path,
                    f"the arms have {' + '.join(map(str, known))} = {sum(known)} {unit} {stage}, "
                    f"the report states {stated}",
                    found=str(stated),
                    severity="question",
                )
