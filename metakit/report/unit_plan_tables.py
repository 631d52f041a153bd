"""Hours, money, the first year and the audit of a unit's page as texts, ready for its template."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.written import fixed, per_100, signed
from metakit.decision.one_unit.expected import Range
from metakit.decision.one_unit.unit_audit import AuditPlan
from metakit.decision.one_unit.unit_decision import UnitDecision
from metakit.decision.one_unit.unit_driver_words import plain
from metakit.decision.one_unit.unit_work import Amounts
from metakit.report.unit_tables import counts_words, money, share_words, signed_words, wide
from metakit.synthesis.words import lower_first


def work_lines(found: UnitDecision) -> list[tuple[str, ...]]:
    """Return technique, then operations, events, whole and difference in hours, and the same in money.

    Money has the price of implants between operations and events. A dash stands where nothing was typed.
    """
    now = found.unit.current
    return [
        (
            item.technique.label,
            "–" if item.hours.first is None else fixed(item.hours.first, 0),
            "–" if item.hours.events is None else wide(item.hours.events),
            "–" if item.hours.total is None else wide(item.hours.total),
            "" if item.technique.id == now else _difference(item.hours) or _missing(item.hours, "minutes"),
            "–" if item.cost.first is None else money(item.cost.first),
            "–" if item.cost.implants is None else money(item.cost.implants),
            "–" if item.cost.events is None else wide(item.cost.events),
            "–" if item.cost.total is None else wide(item.cost.total),
            "" if item.technique.id == now else _difference(item.cost) or _missing(item.cost, "cost"),
        )
        for item in found.workloads
    ]


def has_money(lines: Sequence[tuple[str, ...]]) -> bool:
    """Say whether any amount of money was typed."""
    return any(part != "–" for line in lines for part in line[5:8])


def work_title(lines: Sequence[tuple[str, ...]]) -> str:
    """Name the table by what it shows."""
    if not has_money(lines):
        return "Theatre hours"
    return "Theatre hours and money" if any(part != "–" for line in lines for part in line[1:3]) else "Money"


def _difference(found: Amounts) -> str:
    """Write the difference to now; that of the operations alone where events cannot be compared."""
    if found.change is not None:
        return _wide_signed(found.change)
    if found.change_first is not None:
        why = found.why_not or "no events sized"
        return f"{_signed_money(found.change_first)} for the operations alone ({why})"
    return ""


def _missing(found: Amounts, what: str) -> str:
    """Say what was not typed, where a part of the amounts was; nothing where all parts are missing."""
    if found.first is not None:
        return f"{what} as now not typed"
    return "" if found.implants is None and found.events is None else f"{what} not typed"


def _wide_signed(found: Range) -> str:
    ends = (found.planned, found.lower, found.upper)
    if found.lower == found.upper:
        return _signed_money(found.planned) if abs(found.planned) >= 1000 else signed(found.planned)
    if max(abs(value) for value in ends) < 1000:
        return signed_words(found)
    value, low, high = map(_signed_money, ends)
    return f"{value} ({low} to {high})"


def _signed_money(value: float) -> str:
    return f"{'+' if value > 0 else ''}{money(value)}"


def first_year_lines(found: UnitDecision) -> list[str]:
    """Return a sentence a technique whose learning the unit typed."""
    lines = []
    for item in found.first_years:
        parts = [] if item.hours is None else [f"{fixed(item.hours, 0)} theatre hours more"]
        parts += [
            f"{lower_first(label)}: {counts_words(counts)} among the first year's thumbs, "
            f"{per_100(added)} of them from it"
            for label, counts, added in item.events
        ]
        lines.append(
            f"{item.technique.label}: the first {item.thumbs:g} thumbs, as you stated ({item.source}): "
            f"{'; '.join(parts) if parts else 'neither minutes nor a ratio were typed'}."
        )
    return lines


def audit_tables(found: UnitDecision) -> list[tuple[str, str, list[tuple[str, str, str, str]], list[str]]]:
    """Return, for every outcome: its label, how it is counted, limits a year, and what was counted so far."""
    tables: list[tuple[str, str, list[tuple[str, str, str, str]], list[str]]] = []
    for plan in found.audits:
        if plan.why_not:
            tables.append((plan.outcome.term.label, f"No limits: {plan.why_not}.", [], []))
            continue
        rows = [
            (
                f"year {year}", per_100(row.expected), f"{row.above} or more",
                "–" if row.below is None else "none" if row.below == 0 else f"{row.below} or fewer",
            )
            for year, row in enumerate(plan.rows, start=1)
        ]  # fmt: skip
        tables.append((plan.outcome.term.label, _counting(found, plan), rows, _totals(found, plan)))
    return tables


def _counting(found: UnitDecision, plan: AuditPlan) -> str:
    if plan.per_year:
        how = "Count first events from the first operation on, and the thumb-years followed."
    else:
        months = plan.outcome.months
        when = f"once it has been looked at for {months:g} months" if months else "when it has been looked at"
        how = f"Count each thumb {when}."
    double, half = share_words(plan.alarm_if_double), share_words(plan.alarm_if_half)
    low, high = (share_words(share) for share in plan.alarm_if_own)
    base, what = plan.outcome.baseline, "rate" if plan.per_year else "risk"
    if base is None:  # pragma: no cover - events have a baseline
        raise ValueError("an outcome of events without a baseline")
    rate = f"{plain(100 * plan.rate)} per 100 {base.unit}"
    ends = [plain(100 * end) for end in (base.lower, base.upper)]
    return (
        f"{how} Twice as many as expected reach the upper limit in {double} of such audits, half as many the "
        f"lower in {half}. Limits hold for a true {what} now of {rate}; were it {ends[0]} or {ends[1]}, as "
        f"your count allows, {low} or {high} of audits would leave them although nothing changed."
    )


def _totals(found: UnitDecision, plan: AuditPlan) -> list[str]:
    lines = []
    for name, rows in (plan.totals or {}).items():
        label = found.unit.technique(name).label
        out = next((row for row in rows if row.side), None)
        last = rows[-1]
        if out is None:
            state = "inside the limits all along, which does not show that nothing changed"
        else:
            side = "above the upper" if out.side > 0 else "below the lower"
            state = f"{side} limit at the end of {out.year}: look why"
        counted = f"{last.observed:g} counted, {per_100(last.expected)} expected"
        lines.append(f"{label}, to the end of {last.year}: {counted}; {state}.")
    return lines


def own_years(found: UnitDecision) -> list[tuple[str, str]]:
    """Return the years of the unit's own audit that each baseline adds up."""
    return [
        (
            outcome.term.label,
            "; ".join(f"{row.year}: {row.events:g} in {row.total:g}" for row in outcome.years),
        )
        for outcome in found.unit.outcomes
        if outcome.years
    ]
