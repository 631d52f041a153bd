"""How the records of a review were extracted: by two people who agreed, by two who have not, or by one."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from metakit.core.files import sha256_of
from metakit.core.records import StudyRecord
from metakit.errors import MetakitError, Problem
from metakit.forms.library import Library, shipped
from metakit.forms.records import Reading, read_record
from metakit.review.files import EXTRACTORS, yaml_files
from metakit.review.history import last_of_each, read_history

if TYPE_CHECKING:
    from metakit.review.reconciling.reconcile_agreement import FieldAgreement, OverallAgreement

AGREED = "agreed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Extraction:
    """How the records were extracted; studies by their ids.

    `reconciled` are agreed records with their reconciliation in the history, `declared` say that two people
    agreed but the history does not know it, `unreconciled` were typed by two people who have not agreed,
    `single` by one. `waiting` are typed by extractors but have no record in the review yet (study id to
    initials). `decisions` are those of the history, each with its `study`. `fields` and `overall` are the
    agreement before anything was settled; None, with the reason in `not_compared`, where it cannot be known.
    """

    reconciled: tuple[str, ...]
    declared: tuple[str, ...]
    unreconciled: tuple[str, ...]
    single: tuple[str, ...]
    waiting: Mapping[str, tuple[str, ...]]
    people: tuple[str, ...]
    decisions: tuple[Mapping[str, Any], ...]
    fields: tuple[FieldAgreement, ...] = ()
    overall: OverallAgreement | None = None
    not_compared: str = ""

    @property
    def not_agreed(self) -> tuple[str, ...]:
        """Studies whose numbers rest on one person's typing."""
        return (*self.unreconciled, *self.single)

    def to_json(self) -> dict[str, Any]:
        """Return everything as JSON."""
        fields = [
            {"field": one.field, "topic": one.topic or None, "values": one.n, "same": one.same}
            | {
                "kappa": one.categories.kappa if one.categories else None,
                "kappa_interval": one.categories.kappa_interval if one.categories else None,
                "adjusted_kappa": one.categories.adjusted_kappa if one.categories else None,
                "mean_difference": one.numbers.mean_difference if one.numbers else None,
                "limits_of_agreement": one.numbers.limits if one.numbers else None,
            }
            for one in self.fields
        ]
        return {
            "reconciled": list(self.reconciled),
            "declared_agreed": list(self.declared),
            "unreconciled": list(self.unreconciled),
            "single": list(self.single),
            "waiting": {study: list(people) for study, people in self.waiting.items()},
            "decisions": [dict(found) for found in self.decisions],
            "agreement": asdict(self.overall) if self.overall else None,
            "agreement_by_field": fields,
            "not_compared": self.not_compared or None,
        }


NOT_READ = Extraction(
    reconciled=(), declared=(), unreconciled=(), single=(), waiting={}, people=(), decisions=(),
    not_compared="the extractors' records were not read",
)  # fmt: skip
"""Stands where nobody asks who typed what."""


def extraction_of(folder: Path, studies: Sequence[StudyRecord]) -> Extraction:
    """Find out how the records of a review were extracted.

    Parameters
    ----------
    folder : Path
        The review folder.
    studies : sequence of StudyRecord
        Its records.
    """
    read = cache(partial(read_record, library=shipped()))
    typed = _typed(folder, read)
    events = last_of_each(read_history(folder)[0])
    there = [study.id for study in studies]
    agreed = {study.id for study in studies if study.status == AGREED}
    two = {study for study, people in typed.items() if len(people) > 1}
    fields, overall, why = _agreement(folder, read) if typed else ((), None, "")
    return Extraction(
        reconciled=tuple(study for study in there if study in agreed and study in events),
        declared=tuple(study for study in there if study in agreed and study not in events),
        unreconciled=tuple(study for study in there if study not in agreed and study in two),
        single=tuple(study for study in there if study not in agreed and study not in two),
        waiting={study: people for study, people in typed.items() if study not in there},
        people=tuple(sorted({person for people in typed.values() for person in people})),
        decisions=tuple(
            {"study": study, **found}
            for study, event in events.items()
            if study in there
            for found in event.get("decisions", ())
        ),
        fields=fields,
        overall=overall,
        not_compared=why,
    )


