"""Rules on what was found and done the first time, MP angles in bands, and outcomes of parts of an arm."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.rules.arms import PRACTICE, most
from metakit.forms.rules.counts import arm_of, time_key
from metakit.forms.rules.measured import limits_of, to_stored_unit
from metakit.forms.rules.registry import Context, rule
from metakit.forms.rules.returns import once, too_many
from metakit.forms.specs import Term
from metakit.forms.tree import Group

FINDINGS = ("findings.finding", "findings.count", "findings.total", "findings.option")
SUBGROUPS = ("subgroups.outcome", "subgroups.events", "subgroups.total", "subgroups.mean")
PARTS = ("mp_option", "st_option", "osteophyte_option")
ENDS = ("above", "from", "to", "below")


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
    asked = {
        "osteophytes_removed": "metacarpal_osteophyte_removed",
        "st_arthritis_treated": "st_option",
        "mp_hyperextension_treated": "mp_option",
    }
    entries = context.record.groups("findings")
    whole = {(e.text("arm"), e.text("finding")): e.integer("count") for e in entries if not e.text("option")}
    for entry in entries:
        arm, field = arm_of(context, entry), asked.get(entry.text("finding"), "")
        term = context.term(entry, "finding", "findings.finding")
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
        if field != "metacarpal_osteophyte_removed":
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
    "bands_are_intervals", "a band has its ends in order", needs=("mp_bands.band.above",), basis="arithmetic"
)
def bands_are_intervals(context: Context) -> Iterator[Problem]:
    """Find bands without an end, with two lower or two upper ends, or with ends that are crossed."""
    homes = (
        ("arms", "mp_treated_band"), ("outcomes", "limit"), ("findings", "limit"), ("mp_bands", "band"),
        ("subgroups", "mp_before"), ("subgroups", "limit"),
    )  # fmt: skip
    for section, name in homes:
        for entry in context.record.groups(section):
            band = entry.group(name)
            typed = [end for end in ENDS if band.number(end) is not None]
            if not typed:
                if entry.has(name):
                    what = "a band without an end in numbers"
                    yield entry.problem(name, what, allowed="above or from, to or below", severity="error")
                continue
            for one, other in (("above", "from"), ("below", "to")):
                if one in typed and other in typed:
                    what = f"{one} leaves the end out and {other} takes it in: give one of them"
                    yield band.problem(other, what, found=band.typed(other), severity="error")
            low, high = _ends(band)
            if low is None or high is None:
                continue
            inside = "from" in typed and "to" in typed
            if low > high or (low == high and not inside):
                what = f"no value lies between {low:g} and {high:g}"
                yield band.problem(typed[-1], what, found=band.typed(typed[-1]), severity="error")


def _ends(band: Group) -> tuple[float | None, float | None]:
    lows = [value for end in ("above", "from") if (value := band.number(end)) is not None]
    highs = [value for end in ("to", "below") if (value := band.number(end)) is not None]
    return (lows[0] if lows else None, highs[0] if highs else None)


def _meet(one: Group, other: Group) -> bool:
    """Say whether two bands have a value in common."""
    for first, second in ((one, other), (other, one)):
        high, low = _ends(first)[1], _ends(second)[0]
        if high is None or low is None:
            continue
        touch = first.number("to") is not None and second.number("from") is not None
        if high < low or (high == low and not touch):
            return False
    return True


@rule(
    "bands_add_up",
    "bands make up the thumbs measured",
    needs=("mp_bands.band.above", "mp_bands.count", "mp_bands.total"),
    basis="arithmetic",
)
def bands_add_up(context: Context) -> Iterator[Problem]:
    """Find bands above their total; ask about bands that miss it or overlap without saying so."""
    ends = tuple(f"band.{end}" for end in ENDS)
    entries = context.record.groups("mp_bands")
    yield from once(entries, ("arm", *ends, "mp_option", "time.label", "time.value", "time.unit"), "arm")
    sets: dict[tuple[object, ...], list[Group]] = {}
    for entry in entries:
        arm = arm_of(context, entry)
        size, total = most(arm, "thumbs") if arm else None, entry.integer("total")
        yield from too_many(entry, "total", size, "in the arm")
        yield from too_many(entry, "count", size if total is None else total, "measured")
        if not entry.text("time.label") and entry.number("time.value") is None:
            yield entry.problem(
                "time",
                "neither a time nor a label",
                allowed="before_surgery, or value and unit",
                severity="error",
            )
        if not entry.text("mp_option"):
            sets.setdefault((entry.text("arm"), *time_key(entry)), []).append(entry)
    for bands in sets.values():
        yield from _set_of_bands(bands)
    yield from _options_of_bands(entries)


def _set_of_bands(bands: list[Group]) -> Iterator[Problem]:
    counts = [count for band in bands if (count := band.integer("count")) is not None]
    totals = {total for band in bands if (total := band.integer("total")) is not None}
    said = any(band.flag("bands_overlap") for band in bands)
    crossed = [
        (one, other)
        for index, one in enumerate(bands)
        for other in bands[:index]
        if _meet(one.group("band"), other.group("band"))
    ]
    for one, other in crossed[:1]:
        if not said:
            yield one.problem(
                "band",
                f"has degrees in common with the band on line {other.place.line}",
                hint="can one thumb stand in both? then bands_overlap: yes",
                severity="question",
            )
    if len(totals) != 1 or len(counts) < len(bands) or len(bands) < 2 or said or crossed:
        return
    total = totals.pop()
    if sum(counts) != total:
        yield bands[-1].problem(
            "count",
            f"{' + '.join(map(str, counts))} = {sum(counts)}, not {total} measured",
            found=bands[-1].typed("count"),
            hint="is a band left out?",
            severity="question",
        )


def _options_of_bands(entries: tuple[Group, ...]) -> Iterator[Problem]:
    def key(entry: Group) -> tuple[object, ...]:
        return (entry.text("arm"), *time_key(entry), *(entry.number(f"band.{end}") for end in ENDS))

    whole = {key(entry): entry for entry in entries if not entry.text("mp_option")}
    options: dict[tuple[object, ...], list[Group]] = {}
    for entry in entries:
        if entry.text("mp_option") and key(entry) in whole:
            options.setdefault(key(entry), []).append(entry)
    for name, parts in options.items():
        count = whole[name].integer("count")
        numbers = [number for part in parts if (number := part.integer("count")) is not None]
        if count is not None and sum(numbers) > count:
            what = f"options {' + '.join(map(str, numbers))} = {sum(numbers)}, the band has {count}"
            yield parts[-1].problem("count", what, found=parts[-1].typed("count"), severity="question")


@rule(
    "subgroups_fit",
    "an outcome of part of an arm is within the arm",
    needs=SUBGROUPS,
    basis="arithmetic; definition of the outcomes",
)
def subgroups_fit(context: Context) -> Iterator[Problem]:
    """Find parts without a name, counts above totals, and values that do not fit their outcome."""
    for entry in context.record.groups("subgroups"):
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
