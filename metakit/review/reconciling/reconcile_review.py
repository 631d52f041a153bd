"""The two records of each study of a review, read and laid side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from metakit.errors import DataError, Problem, UsageError
from metakit.forms.library import Library, shipped, use_forms_of
from metakit.forms.records import Reading, read_record
from metakit.review.files import EXTRACTORS, yaml_files
from metakit.review.history import last_of_each, read_history
from metakit.review.reconciling.reconcile_compared import Compared, Pair
from metakit.review.reconciling.reconcile_decisions import (
    NO_LONGER,
    YES_OR_NO,
    Asked,
    read_rows,
    said,
    typed_by_each,
)
from metakit.review.reconciling.reconcile_match import pair_records

FOLDER = "reconcile"
DECISIONS = "decisions"
WORKBOOK, CSV = ".xlsx", ".csv"


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """All pairs of a review, and the studies that only one person typed (study id to initials)."""

    folder: Path
    pairs: tuple[Pair, ...]
    single: Mapping[str, str]

    @property
    def items(self) -> tuple[Compared, ...]:
        """Every field compared, of all studies."""
        return tuple(item for pair in self.pairs for item in pair.items)

    @property
    def asked(self) -> tuple[Asked, ...]:
        """Every disagreement of all studies."""
        return tuple(
            Asked(item=item, people=pair.people, renamed=pair.renamed)
            for pair in self.pairs
            for item in pair.disagreements
        )


def compare_review(
    folder: str | Path,
    library: Library | None = None,
    decisions: Sequence[Path] = (),
    *,
    read: Callable[[Path], Reading] | None = None,
) -> Comparison:
    """Compare the records of a review's two extractors, study by study.

    Parameters
    ----------
    folder : str or Path
        The review folder.
    library : Library, optional
        Where the forms are; the shipped ones otherwise.
    decisions : sequence of Path
        Files that may answer which arm is which, before the review's own decisions and its history.
    read : callable, optional
        Gives the reading of a record, where the caller has it already; else it is read here.

    Raises
    ------
    UsageError
        When there are no records by extractor.
    DataError
        When records have errors, one person typed a study twice, or three people typed it; all at once.
    """
    home = Path(folder)
    use_forms_of(home)
    known = library or shipped()
    if not (home / EXTRACTORS).is_dir():
        raise UsageError(
            f"{home} has no folder {EXTRACTORS}; each extractor's records stand in {EXTRACTORS}/INITIALS/"
        )
    typed: dict[str, dict[str, Reading]] = {}
    problems: list[Problem] = []
    people = sorted(path for path in (home / EXTRACTORS).iterdir() if path.is_dir())
    for person in people:
        for file in yaml_files(person)[0]:
            reading = read(file) if read is not None else read_record(file, known)
            problems += [problem for problem in reading.problems if problem.severity == "error"]
            if reading.group is None or not reading.sound:
                continue
            study = reading.group.text("study.id") or file.stem
            typed_by = reading.group.text("extraction.extractor")
            if typed_by != person.name:
                what = f"the record of {study} stands in the folder of {person.name}"
                hint = "each person's own typing belongs in the folder of that person's initials"
                problems.append(
                    reading.group.problem(
                        "extraction.extractor", what, found=typed_by, hint=hint, severity="error"
                    )
                )
            by_person = typed.setdefault(study, {})
            if person.name in by_person:
                what = f"{person.name} typed {study} already in {by_person[person.name].file}"
                problems.append(Problem(file=str(file), what=what, hint="keep one of the two files"))
            elif len(by_person) == 2:
                what = f"{study} was typed by {' and '.join(by_person)} already; two people are compared"
                problems.append(Problem(file=str(file), what=what))
            by_person.setdefault(person.name, reading)
    if not people or (not typed and not problems):
        raise UsageError(f"{home / EXTRACTORS} holds no records; one folder for each extractor's initials")
    problems += _other_forms(typed)
    if problems:
        raise DataError(problems)
    given = _Answers(home, tuple(decisions))
    pairs = []
    for study, by_person in sorted(typed.items()):
        if len(by_person) == 2:
            (one, first), (two, second) = by_person.items()
            pairs.append(pair_records(study, (one, two), (first, second), partial(given.answer, study)))
    single = {study: next(iter(found)) for study, found in sorted(typed.items()) if len(found) == 1}
    return Comparison(folder=home, pairs=tuple(pairs), single=single)


def pair_of(home: Path, study: str, people: tuple[str, str], readings: tuple[Reading, Reading]) -> Pair:
    """Lay the two records of one study side by side; the review's decisions say which arm is which."""
    return pair_records(study, people, readings, partial(_Answers(home, ()).answer, study))


def _other_forms(typed: Mapping[str, Mapping[str, Reading]]) -> list[Problem]:
    problems = []
    for study, by_person in typed.items():
        names = {reading.form.name for reading in by_person.values() if reading.form}
        if len(names) > 1:
            file = list(by_person.values())[-1].file
            what = f"the two records of {study} follow different forms"
            problems.append(Problem(file=file, what=what, found=" and ".join(sorted(names))))
    return problems


@dataclass(slots=True)
class _Answers:
    """What was decided about questions of which arm is which; files are read when the first one is asked."""

    home: Path
    files: tuple[Path, ...]
    known: dict[tuple[str, ...], str] | None = field(default=None)

    def answer(self, study: str, path: str, first: str, second: str) -> str:
        if self.known is None:
            self.known = {}
            for key, decision in self._all():
                self.known.setdefault(key, decision)
        return self.known.get((study, path, said(first), said(second)), "")

    def _all(self) -> Iterator[tuple[tuple[str, ...], str]]:
        for file in (*self.files, *own_decisions(self.home)):
            for _, row in read_rows(file):
                if row["decision"] in YES_OR_NO and row["needed"] != NO_LONGER:
                    about = (row["study"], row["field"], row["first_value"], row["second_value"])
                    yield about, row["decision"]
        for study, event in last_of_each(read_history(self.home)[0]).items():
            for found in event.get("decisions", ()):
                if found.get("decision") in YES_OR_NO:
                    yield (study, str(found.get("field")), *typed_by_each(found).values()), found["decision"]


def own_decisions(home: Path) -> tuple[Path, ...]:
    """Return the decisions file of a review, if it has one."""
    paths = (home / FOLDER / f"{DECISIONS}{ending}" for ending in (WORKBOOK, CSV))
    return tuple(path for path in paths if path.is_file())