def _typed(folder: Path, read: Callable[[Path], Reading]) -> dict[str, tuple[str, ...]]:
    """Return who typed which study; unreadable files are the business of the checks."""
    found: dict[str, tuple[str, ...]] = {}
    for person, file in extractor_files(folder):
        group = read(file).group
        study = group.text("study.id") if group is not None else ""
        if study:
            found[study] = tuple(dict.fromkeys((*found.get(study, ()), person)))
    return dict(sorted(found.items()))


def _agreement(
    folder: Path, read: Callable[[Path], Reading]
) -> tuple[tuple[FieldAgreement, ...], OverallAgreement | None, str]:
    from metakit.review.reconciling.reconcile_agreement import field_agreements, overall_agreement
    from metakit.review.reconciling.reconcile_review import compare_review

    try:
        comparison = compare_review(folder, read=read)
    except MetakitError:
        return (), None, "the records of the extractors hold errors; 'metakit reconcile' names them"
    if not comparison.pairs:
        return (), None, "no study was typed by two people"
    fields = field_agreements(comparison.items)
    return fields, overall_agreement(fields, comparison.items), ""


def extractor_files(folder: Path) -> list[tuple[str, Path]]:
    """Return the records by extractor: initials and file."""
    home = folder / EXTRACTORS
    people = sorted(path for path in home.iterdir() if path.is_dir()) if home.is_dir() else []
    return [(person.name, file) for person in people for file in yaml_files(person)[0]]


def extractor_problems(folder: Path, library: Library, records: Sequence[Reading]) -> list[Problem]:
    """Check the records by extractor, and ask about studies that only one person typed.

    Those whose bytes went into the last agreement are not read again. Questions are asked only as long as
    there is no record of the study in the review, where they would be asked again.
    """
    settled = {
        (folder / name, hashed): study
        for study, event in last_of_each(read_history(folder)[0]).items()
        for name, hashed in dict(event.get("extractors", {})).items()
    }
    there = {reading.group.text("study.id"): reading for reading in records if reading.group is not None}
    typed: dict[str, dict[str, Path]] = {}
    found: list[Problem] = []
    for person, file in extractor_files(folder):
        study = settled.get((file, sha256_of(file)), "")
        if not study:
            reading = read_record(file, library)
            study = reading.group.text("study.id") if reading.group is not None else ""
            asked = study not in there
            found += [problem for problem in reading.problems if problem.severity == "error" or asked]
        if study:
            typed.setdefault(study, {})[person] = file
    return [*found, *_typed_by_one(typed, there)] if typed else found


def _typed_by_one(typed: Mapping[str, Mapping[str, Path]], there: Mapping[str, Reading]) -> Iterator[Problem]:
    """Ask about studies that one person alone has typed, where others are typed by two."""
    alone = {study: next(iter(files.items())) for study, files in typed.items() if len(files) == 1}
    for study, reading in there.items():
        group = reading.group
        if group is not None and study not in typed and group.text("extraction.status") != AGREED:
            alone[study] = (group.text("extraction.extractor"), Path(reading.file))
    for study, (person, file) in alone.items():
        yield Problem(
            file=str(file), what=f"{study} was typed by {person or 'one person'} only", severity="question",
            hint="another person types it too, without looking ('metakit collect --extractor INITIALS'); "
            "then 'metakit reconcile' compares the two",
        )  # fmt: skip


def untouched(reading: Reading) -> bool:
    """Whether a record is still as empty as `metakit new` made it."""
    return reading.group is not None and _says_nothing(reading.group.plain())


def _says_nothing(value: object) -> bool:
    if isinstance(value, Mapping):
        return all(_says_nothing(part) for part in value.values())
    if isinstance(value, (list, tuple)):
        return all(_says_nothing(part) for part in value)
    return False
