"""`metakit reconcile`: two extractors' records compared, decided and agreed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from metakit.cli.support.running import answer_json, say

if TYPE_CHECKING:
    from metakit.review.reconciling.reconcile import Reconciled

NAME = "reconcile"
HELP = """Compare the records of two extractors (REVIEW/extractors/INITIALS/) and agree on one.

Writes a page with both sides (reconcile/disagreements.html), the agreement by field
(reconcile/agreement.csv) and the workbook reconcile/decisions.xlsx, one row a disagreement. Fill in its last
five columns (whose value, who decided, when, why) and give it back with --decisions: the agreed records go
to records/, each with its line in history.jsonl. An extractor's own record is never changed.

Where two people screened search results, their agreement is shown too, and what they disagree on goes to
reconcile/screening.csv, to be filled in and given back in the same way.

Example: metakit reconcile my_review --decisions my_review/reconcile/decisions.xlsx
"""


def command(
    folder: Annotated[Path, typer.Argument(help="Review folder.", show_default=False)],
    decisions: Annotated[
        list[Path] | None,
        typer.Option(help="A filled-in decisions file; several of them add up.", show_default=False),
    ] = None,
    csv: Annotated[
        bool, typer.Option("--csv", help="Write the decisions as CSV, not as a workbook.")
    ] = False,
    form: Annotated[
        Path | None, typer.Option(help="The file of a form of one's own.", show_default=False)
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Answer as JSON.")] = False,
) -> None:
    """Compare, or write what was decided."""
    from dataclasses import asdict

    from metakit.cli.selection import say_screening, screening_alone, screening_json, selection_to_reconcile
    from metakit.core.seals import Placed
    from metakit.errors import UsageError
    from metakit.report.disagreements import disagreement_page
    from metakit.report.folders.output_folder import write_folder
    from metakit.review.check import load_form
    from metakit.review.reconciling.agreement_words import overall_words
    from metakit.review.reconciling.reconcile import (
        AGREEMENT,
        PAGE,
        agreement_text,
        reconcile,
        write_comparison,
    )
    from metakit.review.reconciling.reconcile_agreement import field_agreements, overall_agreement
    from metakit.review.reconciling.reconcile_review import FOLDER, compare_review
    from metakit.review.selection.reconciling import is_conflict_list

    given = decisions or []
    lists = [path for path in given if is_conflict_list(path)]
    if lists and lists != given:
        raise UsageError("give the screeners' list and the extractors' decisions one after the other")
    selection = selection_to_reconcile(folder, lists)
    if screening_alone(folder, selection, lists, given=bool(given), json=json):
        return
    comparison = compare_review(folder, load_form(form)[0] if form else None, given)
    if given:
        _say_reconciled(reconcile(comparison, given), json=json)
        return
    fields = field_agreements(comparison.items)
    overall = overall_agreement(fields, comparison.items)
    path = write_comparison(comparison, as_csv=csv)
    page_text = disagreement_page(comparison, fields, overall, path)
    home = folder / FOLDER
    written = write_folder(home, {AGREEMENT: agreement_text(fields).encode(), PAGE: page_text.encode()})
    page = home / written.beside.get(PAGE, PAGE)
    for name, where in written.beside.items():
        say(f"metakit: {Placed(path=home / where, wanted=home / name).beside}")
    if json:
        answer_json(
            {
                "overall": asdict(overall),
                "fields": [asdict(field) for field in fields],
                "disagreements": [asdict(one.item) for one in comparison.asked],
                "typed_by_one": dict(comparison.single),
                **screening_json(selection),
            }
        )
        return
    for field in fields:
        if field.same < field.n:
            topic = f" ({field.topic})" if field.topic else ""
            kappa = field.categories.kappa if field.categories else None
            more = f", kappa {kappa:.2f}" if kappa is not None else ""
            typer.echo(f"{field.field}{topic}: {field.same} of {field.n} the same{more}")
    say(f"metakit: {overall_words(fields, overall)}")
    for study, person in comparison.single.items():
        say(f"metakit: {study} was typed by {person} only; it stays as it is")
    say_screening(folder, selection)
    for one in comparison.asked:
        if one.item.question:
            say(f"metakit: {one.item.study}: {one.item.question} yes or no, before its numbers are compared")
    say(f"metakit: {page} shows both sides of each disagreement")
    needed = any(one.item.needs_decision for one in comparison.asked)
    first = f"fill in {path}, then" if needed else "nothing has to be decided;"
    say(f"metakit: {first} run again with --decisions {path}")


def _say_reconciled(done: Reconciled, *, json: bool) -> None:
    """Name the agreed records and what still waits."""
    if json:
        paths = {name: [str(p) for p in getattr(done, name)] for name in ("written", "unchanged")}
        answer_json({**paths, "waiting": {study: list(rows) for study, rows in done.waiting.items()}})
        return
    for path in done.written:
        typer.echo(str(path))
    for study, rows in done.waiting.items():
        say(f"metakit: {study} waits for {len(rows)} decisions: {', '.join(rows)}")
    say(
        f"metakit: {len(done.written)} agreed record{'' if len(done.written) == 1 else 's'} written, "
        f"{len(done.unchanged)} unchanged"
    )
