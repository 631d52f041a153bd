"""Rules on arms: how many, who, when recruited, how long followed."""

from __future__ import annotations

import math
from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.arithmetic import half_step, most_spread
from metakit.forms.rules.registry import Context, rule
from metakit.forms.tree import Group

STAGES = ("allocated", "operated", "analysed")
PRACTICE = "common practice, no source"


def numbers_of(arm: Group, unit: str) -> list[int]:
    """Return the typed numbers of an arm along the study, in `thumbs` or `patients`."""
    found = [arm.integer(f"{unit}.{stage}") for stage in STAGES]
    return [number for number in found if number is not None]


def most(arm: Group, unit: str) -> int | None:
    """Return the largest number that an arm ever had."""
    return max(numbers_of(arm, unit), default=None)


@rule("arm_ids_unique", "arm ids differ", needs=("arms.id",), basis="an outcome refers to one arm")
def arm_ids_unique(context: Context) -> Iterator[Problem]:
    """Find arm ids used twice."""
    first: dict[str, Group] = {}
    for arm in context.record.groups("arms"):
        name = arm.text("id")
        if name and name in first:
            line = first[name].place_of("id").line
            yield arm.problem(
                "id", f"line {line} has an arm of this id already", found=name, severity="error"
            )
        first.setdefault(name, arm)


@rule(
    "patients_and_thumbs",
    "patients <= thumbs <= 2 x patients",
    needs=("arms.patients", "arms.thumbs"),
    basis="a patient has two thumbs",
)
def patients_and_thumbs(context: Context) -> Iterator[Problem]:
    """Find impossible pairs of patients and thumbs."""
    for arm in context.record.groups("arms"):
        for stage in STAGES:
            patients, thumbs = arm.integer(f"patients.{stage}"), arm.integer(f"thumbs.{stage}")
            if patients is None or thumbs is None or patients <= thumbs <= 2 * patients:
                continue
            yield arm.problem(
                f"thumbs.{stage}",
                f"{thumbs} thumbs in {patients} patients cannot be",
                found=str(thumbs),
                allowed=f"{patients} to {2 * patients}",
                severity="error",
            )


@rule(
    "bilateral_is_the_difference",
    "bilateral patients = thumbs - patients",
    needs=("arms.bilateral", "arms.patients", "arms.thumbs"),
    basis="arithmetic",
)
def bilateral_is_the_difference(context: Context) -> Iterator[Problem]:
    """Find a number of bilateral patients that fits no stage of the study."""
    for arm in context.record.groups("arms"):
        bilateral = arm.integer("bilateral")
        pairs = [(arm.integer(f"thumbs.{stage}"), arm.integer(f"patients.{stage}")) for stage in STAGES]
        known = [
            (thumbs, patients) for thumbs, patients in pairs if thumbs is not None and patients is not None
        ]
        if (
            bilateral is None
            or not known
            or any(thumbs - patients == bilateral for thumbs, patients in known)
        ):
            continue
        thumbs, patients = known[-1]
        yield arm.problem(
            "bilateral",
            f"{thumbs} thumbs - {patients} patients = {thumbs - patients} bilateral, not {bilateral}",
            found=str(bilateral),
            severity="error",
        )


@rule(
    "numbers_fall_along_the_study",
    "analysed <= operated <= allocated",
    needs=("arms.patients", "arms.thumbs"),
    basis=PRACTICE,
)
def numbers_fall_along_the_study(context: Context) -> Iterator[Problem]:
    """Find numbers that grow along the study."""
    for arm in context.record.groups("arms"):
        for unit in ("patients", "thumbs"):
            allocated, operated, analysed = (arm.integer(f"{unit}.{stage}") for stage in STAGES)
            before = operated if operated is not None else allocated
            if analysed is not None and before is not None and analysed > before:
                what = (
                    f"{analysed} analysed of {before} {'operated' if operated is not None else 'allocated'}"
                )
                yield arm.problem(
                    f"{unit}.analysed",
                    what,
                    found=str(analysed),
                    allowed=f"at most {before}",
                    severity="error",
                )
            if operated is not None and allocated is not None and operated > allocated:
                yield arm.problem(
                    f"{unit}.operated",
                    f"{operated} operated of {allocated} allocated: did some cross over into this arm?",
                    found=str(operated),
                    severity="question",
                )


@rule("women_within_patients", "women <= patients", needs=("arms.women", "arms.patients"), basis=PRACTICE)
def women_within_patients(context: Context) -> Iterator[Problem]:
    """Find too many women, or a share that is unusual for thumb-base arthritis (60 to 95 %)."""
    for arm in context.record.groups("arms"):
        women, patients = arm.integer("women"), most(arm, "patients")
        if women is None or not patients:
            continue
        if women > patients:
            what = f"{women} women among {patients} patients"
            yield arm.problem(
                "women", what, found=str(women), allowed=f"at most {patients}", severity="error"
            )
            continue
        analysed = arm.integer("patients.analysed") or patients
        share = 100 * women / max(women, analysed)
        if analysed >= 10 and not 60 <= share <= 95:
            yield arm.problem(
                "women",
                f"{women} of {max(women, analysed)} = {share:.0f} % women is unusual; is it right?",
                allowed="usually 60 to 95 %",
                severity="question",
            )


