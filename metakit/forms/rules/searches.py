"""Rules on one search: limits need a reason, dates run forwards."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.rules.registry import Context, rule

NO_LIMITS = {"none", "no", "no limits", "none applied"}


@rule(
    "limits_have_reasons",
    "limits of a search are justified",
    needs=("limits", "limits_reason"),
    basis="PRISMA-S item 9 (Rethlefsen 2021, Syst Rev 10:39)",
)
def limits_have_reasons(context: Context) -> Iterator[Problem]:
    """Ask for the reason of limits."""
    record = context.record
    limits = record.text("limits").strip().rstrip(".").casefold()
    if limits and limits not in NO_LIMITS and not record.text("limits_reason"):
        yield record.problem(
            "limits", "limits without a reason", severity="question", found=record.text("limits")[:80],
            hint="say under limits_reason why studies outside them cannot matter",
        )  # fmt: skip


@rule(
    "search_dates_in_order",
    "a search covers a time before it was run",
    needs=("date", "covered_from", "covered_until"),
    basis="order of time",
)
def search_dates_in_order(context: Context) -> Iterator[Problem]:
    """Find a period that ends before it starts, or after the day of the search."""
    record = context.record
    start, end, day = record.text("covered_from"), record.text("covered_until"), record.text("date")
    shortest = min(len(start), len(end))
    if start and end and start[:shortest] > end[:shortest]:
        yield record.problem(
            "covered_until", f"the period ends before it starts ({start})", severity="error", found=end
        )
    if end and day and end > day[: len(end)]:
        yield record.problem(
            "covered_until",
            f"the period ends after the day of the search ({day})",
            severity="error",
            found=end,
        )
