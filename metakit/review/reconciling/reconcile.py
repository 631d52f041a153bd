"""Two extractors' records brought together: compared, decided, agreed, with their history.

Records by extractor stand in `extractors/INITIALS/`, agreed ones in `records/`. An extractor's record is
never changed.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from metakit.core.files import as_written, remove_leftovers, sha256_of, write_atomically
from metakit.core.places import refuse_links
from metakit.errors import DataError, Problem, UsageError
from metakit.forms.record_text import same_nodes
from metakit.forms.yaml_nodes import read_document
from metakit.review.files import RECORDS
from metakit.review.history import HISTORY, append, hashes_of_each, last_of_each, record_place, sound_history
from metakit.review.lock import review_lock
from metakit.review.reconciling.reconcile_agreed import agreed_group, agreed_text, problems_of
from metakit.review.reconciling.reconcile_compared import Pair
from metakit.review.reconciling.reconcile_decisions import (
    Decision,
    decision_rows,
    decisions_text,
    read_decisions,
    read_rows,
)
from metakit.review.reconciling.reconcile_mixed import mixed_arms
from metakit.review.reconciling.reconcile_review import (
    CSV,
    DECISIONS,
    FOLDER,
    WORKBOOK,
    Comparison,
    own_decisions,
)

if TYPE_CHECKING:
    from metakit.review.reconciling.reconcile_agreement import FieldAgreement

AGREEMENT = "agreement.csv"
PAGE = "disagreements.html"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reconciled:
    """What came of decisions: records written, unchanged, and studies that wait with what they wait for."""

    written: tuple[Path, ...]
    unchanged: tuple[Path, ...]
    waiting: Mapping[str, tuple[str, ...]]


def write_comparison(comparison: Comparison, *, as_csv: bool = False) -> Path:
    """Write the decisions file, keeping decisions filled in before.

    Parameters
    ----------
    comparison : Comparison
        The two people's records, as just read.
    as_csv : bool
        Whether the decisions are a CSV file; a workbook otherwise. A file that is there already stays what
        it is: a review has one decisions file.

    Returns
    -------
    Path
        The decisions file.

    Raises
    ------
    UsageError
        When there are two decisions files, or one of the other kind than was asked for.
    """
    home = comparison.folder / FOLDER
    with review_lock(comparison.folder):
        path = _decisions_file(home, as_csv=as_csv)
        return _write_decisions(comparison, path, [path] if path.is_file() else [])


def agreement_text(fields: Sequence[FieldAgreement]) -> str:
    """Return the table of agreement by field as CSV."""
    from metakit.review.reconciling.reconcile_agreement import agreement_rows

    stream = io.StringIO(newline="")
    csv.writer(stream, lineterminator="\n").writerows(agreement_rows(tuple(fields)))
    return stream.getvalue()


def _write_decisions(comparison: Comparison, path: Path, sources: Sequence[Path]) -> Path:
    """Write the decisions file with everything that was filled in somewhere."""
    filled = [row for source in sources for _, row in read_rows(source)]
    rows = decision_rows(comparison.asked, filled)
    if path.suffix == CSV:
        return write_atomically(path, decisions_text(rows), within=comparison.folder)
    from metakit.review.reconciling.reconcile_workbook import workbook_bytes

    return write_atomically(path, workbook_bytes(rows), within=comparison.folder)


def _decisions_file(home: Path, *, as_csv: bool) -> Path:
    workbook, plain = home / f"{DECISIONS}{WORKBOOK}", home / f"{DECISIONS}{CSV}"
    if workbook.exists() and (plain.exists() or as_csv):
        raise UsageError(
            f"{workbook} holds the decisions of this review already; a review has one decisions file, as a "
            f"workbook or as CSV: move the one away that does not count"
        )
    return plain if as_csv or plain.exists() else workbook


def reconcile(comparison: Comparison, decisions: str | Path | Sequence[Path]) -> Reconciled:
    """Write the agreed record of every study whose disagreements are all decided, and its history.

    Wording without a decision stays as the first person has it; the history says so. Everything is checked
    before anything is written. A run that was killed half-way is completed by the next one.

    Parameters
    ----------
    comparison : Comparison
        The two people's records, as just read.
    decisions : str, Path or sequence of Path
        The filled-in decisions files. They add up, with each other and with the review's own file, which also
        keeps what was decided about studies that still wait.

    Raises
    ------
    UnreadableError, DataError
        For faulty decisions, agreed records that would break a rule, and records that were changed by hand
        or never reconciled and would be overwritten; nothing is written then.
    """
    home = comparison.folder
    given = [Path(decisions)] if isinstance(decisions, (str, Path)) else list(decisions)
    known = {path.resolve() for path in given}
    own = [path for path in own_decisions(home) if path.resolve() not in known]
    decided = read_decisions(given, comparison.asked, own)
    waiting: dict[str, tuple[str, ...]] = {}
    drafts: list[tuple[Pair, str, str, dict[tuple[str, str], Decision]]] = []
    problems: list[Problem] = []
    for pair in comparison.pairs:
        mine = {key: found for key, found in decided.items() if key[0] == pair.study}
        open_fields = [
            item.address
            for item in pair.disagreements
            if item.needs_decision and (item.study, item.address) not in mine
        ]
        if open_fields:
            waiting[pair.study] = tuple(open_fields)
            continue
        agreed = agreed_group(pair, mine)
        text, date = agreed_text(pair, agreed, mine)
        problems += mixed_arms(pair, agreed) or problems_of(pair, text)
        drafts.append((pair, text, date, mine))
    if problems:
        raise DataError(problems)
    with review_lock(home):
        done = _write(home, drafts, waiting)
        kept = {study for study, _ in decided} & waiting.keys()
        if kept and len(own) < 2 and known != {path.resolve() for path in own_decisions(home)}:
            path = own[0] if own else _decisions_file(home / FOLDER, as_csv=given[0].suffix.lower() == CSV)
            _write_decisions(comparison, path, [*given, *own])
        return done


def _write(
    home: Path,
    drafts: list[tuple[Pair, str, str, dict[tuple[str, str], Decision]]],
    waiting: Mapping[str, tuple[str, ...]],
) -> Reconciled:
    history = sound_history(home)
    past, known = last_of_each(history), hashes_of_each(history)
    targets = {pair.study: home / RECORDS / Path(pair.readings[0].file).name for pair, *_ in drafts}
    for pair, *_ in drafts:
        if pair.study in past:
            targets[pair.study] = record_place(home, past[pair.study]["record"])
    there = {
        pair.study: targets[pair.study].exists() and _same_record(targets[pair.study], text)
        for pair, text, *_ in drafts
    }
    in_the_way = [
        Problem(
            file=str(path),
            what=f"this record of {pair.study} was typed or changed by hand and would be overwritten",
            hint="take the change over into the decisions, move the file away, then run again",
        )
        for pair, *_ in drafts
        if (path := targets[pair.study]).exists()
        and not there[pair.study]
        and sha256_of(path) not in known.get(pair.study, ())
    ]
    if in_the_way:
        raise DataError(in_the_way)
    for path in (home / HISTORY, *targets.values()):
        refuse_links(home, path)
        remove_leftovers(path)
    events = []
    for pair, text, date, mine in drafts:
        path = targets[pair.study]
        digest = sha256_of(path) if there[pair.study] else _digest(path, text)
        event = _event(home, pair, path, digest, date, mine)
        before = {name: item for name, item in past.get(pair.study, {}).items() if name != "previous"}
        if before != event:
            events.append(event)
    # The history first: a run that is killed now leaves records at an earlier agreement, which the history
    # knows too; the other way round, a record whose agreement nobody knows would look like a change by hand.
    if events:
        append(home, events)
    written, unchanged = [], []
    for pair, text, *_ in drafts:
        path = targets[pair.study]
        if there[pair.study]:
            unchanged.append(path)
            continue
        written.append(write_atomically(path, text, within=home))
    return Reconciled(written=tuple(written), unchanged=tuple(unchanged), waiting=dict(waiting))


def _digest(path: Path, text: str) -> str:
    """Return the hash of a record as it will stand in its file."""
    content = as_written(path, text)
    return hashlib.sha256(content if isinstance(content, bytes) else content.encode()).hexdigest()


def _same_record(path: Path, text: str) -> bool:
    before = read_document(path).root
    with TemporaryDirectory() as scratch:
        draft = Path(scratch) / path.name
        draft.write_text(text, encoding="utf-8", newline="\n")
        after = read_document(draft).root
    return before is not None and after is not None and same_nodes(before, after)


def _event(
    home: Path, pair: Pair, path: Path, digest: str, date: str, mine: Mapping[tuple[str, str], Decision]
) -> dict[str, object]:
    items = {item.address: item for item in pair.disagreements}
    return {
        "event": "reconciled",
        "date": date,
        "study": pair.study,
        "record": path.relative_to(home).as_posix(),
        "sha256": digest,
        "extractors": {
            Path(reading.file).relative_to(home).as_posix(): reading.sha256 for reading in pair.readings
        },
        "decisions": [
            {
                "field": found.field,
                pair.people[0]: items[found.field].first.typed,
                pair.people[1]: items[found.field].second.typed,
                "decision": found.decision,
                "other_value": found.other_value,
                "decided_by": found.decided_by,
                "decided_on": found.decided_on,
                "reason": found.reason,
            }
            for found in mine.values()
        ],
        **(
            {"arms": {pair.people[1]: {old: new for new, old in pair.renamed.items()}}}
            if pair.renamed
            else {}
        ),
        "wording_kept": [
            item.address
            for item in pair.disagreements
            if item.wording and (pair.study, item.address) not in mine
        ],
    }
