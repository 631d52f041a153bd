"""Rules on time: follow-up, dates, the design that the arms fit."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.rules.arms import PRACTICE, most, order_problems, share_text, spread_problems
from metakit.forms.rules.registry import Context, rule
from metakit.forms.tree import Group
from metakit.forms.units import conversion

WIDE_RATIO = 4.0


def in_months(context: Context, group: Group, field: str, unit_field: str, form_path: str) -> float | None:
    """Return a time in months; None when time or unit is absent."""
    value = group.number(field)
    spec = context.form.find("outcomes.measured_in")
    convert = conversion(group.text(unit_field), "months", spec.terms if spec else {})
    return None if value is None or convert is None else convert(value)


def follow_up_months(context: Context, arm: Group, field: str) -> float | None:
    """Return a time of an arm's follow-up in months."""
    return in_months(context, arm.group("follow_up"), field, "unit", "arms.follow_up.unit")


@rule(
    "follow_up_order", "follow-up: minimum <= mean <= maximum", needs=("arms.follow_up",), basis="arithmetic"
)
def follow_up_order(context: Context) -> Iterator[Problem]:
    """Find follow-up out of order, or longer than anyone has been followed."""
    for arm in context.record.groups("arms"):
        follow_up = arm.group("follow_up")
        yield from order_problems(follow_up)
        for name in ("mean", "median", "maximum"):
            months = follow_up_months(context, arm, name)
            if months is not None and months > 480:
                yield follow_up.problem(
                    name,
                    f"{months:.0f} months = {months / 12:.0f} years of follow-up; is the unit right?",
                    found=f"{follow_up.typed(name)} {follow_up.text('unit')}",
                    severity="question",
                )


@rule("follow_up_spread", "follow-up: SD fits the range", needs=("arms.follow_up",), basis="arithmetic")
def follow_up_spread(context: Context) -> Iterator[Problem]:
    """Find a standard deviation of follow-up that its range does not allow."""
    for arm in context.record.groups("arms"):
        yield from spread_problems(arm.group("follow_up"), most(arm, "thumbs"))


@rule("wide_follow_up", "longest <= 4 x shortest follow-up", needs=("arms.follow_up",), basis=PRACTICE)
def wide_follow_up(context: Context) -> Iterator[Problem]:
    """Ask about follow-up so uneven that 'at last follow-up' is no time point."""
    for arm in context.record.groups("arms"):
        follow_up = arm.group("follow_up")
        low, high = follow_up.number("minimum"), follow_up.number("maximum")
        if low is None or high is None or high <= 0 or low > high or (low > 0 and high / low <= WIDE_RATIO):
            continue
        ratio = f"{high:g} / {low:g} = {high / low:.1f}" if low > 0 else f"{low:g} to {high:g}"
        yield follow_up.problem(
            "maximum",
            f"very uneven follow-up ({ratio}): results 'at last follow-up' enter rates per thumb-year only",
            hint="type results of fixed times where the report gives them",
            severity="question",
        )


@rule("lost_to_follow_up", "lost = operated - analysed", needs=("arms.follow_up.lost",), basis="arithmetic")
def lost_to_follow_up(context: Context) -> Iterator[Problem]:
    """Find losses and completeness that do not fit the numbers of the arm."""
    for arm in context.record.groups("arms"):
        follow_up = arm.group("follow_up")
        lost, share = follow_up.integer("lost"), follow_up.number("completeness")
        units = (
            [follow_up.text("lost_counted_in")]
            if follow_up.text("lost_counted_in")
            else ["thumbs", "patients"]
        )
        pairs = [
            (start, end, unit)
            for unit in units
            if (start := _first(arm.integer(f"{unit}.operated"), arm.integer(f"{unit}.allocated")))
            is not None
            and (end := arm.integer(f"{unit}.analysed")) is not None
        ]
        if lost is not None and pairs:
            largest = max(start for start, _, _ in pairs)
            if lost > largest:
                yield follow_up.problem(
                    "lost", f"{lost} lost of {largest}", found=str(lost), severity="error"
                )
            elif all(start - end != lost for start, end, _ in pairs):
                shown = ", ".join(f"{start} - {end} = {start - end} {unit}" for start, end, unit in pairs)
                yield follow_up.problem(
                    "lost", f"the arm's numbers give {shown}", found=str(lost), severity="question"
                )
        if (
            share is not None
            and pairs
            and all(abs(100 * end / start - share) > 1 for start, end, _ in pairs if start)
        ):
            shown = ", ".join(f"{share_text(end, start)} ({unit})" for start, end, unit in pairs)
            yield follow_up.problem(
                "completeness", f"the arm's numbers give {shown}", found=f"{share:g}", severity="question"
            )


def _first(*values: int | None) -> int | None:
    return next((value for value in values if value is not None), None)


