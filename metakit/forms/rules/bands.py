"""Rules on MP angles in the report's own bands: intervals, sums, and what else the record says of angles."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.rules.arms import most
from metakit.forms.rules.counts import arm_of, time_key
from metakit.forms.rules.registry import Context, rule
from metakit.forms.rules.returns import once, too_many
from metakit.forms.tree import Group

ENDS = ("above", "from", "to", "below")
BEFORE = "before_surgery"


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
            yield from crossed_ends(entry, name)


@rule(
    "asked_bands_are_intervals",
    "a band that a comparison asks for has its ends in order",
    needs=("comparisons.mp_before.above",),
    basis="arithmetic",
)
def asked_bands_are_intervals(context: Context) -> Iterator[Problem]:
    """Find bands of comparisons without an end, with two lower or two upper ends, or with crossed ends."""
    for item in context.record.groups("comparisons"):
        yield from crossed_ends(item, "mp_before")


def crossed_ends(entry: Group, name: str) -> Iterator[Problem]:
    """Yield what is wrong with the ends of one band."""
    band = entry.group(name)
    typed = [end for end in ENDS if band.number(end) is not None]
    if not typed:
        if entry.has(name):
            what = "a band without an end in numbers"
            yield entry.problem(name, what, allowed="above or from, to or below", severity="error")
        return
    for one, other in (("above", "from"), ("below", "to")):
        if one in typed and other in typed:
            what = f"{one} leaves the end out and {other} takes it in: give one of them"
            yield band.problem(other, what, found=band.typed(other), severity="error")
    low, high = _ends(band)
    if low is None or high is None:
        return
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
    "bands_fit_angles",
    "bands before surgery agree with the angles of the arm",
    needs=("mp_bands.band.above", "mp_bands.count", "arms.mp_preoperative.over_30"),
    basis="arithmetic",
)
def bands_fit_angles(context: Context) -> Iterator[Problem]:
    """Ask about bands that say another number over 30 degrees, or hold thumbs beyond the largest angle."""
    for entry in context.record.groups("mp_bands"):
        arm, count, band = arm_of(context, entry), entry.integer("count"), entry.group("band")
        if arm is None or not count or entry.text("mp_option") or entry.text("time.label") != BEFORE:
            continue
        if (entry.text("sign") or "positive_is_hyperextension") != "positive_is_hyperextension":
            continue
        angle = arm.group("mp_preoperative")
        low, high = _ends(band)
        over = angle.integer("over_30")
        if over is not None and high is None and band.number("above") == 30 and over != count:
            what = f"{count} over 30 degrees, over_30 of the arm says {over}"
            yield entry.problem("count", what, found=str(count), severity="question")
        largest = angle.number("maximum") if angle.text("sign") == "positive_is_hyperextension" else None
        if largest is not None and low is not None and low > largest:
            what = f"{count} beyond {low:g} degrees, the largest angle of the arm is {largest:g}"
            yield entry.problem("count", what, found=str(count), severity="question")