@rule("age_order", "ages in order, mean 50 to 70", needs=("arms.age",), basis=PRACTICE)
def age_order(context: Context) -> Iterator[Problem]:
    """Find impossible ages and unusual means."""
    for arm in context.record.groups("arms"):
        age = arm.group("age")
        for name in ("mean", "median", "minimum", "maximum"):
            value = age.number(name)
            if value is not None and not 10 <= value <= 110:
                yield age.problem(
                    name,
                    "no age of an adult",
                    found=age.typed(name),
                    allowed="10 to 110 years",
                    severity="error",
                )
            elif value is not None and name in ("mean", "median") and not 50 <= value <= 70:
                yield age.problem(
                    name,
                    "an unusual age; is it right?",
                    found=age.typed(name),
                    allowed="usually 50 to 70 years",
                    severity="question",
                )
        yield from order_problems(age)
        yield from spread_problems(age, most(arm, "patients"))


@rule("stages_add_up", "stages add up to the arm", needs=("arms.eaton_stage",), basis="arithmetic")
def stages_add_up(context: Context) -> Iterator[Problem]:
    """Find stages whose sum is not the number of thumbs (or patients) of the arm."""
    for arm in context.record.groups("arms"):
        stages = arm.group("eaton_stage")
        names = [name for name in stages.entries if name.startswith("stage_") or name == "not_staged"]
        counts = [stages.integer(name) for name in names]
        unit = stages.text("counted_in")
        allowed = numbers_of(arm, unit) if unit else []
        if not counts or None in counts or not allowed:
            continue
        total = sum(count for count in counts if count is not None)
        if total in allowed:
            continue
        sums = " + ".join(str(count) for count in counts)
        impossible = total > max(allowed)
        yield arm.problem(
            "eaton_stage",
            f"stages {sums} = {total} {unit}, the arm has {' / '.join(map(str, dict.fromkeys(allowed)))}",
            hint="" if impossible else "give the rest under not_staged",
            severity="error" if impossible else "question",
        )


@rule(
    "counts_within_arm", "counts <= thumbs or patients of the arm", needs=("arms.thumbs",), basis="arithmetic"
)
def counts_within_arm(context: Context) -> Iterator[Problem]:
    """Find counts larger than the arm."""
    fields = {
        "stt_arthritis": "thumbs",
        "dominant_side": "thumbs",
        "crossover": "thumbs",
        "previous_surgery": "thumbs",
        "mp_preoperative.over_30": "thumbs",
        "inflammatory_arthritis": "patients",
        "smokers": "patients",
        "manual_work": "patients",
    }
    for arm in context.record.groups("arms"):
        for path, unit in fields.items():
            count, limit = arm.integer(path), most(arm, unit)
            if count is not None and limit is not None and count > limit:
                yield arm.problem(
                    path,
                    f"{count} of {limit} {unit}",
                    found=str(count),
                    allowed=f"at most {limit}",
                    severity="error",
                )


def order_problems(group: Group) -> Iterator[Problem]:
    """Find a mean or median outside minimum and maximum, and a minimum above the maximum."""
    low, high = group.number("minimum"), group.number("maximum")
    if low is not None and high is not None and low > high:
        what = f"minimum {low:g} is above maximum {high:g}"
        yield group.problem("minimum", what, found=group.typed("minimum"), severity="error")
        return
    for name in ("mean", "median"):
        value = group.number(name)
        if value is None:
            continue
        if (low is not None and value < low) or (high is not None and value > high):
            ends = f"{'?' if low is None else f'{low:g}'} to {'?' if high is None else f'{high:g}'}"
            yield group.problem(
                name,
                f"the {name} lies outside its range",
                found=group.typed(name),
                allowed=ends,
                severity="error",
            )


def spread_problems(group: Group, size: int | None) -> Iterator[Problem]:
    """Find a standard deviation that the range (and mean) do not allow."""
    low, high, spread = group.number("minimum"), group.number("maximum"), group.number("standard_deviation")
    if low is None or high is None or spread is None or low > high:
        return
    limit = most_spread(low, high, group.number("mean"), size)
    slack = (
        half_step(group.typed("standard_deviation"))
        + half_step(group.typed("minimum"))
        + half_step(group.typed("maximum"))
    )
    if spread > limit + slack:
        yield group.problem(
            "standard_deviation",
            f"no values between {low:g} and {high:g} can spread that much",
            found=group.typed("standard_deviation"),
            allowed=f"at most {limit:.3g}",
            hint="a standard deviation is at most half the range (n - 1 in its divisor adds a little)",
            severity="error",
        )


def share_text(part: float, whole: float) -> str:
    """Write a share with its arithmetic."""
    return (
        f"{part:g} of {whole:g} = {100 * part / whole:.1f} %"
        if whole and math.isfinite(whole)
        else f"{part:g} of {whole:g}"
    )