@rule(
    "thumb_years_match",
    "thumb-years near thumbs x mean",
    needs=("arms.follow_up.thumb_years",),
    basis=PRACTICE,
)
def thumb_years_match(context: Context) -> Iterator[Problem]:
    """Ask about reported thumb-years far from thumbs x mean follow-up."""
    for arm in context.record.groups("arms"):
        years, thumbs = arm.number("follow_up.thumb_years"), arm.integer("thumbs.analysed")
        months = follow_up_months(context, arm, "mean")
        if years is None or not thumbs or not months:
            continue
        expected = thumbs * months / 12
        if abs(years - expected) > 0.1 * expected:
            yield arm.problem(
                "follow_up.thumb_years",
                f"{thumbs} thumbs x {months:g} months / 12 = {expected:.1f} thumb-years, more than 10 % off",
                found=f"{years:g}",
                severity="question",
            )


@rule(
    "dates_in_order",
    "recruitment, publication, extraction in this order",
    needs=("design.recruitment_start", "design.recruitment_end", "study.year", "extraction.date"),
    basis="time",
)
def dates_in_order(context: Context) -> Iterator[Problem]:
    """Find dates out of order."""
    record = context.record
    start, end, year = (
        record.text("design.recruitment_start"),
        record.text("design.recruitment_end"),
        record.integer("study.year"),
    )
    if start and end and start[: len(end)] > end[: len(start)]:
        yield record.problem(
            "design.recruitment_end",
            f"recruitment ends before it starts ({start})",
            found=end,
            severity="error",
        )
    for name, typed in (("recruitment_start", start), ("recruitment_end", end)):
        if typed and year is not None and int(typed[:4]) > year:
            yield record.problem(
                f"design.{name}",
                f"recruitment in {typed[:4]}, published in {year}",
                found=typed,
                severity="error",
            )
    extracted = record.date("extraction.date")
    if extracted and year is not None and extracted.year < year:
        yield record.problem(
            "extraction.date",
            f"extracted before the report was published ({year})",
            found=extracted.isoformat(),
            severity="error",
        )


@rule(
    "arms_fit_design",
    "number of arms fits the design",
    needs=("design.type", "arms"),
    basis="definition of the designs",
)
def arms_fit_design(context: Context) -> Iterator[Problem]:
    """Ask when a design and the number of arms do not fit."""
    term = context.term(context.record, "design.type", "design.type")
    count = len(context.record.groups("arms"))
    if term is None or not count:
        return
    low, high = term.facts.integer("arms_at_least"), term.facts.integer("arms_at_most")
    if (low is not None and count < low) or (high is not None and count > high):
        yield context.record.problem(
            "design.type",
            f"{term.label} with {count} arm{'' if count == 1 else 's'}",
            found=term.id,
            hint="add the missing arm, or choose a series design"
            if low is not None and count < low
            else "choose a comparative design",
            severity="question",
        )


@rule(
    "mp_preoperative_sign",
    "MP angle: which direction is positive",
    needs=("arms.mp_preoperative.sign",),
    basis=PRACTICE,
)
def mp_preoperative_sign(context: Context) -> Iterator[Problem]:
    """Find MP angles without a sign convention, and thumbs over 30 degrees beyond the typed maximum."""
    for arm in context.record.groups("arms"):
        angle = arm.group("mp_preoperative")
        typed = [name for name in ("mean", "median", "minimum", "maximum") if angle.number(name) is not None]
        yield from order_problems(angle)
        if not typed:
            continue
        sign = angle.text("sign")
        if not sign:
            yield angle.problem(
                typed[0],
                "say under sign which direction is positive: MP 'extension' can mean either",
                allowed="positive_is_hyperextension, positive_is_flexion, unclear",
                severity="error",
            )
        elif sign == "unclear":
            yield angle.problem(
                "sign", "the angle is left out until its direction is known", found=sign, severity="question"
            )
        most_angle, over = angle.number("maximum"), angle.integer("over_30")
        if sign == "positive_is_hyperextension" and most_angle is not None and most_angle <= 30 and over:
            what = f"{over} thumbs over 30 degrees, the maximum is {most_angle:g}"
            yield angle.problem("over_30", what, found=str(over), severity="error")


@rule(
    "temporary_pin_and_immobilisation",
    "pin 3 to 6 weeks; immobilised 2 to 8 weeks, prosthesis 0 to 4",
    needs=("care.pin_weeks", "care.immobilisation_weeks", "arms.technique"),
    basis=PRACTICE,
)
def temporary_pin_and_immobilisation(context: Context) -> Iterator[Problem]:
    """Ask about unusual weeks of pin and immobilisation."""
    care = context.record.group("care")
    pin, still = care.number("pin_weeks"), care.number("immobilisation_weeks")
    if pin is not None and not 3 <= pin <= 6:
        yield care.problem(
            "pin_weeks",
            "an unusual time; is it right?",
            found=f"{pin:g}",
            allowed="usually 3 to 6 weeks",
            severity="question",
        )
    terms = [context.term(arm, "technique", "arms.technique") for arm in context.record.groups("arms")]
    weeks = [term.facts.group("usual_weeks_still") for term in terms if term]
    usual = {(item.number("from"), item.number("to")) for item in weeks}
    low, high = next(iter(usual)) if len(usual) == 1 else (None, None)
    if still is not None and low is not None and high is not None and not low <= still <= high:
        yield care.problem(
            "immobilisation_weeks",
            "an unusual time; is it right?",
            found=f"{still:g}",
            allowed=f"usually {low:g} to {high:g} weeks",
            severity="question",
        )
