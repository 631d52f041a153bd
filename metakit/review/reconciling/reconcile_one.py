"""One decision at a time, written into the review's decisions file, and one study's agreement."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from metakit.core.files import remove_leftovers, write_atomically
from metakit.errors import UsageError
from metakit.review.lock import review_lock
from metakit.review.reconciling.reconcile import Reconciled, reconcile
from metakit.review.reconciling.reconcile_compared import Pair
from metakit.review.reconciling.reconcile_decisions import (
    COLUMNS,
    FILLED_IN,
    NO_LONGER,
    Asked,
    Decision,
    decisions_text,
    faults,
    fresh_row,
    read_decisions,
    read_rows,
)
from metakit.review.reconciling.reconcile_review import (
    CSV,
    DECISIONS,
    FOLDER,
    Comparison,
    own_decisions,
)


def asked_of(pair: Pair) -> tuple[Asked, ...]:
    """Return the disagreements of one study, wording included."""
    return tuple(Asked(item=item, people=pair.people, renamed=pair.renamed) for item in pair.disagreements)


def decided_of(home: Path, pair: Pair) -> dict[str, Decision]:
    """Return what the review's decisions file decides about a study as its records are now, by address."""
    found = read_decisions([], asked_of(pair), own_decisions(home))
    return {address: decision for (_, address), decision in found.items()}


def decide(home: Path, one: Asked, filled: Mapping[str, str], *, seen: str) -> Path:
    """Write one decision into the review's decisions file; every other row stays.

    Parameters
    ----------
    home : Path
        The review folder.
    one : Asked
        The disagreement.
    filled : mapping
        `decision`, `other_value`, `decided_by`, `decided_on` and `reason`.
    seen : str
        The decision that the person saw there, empty for none.

    Raises
    ------
    UsageError
        When something else was decided meanwhile, the decision lacks something, or there are two files.
    """
    row = fresh_row(one) | {name: filled.get(name, "").strip() for name in FILLED_IN}
    wrong = faults(row, one)
    if wrong:
        raise UsageError("; ".join(f"{name.replace('_', ' ')}: {what}" for name, what, _ in wrong))
    with review_lock(home):
        files = own_decisions(home)
        if len(files) > 1:
            raise UsageError(f"the review has two decisions files, {' and '.join(map(str, files))}")
        path = files[0] if files else home / FOLDER / f"{DECISIONS}{CSV}"
        rows = [{name: old.get(name, "") for name in COLUMNS} for _, old in read_rows(path)] if files else []
        about = ("study", "field", "first_value", "second_value")
        for old in rows:
            if old["needed"] == NO_LONGER or not _same(old, row):
                continue
            if any(old[name] != row[name] for name in about):
                old["needed"] = NO_LONGER  # it was about other values; it stays to be read
            elif old["decision"] != seen:
                raise UsageError(f"{old['decision'] or 'nothing'} was decided meanwhile; look again")
        same = (n for n, old in enumerate(rows) if old["needed"] != NO_LONGER and _same(old, row))
        place = next(same, len(rows))
        rows[place : place + 1] = [row]
        remove_leftovers(path)
        if path.suffix == CSV:
            return write_atomically(path, decisions_text(rows), within=home)
        from metakit.review.reconciling.reconcile_workbook import workbook_bytes

        return write_atomically(path, workbook_bytes(rows), within=home)


def _same(old: Mapping[str, str], row: Mapping[str, str]) -> bool:
    return old["study"] == row["study"] and old["field"] == row["field"]


def agree(home: Path, pair: Pair) -> Reconciled:
    """Write the agreed record of one study whose disagreements are all decided, with its history.

    Raises
    ------
    UsageError
        When something is still to be decided.
    """
    decided = decided_of(home, pair)
    left = [item for item in pair.disagreements if item.needs_decision and item.address not in decided]
    if left:
        raise UsageError(f"{len(left)} still to be decided")
    return reconcile(Comparison(folder=home, pairs=(pair,), single={}), [])
