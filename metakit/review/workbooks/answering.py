"""Answers to the questions of `metakit check`: completed by a person, then put into the records.

`check --to-answer` gives the open questions out as entries under the name of their file; what comes back
completed is spliced into these files, so that all else in them stays as it was typed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from metakit.core.files import remove_leftovers, write_atomically
from metakit.core.places import first_link
from metakit.errors import DataError, Problem
from metakit.forms.answers import SECTION, values_of
from metakit.forms.library import Library
from metakit.forms.reading import read_fields
from metakit.forms.records import read_record
from metakit.forms.specs import Form
from metakit.forms.splice import Step, add_entry
from metakit.forms.text_files import decoded
from metakit.forms.tree import Group
from metakit.forms.yaml_nodes import LARGEST_FILE, ListNode, MapNode, Node, ScalarNode, read_bytes
from metakit.review.check import check_paths
from metakit.review.history import last_of_each, sound_history
from metakit.review.lock import review_lock

ENDINGS = (".yaml", ".yml")
GIVEN = ("answer", "answered_by", "answered_on")
_FIELDS = ("rule", "field", "values", *GIVEN)
_BLOCK = re.compile(rf"^# (?P<file>.+)\n{SECTION}:[ \t]*\n", re.MULTILINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What stands under the name of one file: the entries that somebody completed, and how many are blank."""

    file: str
    line: int
    entries: tuple[Group, ...]
    blank: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswersCollected:
    """What came of files of answers: records written, answers new, the same as before, and left blank."""

    written: tuple[Path, ...] = ()
    new: int = 0
    same: int = 0
    blank: int = 0


def with_answer(text: str, answer: Mapping[str, str], form: Form) -> str:
    """Return the text of a record with an answer beside its other answers.

    Parameters
    ----------
    text : str
        The record as it stands in its file.
    answer : mapping of str to str
        `rule`, `field`, `values` (where there are any), `answer`, `answered_by` and `answered_on`.
    form : Form
        The record's form.
    """
    names = ("form", "form_version", *(section.name for section in form.sections))

    def order(steps: Sequence[Step]) -> Sequence[str]:
        return () if steps else names

    kept = {name: answer[name].strip() for name in _FIELDS if answer.get(name, "").strip()}
    return add_entry(text, (SECTION,), kept, order=order, spread=True)


def holds_answers(path: Path) -> bool:
    """Say whether a file holds nothing but entries that `check --to-answer` gave out."""
    if path.suffix.lower() not in ENDINGS or not path.is_file():
        return False
    with path.open("rb") as stream:
        text = stream.read(LARGEST_FILE).decode("utf-8-sig", "replace").replace("\r\n", "\n")
    keys = {line.partition(":")[0] for line in text.split("\n") if line[:1] not in ("", " ", "#")}
    return keys == {SECTION} and _BLOCK.search(text) is not None


def collect_answers(paths: Sequence[Path], review: Path, library: Library) -> AnswersCollected:
    """Put completed answers into the records that they are about, all or none.

    An entry without answer, initials and day is left open.

    Raises
    ------
    DataError
        With every faulty entry at once: half completed, about a file that is not of this review or that two
        people agreed, or about a question that is not asked (any more). Nothing is written then.
    """
    with review_lock(review):
        asked = _asked(check_paths([review]).problems)
        agreed = {str(event.get("record")) for event in last_of_each(sound_history(review)).values()}
        texts: dict[Path, str] = {}
        problems: list[Problem] = []
        new = same = blank = 0
        for path in paths:
            given, found = read_answers(path, library)
            problems += found
            for one in given:
                blank += one.blank
                place = Problem(file=str(path), line=one.line, field="file", what="", found=one.file)
                target = _target(review, one.file, agreed, place, problems)
                if target is None:
                    continue
                reading = read_record(target, library)
                asked |= _asked(reading.problems)  # an extractor's own record is not part of the review yet
                form = reading.form
                if form is None or form.find(SECTION) is None:
                    problems.append(
                        replace(place, what="this file keeps no answers: what it says is changed")
                    )
                    continue
                for entry in one.entries:
                    question = asked.get((str(target.resolve()), entry.text("rule"), entry.text("field")))
                    if question is None or " ".join(entry.text("values").split()) != values_of(question):
                        problems.append(_not_asked(entry, question))
                    elif question.severity == "answered":
                        same += 1
                    else:
                        new += 1
                        text = texts.get(target) or target.read_bytes().decode("utf-8")
                        said = {field: entry.text(field) for field in _FIELDS}
                        texts[target] = with_answer(text, said, form)
        if problems:
            raise DataError(problems)
        for target, text in texts.items():
            remove_leftovers(target)
            write_atomically(target, text.encode(), within=review.resolve())
    return AnswersCollected(written=tuple(texts), new=new, same=same, blank=blank)


