"""From filled workbooks to records on disk: checked like YAML, written whole, never over another's work."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from metakit.core.files import remove_leftovers, write_atomically
from metakit.core.places import RESERVED, refuse_links
from metakit.errors import DataError, Problem, UnreadableError, UsageError
from metakit.forms.library import Library
from metakit.forms.record_text import record_text, same_nodes
from metakit.forms.record_workbooks.assembling import SINGLE, Collected, assemble
from metakit.forms.record_workbooks.grids import Book, at_cell
from metakit.forms.record_workbooks.layout import layout_of
from metakit.forms.record_workbooks.reading import read_book
from metakit.forms.specs import Form
from metakit.forms.yaml_nodes import MapNode, ScalarNode, read_document
from metakit.review.files import EXTRACTORS, PROTOCOL, RECORDS
from metakit.review.lock import review_lock
from metakit.review.workbooks.problem_copies import (
    ENDING,
    name_without_ending,
    tidy,
    to_read,
    without_copies,
    write_copy,
)
from metakit.review.workbooks.protocol_sheet import FORM as PLAN_FORM
from metakit.review.workbooks.protocol_sheet import VALUES, collect_protocol

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,59}", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Collection:
    """What came of some workbooks.

    `written` are new or replaced records, `unchanged` those that said the same already, `annotated` copies
    of faulty workbooks with a comment on each cell in question, `tidied` such copies that were removed as
    there is nothing left to mend.
    """

    written: tuple[Path, ...]
    unchanged: tuple[Path, ...]
    annotated: tuple[Path, ...]
    problems: tuple[Problem, ...]
    tidied: tuple[Path, ...] = ()
    unreadable: bool = False

    @property
    def exit_status(self) -> int:
        """0 when everything was written or there already, 1 with errors, 2 when a file could not be read."""
        if not any(problem.severity == "error" for problem in self.problems):
            return 0
        return UnreadableError.exit_status if self.unreadable else DataError.exit_status


def collect(
    paths: Iterable[str | Path],
    into: str | Path,
    library: Library,
    *,
    form: Form | None = None,
    replace: bool = False,
    extractor: str = "",
) -> Collection:
    """Read workbooks and write their records.

    Parameters
    ----------
    paths : iterable of str or Path
        Workbooks, folders or archives of CSV files, or folders of workbooks.
    into : str or Path
        A review folder, whose `records` are meant then, or a folder of records.
    library : Library
        Where forms are.
    form : Form, optional
        A form of one's own.
    replace : bool
        Whether a record that says something else already is replaced.
    extractor : str
        Initials of one of two extractors: the records are kept apart in `extractors/INITIALS` of the review,
        for reconciling, and must say that this person typed them.

    Returns
    -------
    Collection
        A file with errors writes none of its records; the others are written all the same.

    Raises
    ------
    UsageError
        When `into` is no folder, another process holds its lock, there is nothing to collect, or `extractor`
        cannot name a folder.
    """
    home = Path(into)
    if not home.is_dir():
        raise UsageError(f"{home} is not a folder; 'metakit new {home}' makes a review folder")
    files = [file for path in paths for file in _files(Path(path))]
    if not files:
        raise UsageError("nothing to collect: name a workbook, or a folder that holds workbooks")
    target = home / RECORDS if (home / PROTOCOL).exists() or (home / RECORDS).is_dir() else home
    if extractor:
        if not _NAME.fullmatch(extractor) or extractor.casefold() in RESERVED:
            raise UsageError(f"{extractor!r} cannot name a folder; initials are letters and digits")
        target = home / EXTRACTORS / extractor
    written: list[Path] = []
    unchanged: list[Path] = []
    annotated: list[Path] = []
    problems: list[Problem] = []
    unreadable = False
    tidied: list[Path] = []
    for given in without_copies(files):
        file = given
        try:
            file = to_read(given)
            if file != given:
                what = f"read in the place of {given.name}: it was mended here since"
                problems.append(Problem(file=str(file), what=what, severity="question"))
            book = read_book(file)
            chosen = _form(book, library, form)
            collected = assemble(book, layout_of(chosen))
        except UnreadableError as error:
            problems += error.problems
            unreadable = True
            continue
        except DataError as error:
            problems += error.problems
            continue
        if chosen.name == PLAN_FORM:
            with review_lock(home):
                plan = _collect_plan(home, book, collected, extractor, replace=replace)
            (written if plan else unchanged if collected.sound else []).append(home / PROTOCOL)
            problems += collected.problems
            _copy_or_tidy(file, given, collected.problems, annotated, tidied)
            continue
        names = _record_names(file, book, collected)
        if extractor:
            collected.problems += [problem for root in names.values() for problem in _not_of(extractor, root)]
        if collected.sound:
            with review_lock(home):
                for name, root in names.items():
                    _write(
                        home,
                        target / f"{name}.yaml",
                        root,
                        book,
                        collected,
                        written,
                        unchanged,
                        replace=replace,
                    )
        problems += collected.problems
        _copy_or_tidy(file, given, collected.problems, annotated, tidied)
    return Collection(
        written=tuple(written),
        unchanged=tuple(unchanged),
        annotated=tuple(annotated),
        tidied=tuple(tidied),
        problems=tuple(problems),
        unreadable=unreadable,
    )


def _copy_or_tidy(
    file: Path, given: Path, problems: Sequence[Problem], annotated: list[Path], tidied: list[Path]
) -> None:
    """Write a copy with comments when cells are in question, remove earlier ones when nothing is."""
    errors = [problem for problem in problems if problem.severity == "error"]
    if errors and file.suffix.lower() == ".xlsx" and any(" > " in problem.file for problem in errors):
        annotated.append(write_copy(file, problems))
    elif not errors:
        tidied += tidy(given)


def _collect_plan(home: Path, book: Book, collected: Collected, extractor: str, *, replace: bool) -> bool:
    """Bring the review's protocol up to date; say whether it was written."""
    if extractor:
        what = "a protocol belongs to the review, not to one extractor"
        collected.problems.append(Problem(file=book.file, what=what, hint="leave --extractor out"))
    if not collected.sound:
        return False
    (root,) = collected.records.values()
    done = collect_protocol(
        home, root, source=Path(book.file).name, made_of=book.facts.get(VALUES, ""), replace=replace
    )
    collected.problems += done.problems
    return done.written is not None


