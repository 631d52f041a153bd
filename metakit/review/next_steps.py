"""What to do next in a review that is not ready to be analysed, in order; workbooks first."""

from __future__ import annotations

from pathlib import Path

from metakit.core.seals import seal_holds
from metakit.forms.records import Reading
from metakit.review.extraction import extractor_files
from metakit.review.files import PROTOCOL
from metakit.review.workbooks.protocol_sheet import WORKBOOK, is_blank

EMPTY_PLAN = "the protocol is not filled in yet"


def empty_plan(plan: Reading | None) -> bool:
    """Say whether a protocol is as empty as `metakit new` made it."""
    return plan is not None and plan.group is not None and is_blank(plan.group.plain())


def next_steps(folder: Path, plan: Reading | None, *, records: int) -> tuple[str, ...]:
    """Return what is still to be done before a review can be analysed.

    Parameters
    ----------
    folder : Path
        The review.
    plan : Reading or None
        Its protocol as read, None without one.
    records : int
        How many records are more than empty.

    Returns
    -------
    tuple of str
        One step each; nothing where the review can be analysed.
    """
    if plan is None:
        return ()
    sound = plan.sound and not empty_plan(plan)
    if sound and records:
        return ()
    steps = []
    book = folder / WORKBOOK
    collect = f"metakit collect {book} --into {folder}"
    if not sound and empty_plan(plan) and _typed_into(book):
        steps.append(f"The protocol is typed into {book}: {collect}")
    elif not sound:
        make = "" if book.is_file() else f"metakit sheet {book} --protocol {folder}, then "
        what = "Fill in" if empty_plan(plan) else "Mend"
        steps.append(
            f"{what} the protocol: {make}the workbook {book} (question, outcomes, comparisons, analyses), "
            f"then {collect}; or {folder / PROTOCOL} itself, in which every line is explained"
        )
    if not records and extractor_files(folder):
        steps.append(f"Compare what the extractors typed: metakit reconcile {folder}")
    elif not records:
        steps.append(
            f"For each study: metakit sheet STUDY.xlsx --review {folder}, fill it in, then metakit collect "
            f"STUDY.xlsx --into {folder} (two people who extract apart add --extractor INITIALS)"
        )
    steps.append(f"Look for slips: metakit check {folder}")
    steps.append(f"Let the plan be carried out: metakit report {folder}")
    return tuple(steps)


def _typed_into(book: Path) -> bool:
    return book.is_file() and not seal_holds(book.read_bytes(), book.suffix)