def read_answers(path: Path, library: Library) -> tuple[list[Given], list[Problem]]:
    """Read a file of entries that were given out: what stands under the name of each file, and what is wrong.

    Parameters
    ----------
    path : Path
        The file; never raises for what it holds.
    library : Library
        Whose form of a study says what an entry holds.
    """
    text = decoded(path.read_bytes(), str(path), largest=LARGEST_FILE, empty_hint="")
    if isinstance(text, Problem):
        return [], [text]
    text = text.replace("\r\n", "\n")
    form = library.form("study")
    alone = replace(form, sections=tuple(one for one in form.sections if one.name == SECTION), rules=())
    given: list[Given] = []
    problems: list[Problem] = []
    found = list(_BLOCK.finditer(text))
    ends = [one.start() for one in found[1:]] + [len(text)]
    before = text[: found[0].start() if found else len(text)].split("\n")
    if alone_at := [
        number for number, line in enumerate(before, start=1) if line.strip() and line[:1] != "#"
    ]:
        what = "entries without the line that names their file"
        hint = "leave the lines as 'metakit check --to-answer' wrote them"
        problems.append(Problem(file=str(path), line=alone_at[0], what=what, allowed="# FILE", hint=hint))
    for one, end in zip(found, ends[: len(found)], strict=True):
        line = text.count("\n", 0, one.start()) + 1
        block = "\n" * line + text[one.start() : end].partition("\n")[2]  # its lines keep their numbers
        document = read_bytes(block.encode(), str(path))
        problems += document.problems
        if document.root is None:
            continue
        items, done = _listed(document.root)
        kept = tuple(
            (key, replace(value, items=done) if isinstance(value, ListNode) else value)
            for key, value in document.root.entries
        )
        group, wrong = read_fields(MapNode(kept, document.root.place), alone)
        problems += wrong
        blank = len(items) - len(done)
        given.append(Given(file=one["file"].strip(), line=line, entries=group.groups(SECTION), blank=blank))
    return given, problems


def _asked(problems: Sequence[Problem]) -> dict[tuple[str, str, str], Problem]:
    return {
        (str(Path(one.file).resolve()), one.rule, one.address): one
        for one in problems
        if one.severity in ("question", "answered") and one.rule and one.address
    }


def _target(
    review: Path, name: str, agreed: set[str], place: Problem, problems: list[Problem]
) -> Path | None:
    home, target = review.resolve(), Path(name).parent.resolve() / Path(name).name
    inside = target.is_relative_to(home) and target.is_file() and target.suffix.lower() in ENDINGS
    if not inside or first_link(home, target):
        hint = "collect from the folder in which 'metakit check' named it"
        problems.append(replace(place, what=f"this is no file of {review}", hint=hint))
        return None
    if target.relative_to(home).as_posix() in agreed:
        what = "two people agreed this record; their own records hold the answers"
        hint = "check --to-answer an extractor's record, complete that, and reconcile again"
        problems.append(replace(place, what=what, hint=hint))
        return None
    return target


def _listed(root: MapNode) -> tuple[tuple[Node, ...], tuple[Node, ...]]:
    """Return the entries that stand there, and those that somebody completed."""
    listed = root.get(SECTION)
    items = listed.items if isinstance(listed, ListNode) else ()
    return items, tuple(item for item in items if not _is_blank(item))


def _is_blank(item: Node) -> bool:
    given = [item.get(name) for name in GIVEN] if isinstance(item, MapNode) else [item]
    return all(one is None or (isinstance(one, ScalarNode) and not one.text.strip()) for one in given)


def _not_asked(entry: Group, question: Problem | None) -> Problem:
    what = "this question is not asked (any more)"
    if question is not None:
        what = "this question is asked about other values by now"
    return entry.problem(
        "values" if question is not None else "rule", what, severity="error",
        found=entry.text("values") if question is not None else f"{entry.text('rule')} {entry.text('field')}",
        allowed=values_of(question) if question is not None else "",
        hint="look again at what 'metakit check --to-answer' writes",
    )  # fmt: skip