def _files(path: Path) -> list[Path]:
    if not path.is_dir() or (path / "metakit.csv").is_file():
        return [path]
    return [
        file
        for file in sorted(path.glob("*.xlsx"))
        if not file.name.startswith(("~$", ".")) and ENDING not in file.stem
    ]


def _form(book: Book, library: Library, own: Form | None) -> Form:
    name, version = book.facts.get("form", ""), book.facts.get("form_version", "")
    if own is None and name not in library.form_names():
        what = "the file follows a form that is not known"
        raise DataError(
            [Problem(file=book.file, what=what, found=name, allowed=", ".join(library.form_names()))]
        )
    form = own or library.form(name)
    if name != form.name or version != str(form.version):
        what = "the file was made with another form, or another version of it"
        hint = "make a new workbook with 'metakit sheet' and copy the values into it"
        found, allowed = f"{name} {version}", f"{form.name} {form.version}"
        raise DataError([Problem(file=book.file, what=what, found=found, allowed=allowed, hint=hint)])
    return form


def _record_names(file: Path, book: Book, collected: Collected) -> dict[str, MapNode]:
    """Return the records by the names of their files; a name that no system can store is an error."""
    names: dict[str, MapNode] = {}
    for name, root in collected.records.items():
        shown = name_without_ending(file.stem) if name == SINGLE else name
        tidy = re.sub(r"\s+", "_", shown.strip())
        if (
            not _NAME.fullmatch(tidy)
            or tidy.casefold() in RESERVED
            or tidy.casefold() in map(str.casefold, names)
        ):
            collected.problems.append(
                Problem(
                    file=book.file,
                    what="this cannot name a record, or names two",
                    found=shown[:80],
                    allowed="letters a-z, digits, _ and -, at most 60",
                    hint="rename the workbook, or the heading of the record's column",
                )
            )
        names[tidy] = root
    return names


def _not_of(extractor: str, root: MapNode) -> Iterator[Problem]:
    """Find what keeps a record from being one person's own: another name, or a status of two people."""
    extraction = root.get("extraction")
    if not isinstance(extraction, MapNode):
        return
    for field, wanted in (("extractor", extractor), ("status", "single")):
        node = extraction.get(field)
        if isinstance(node, ScalarNode) and node.text != wanted:
            yield at_cell(
                Problem(
                    file=node.place.file,
                    line=node.place.line,
                    column=node.place.column,
                    field=f"extraction.{field}",
                    what=f"this is to be the record that {extractor} typed alone",
                    found=node.text[:80],
                    allowed=wanted,
                )
            )


def _write(
    home: Path, path: Path, root: MapNode, book: Book, collected: Collected,
    written: list[Path], unchanged: list[Path],
    *, replace: bool,
) -> None:  # fmt: skip
    """Write one record under the lock, unless it is there already or somebody else's work would be lost."""
    if path.exists():
        before = read_document(path).root
        if before is not None and same_nodes(before, root):
            unchanged.append(path)
            return
        if not replace:
            what = f"{path} holds other values already; it was left as it is"
            hint = "compare them, then collect again with --replace to put the workbook in its place"
            collected.problems.append(Problem(file=book.file, what=what, hint=hint))
            return
    refuse_links(home, path)
    remove_leftovers(path)
    source = Path(book.file).name
    write_atomically(
        path, record_text(root, [f"Collected from {source} (SHA-256 {book.sha256})."]), within=home
    )
    written.append(path)
