"""Checking files and folders: all problems of all of them in one run; nothing is changed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from metakit.core.values import Place
from metakit.errors import DataError, Problem, Severity, UnreadableError, UsageError
from metakit.forms.answers import SECTION, values_of
from metakit.forms.library import Library, shipped, use_forms_of
from metakit.forms.record_text import record_text
from metakit.forms.records import Reading, read_record
from metakit.forms.specs import Form
from metakit.forms.yaml_nodes import MapNode, ScalarNode
from metakit.review.across import problems_across
from metakit.review.files import PROTOCOL, RECORDS, yaml_files
from metakit.review.folder import read_folder

HERE = Place(file="", line=1, column=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """Files that were looked at, everything wrong or unusual in them, and what is to be done next."""

    files: tuple[Path, ...]
    problems: tuple[Problem, ...]
    unreadable: bool = False
    steps: tuple[str, ...] = ()

    def of(self, severity: Severity) -> tuple[Problem, ...]:
        """Return the problems of one severity."""
        return tuple(problem for problem in self.problems if problem.severity == severity)

    @property
    def exit_status(self) -> int:
        """0 without errors, 1 when data have errors, 2 when something could not be read at all."""
        if not any(problem.severity == "error" for problem in self.problems):
            return 0
        return UnreadableError.exit_status if self.unreadable else DataError.exit_status


def check_paths(paths: Iterable[str | Path], form: str | Path | None = None) -> CheckReport:
    """Check records, review folders, or folders of records.

    Parameters
    ----------
    paths : iterable of str or Path
        Files and folders. A folder with `protocol.yaml` or `records/` is a review; in any other folder all
        YAML files are checked.
    form : str or Path, optional
        A form file of one's own that all records follow, or the name of a shipped form.

    Returns
    -------
    CheckReport
        All problems in the order of the paths.

    Raises
    ------
    UsageError
        When no path is given.
    DataError, UnreadableError
        When `form` itself has problems.
    """
    given = [Path(path) for path in paths]
    if not given:
        raise UsageError("nothing to check: name a record or a review folder")
    if len(given) == 1 and given[0].is_dir():
        use_forms_of(given[0])
    library, own = _forms(form)
    files: list[Path] = []
    problems: list[Problem] = []
    steps: list[str] = []
    unreadable = False
    for path in given:
        report = _check(path, library, own)
        steps += report.steps
        files += report.files
        problems += report.problems
        unreadable = unreadable or report.unreadable
    return CheckReport(
        files=tuple(dict.fromkeys(files)), problems=tuple(dict.fromkeys(problems)), unreadable=unreadable,
        steps=tuple(steps),
    )  # fmt: skip


def load_form(form: str | Path) -> tuple[Library, Form]:
    """Return a form and the library around it.

    Parameters
    ----------
    form : str or Path
        The file of a form of one's own, or the name of a shipped one.

    Raises
    ------
    UnknownNameError
        When no shipped form has this name.
    DataError, UnreadableError
        With every problem of the form, each with file, line and column.
    """
    path = Path(form)
    if path.suffix.lower() in (".yaml", ".yml"):
        library = Library(path.parent)
        return library, library.load_form(path)
    return shipped(), shipped().form(str(form))


def _forms(form: str | Path | None) -> tuple[Library, Form | None]:
    return (shipped(), None) if form is None else load_form(form)


def _check(path: Path, library: Library, own: Form | None) -> CheckReport:
    if path.is_dir() and own is None and ((path / PROTOCOL).exists() or (path / RECORDS).exists()):
        read = read_folder(path, library)
        files = [*([read.files.protocol] if read.files.protocol else []), *read.files.records]
        files += [Path(file) for file, _ in read.selection.inputs] if read.selection else []
        files += [Path(read.certainty.reading.file)] if read.certainty else []
        return CheckReport(
            files=tuple(files), problems=read.problems, unreadable=read.unreadable, steps=read.steps
        )
    if own is not None and (path / RECORDS).is_dir():
        path = path / RECORDS
    if path.is_dir():
        records, odd = yaml_files(path)
        if not records:
            what = "the folder holds no protocol and no records"
            odd.append(Problem(file=str(path), what=what, hint="'metakit new DIR' makes a review folder"))
            return CheckReport(files=(), problems=tuple(odd), unreadable=True)
        readings = [read_record(file, library, form=own) for file in records]
        return _report(records, readings, odd)
    return _report((path,), [read_record(path, library, form=own)], [])


def _report(files: Iterable[Path], readings: list[Reading], more: list[Problem]) -> CheckReport:
    problems = [problem for reading in readings for problem in reading.problems]
    return CheckReport(
        files=tuple(files),
        problems=(*problems, *problems_across(readings, None), *more),
        unreadable=any(reading.unreadable for reading in readings),
    )


def entries_to_answer(problems: Iterable[Problem]) -> str:
    """Return open questions as entries of `answered_questions`, by file, for a person to complete.

    `review/workbooks/answering.py` puts completed ones into the records.

    Questions about a file as a whole, such as a change by hand, have no entry: their file is what answers.
    """
    lines: list[str] = []
    last = ""
    for problem in problems:
        if problem.severity != "question" or not problem.address:
            continue
        if problem.file != last:
            lines += [f"# {problem.file}", f"{SECTION}:"]
            last = problem.file
        texts = {
            "rule": problem.rule,
            "field": problem.address,
            "values": values_of(problem),
            "answer": "",
            "answered_by": "",
            "answered_on": "",
        }
        kept = {name: text for name, text in texts.items() if text or name.startswith("answer")}
        lines.append(f"  # {' '.join(problem.what.split())}")
        for number, (name, text) in enumerate(kept.items()):
            node = MapNode(((ScalarNode(name, HERE), ScalarNode(text, HERE)),), HERE)
            shown = record_text(node).rstrip("\n") if text else f"{name}:"
            lines.append(f"  {'- ' if not number else '  '}{shown}")
    return "\n".join(lines) + "\n" if lines else ""
