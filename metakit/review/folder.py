"""A review folder, read and checked: `protocol.yaml` and one record a study under `records/`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from metakit.core.plans import Protocol
from metakit.core.records import CertaintyJudgement, StudyRecord
from metakit.errors import DataError, Problem, UnreadableError
from metakit.forms.library import Library, shipped, use_forms_of
from metakit.forms.records import Reading, read_record
from metakit.review.across import problems_across
from metakit.review.certainty import CertaintyReading, read_certainty
from metakit.review.extraction import extractor_files, extractor_problems, untouched
from metakit.review.files import FolderFiles, folder_files
from metakit.review.history import history_questions
from metakit.review.next_steps import EMPTY_PLAN, empty_plan, next_steps
from metakit.review.reports import report_questions
from metakit.review.selection.reading import Selection, SelectionReading, read_selection
from metakit.review.template import first_record
from metakit.review.typed import study_record
from metakit.review.typed_protocol import protocol


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewFolder:
    """A review whose files hold no error.

    `questions` are unusual values that an extractor can confirm; `inputs` are the files with their
    SHA-256, by path within the folder. `selection` is None where nobody documented how the studies were
    found.
    """

    path: Path
    protocol: Protocol
    studies: tuple[StudyRecord, ...]
    questions: tuple[Problem, ...]
    inputs: tuple[tuple[str, str], ...]
    selection: Selection | None = None
    judgements: tuple[CertaintyJudgement, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderReading:
    """Everything that the files of a folder say, with all problems, and what is to be done next."""

    files: FolderFiles
    protocol: Reading | None
    records: tuple[Reading, ...]
    problems: tuple[Problem, ...]
    selection: SelectionReading | None = None
    certainty: CertaintyReading | None = None
    steps: tuple[str, ...] = ()

    @property
    def unreadable(self) -> bool:
        """Whether a file could not be read, or the folder lacks what makes it a review."""
        readings = [*self.records, *([self.protocol] if self.protocol else [])]
        readings += [self.certainty.reading] if self.certainty else []
        return any(reading.unreadable for reading in readings) or any(
            problem.severity == "error" for problem in self.files.problems
        )


def read_folder(path: Path, library: Library) -> FolderReading:
    """Read all files of a review folder and collect all problems; raises nothing for what they hold."""
    files = folder_files(path)
    plan = read_record(files.protocol, library) if files.protocol else None
    records, problems_of_empty = _without_empty(
        path, [read_record(file, library) for file in files.records], typed=bool(extractor_files(path))
    )
    readings = [*([plan] if plan else []), *records]
    problems = [*files.problems]
    if plan is not None and empty_plan(plan):
        hint = f"'metakit check {path}' says what to do, in order"
        problems.append(Problem(file=plan.file, what=EMPTY_PLAN, hint=hint))
        readings = list(records)
    problems += [problem for reading in readings for problem in reading.problems]
    problems += problems_of_empty
    problems += extractor_problems(path, library, records)
    problems += _wrong_place(plan, records)
    problems += problems_across(records, plan)
    problems += history_questions(path)
    problems += report_questions(path, records)
    selection = read_selection(path, library, records)
    problems += selection.problems if selection else ()
    certainty = read_certainty(path, library, plan.group if plan else None)
    problems += certainty.problems if certainty else ()
    return FolderReading(
        files=files,
        protocol=plan,
        records=records,
        problems=tuple(problems),
        selection=selection,
        certainty=certainty,
        steps=next_steps(path, plan, records=len(records)),
    )


def read_protocol(path: str | Path) -> Protocol:
    """Read the protocol of a review alone; the folder may hold no record yet.

    Raises
    ------
    UnreadableError
        When there is no protocol, or it cannot be read.
    DataError
        When it holds errors.
    """
    folder = Path(path)
    use_forms_of(folder)
    file = folder / "protocol.yaml"
    if not file.is_file():
        raise UnreadableError([Problem(file=str(file), what="the folder has no protocol")])
    reading = read_record(file, shipped())
    wrong = [*reading.problems, *_wrong_place(reading, ())]
    if reading.group is None or any(problem.severity == "error" for problem in wrong):
        raise (UnreadableError if reading.unreadable else DataError)(wrong)
    return protocol(reading.group, file=file.name, sha256=reading.sha256)


def open_folder(path: str | Path) -> ReviewFolder:
    """Open a review folder for analysis.

    Parameters
    ----------
    path : str or Path
        Folder with `protocol.yaml` and `records/`.

    Raises
    ------
    UnreadableError
        When a file cannot be read, or the folder has no protocol or no records.
    DataError
        When the files hold errors. Both errors carry all problems of all files.
    """
    folder = Path(path)
    use_forms_of(folder)
    read = read_folder(folder, shipped())
    if any(problem.severity == "error" for problem in read.problems):
        raise (UnreadableError if read.unreadable else DataError)(read.problems)
    plan = read.protocol
    if plan is None or plan.group is None:  # pragma: no cover - folder_files reports a missing protocol
        raise UnreadableError([Problem(file=str(folder), what="the folder has no protocol")])

    def inside(file: str) -> str:
        found = Path(file)
        return found.relative_to(folder).as_posix() if found.is_relative_to(folder) else found.name

    studies = tuple(
        study_record(reading.group, reading.form, file=inside(reading.file), sha256=reading.sha256)
        for reading in read.records
        if reading.group is not None and reading.form is not None
    )
    return ReviewFolder(
        path=folder,
        protocol=protocol(plan.group, file=inside(plan.file), sha256=plan.sha256),
        studies=studies,
        questions=tuple(
            # The same review gives the same report wherever its folder stands.
            replace(
                problem,
                file=inside(problem.file),
                hint=problem.hint.replace(f"{folder}'", "REVIEW'"),
            )
            for problem in read.problems
        ),
        inputs=tuple(
            (inside(file), sha256)
            for file, sha256 in (
                *((reading.file, reading.sha256) for reading in (plan, *read.records)),
                *(read.selection.inputs if read.selection else ()),
                *([(read.certainty.reading.file, read.certainty.reading.sha256)] if read.certainty else []),
            )
        ),
        selection=read.selection.selection if read.selection else None,
        judgements=read.certainty.judgements if read.certainty else (),
    )


def _without_empty(
    folder: Path, readings: Sequence[Reading], *, typed: bool
) -> tuple[tuple[Reading, ...], list[Problem]]:
    """Pass over records that are as empty as `metakit new` made them, and say so.

    Nothing is said of the one record that `new` made and nobody touched.
    """
    filled = tuple(reading for reading in readings if not untouched(reading))
    hint = "fill it in, or delete it"
    problems = [
        Problem(file=reading.file, what="not read: an empty record", hint=hint, severity="question")
        for reading in readings
        if untouched(reading) and Path(reading.file).read_text(encoding="utf-8") != first_record()
    ]
    if readings and not filled:
        hint = f"'metakit check {folder}' says what to do, in order"
        if typed:
            hint = f"'metakit reconcile {folder}' makes records of what the extractors typed"
        problems.append(Problem(file=str(folder), what="there is no record to analyse yet", hint=hint))
    return filled, problems


def _wrong_place(plan: Reading | None, records: Sequence[Reading]) -> list[Problem]:
    """Find a study record in the place of the protocol, or the other way round."""
    problems = []
    for reading, wanted in [
        *([(plan, "protocol")] if plan else []),
        *((record, "study") for record in records),
    ]:
        if reading.form is not None and reading.form.name != wanted:
            problems.append(
                Problem(
                    file=reading.file,
                    line=1,
                    column=1,
                    field="form",
                    what=f"a file of the form {wanted} belongs here",
                    found=reading.form.name,
                    allowed=wanted,
                )
            )
    return problems
