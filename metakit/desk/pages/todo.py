"""To do: the one next step, then where each study stands."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from metakit.desk.closing import report_age, to_sign
from metakit.desk.page import Asked, Page, elsewhere, shown
from metakit.desk.selecting import due_now, selection_of
from metakit.desk.standing import StudyStanding, standings
from metakit.desk.todo import Work, steps
from metakit.review.files import PROTOCOL
from metakit.review.selection.reading import MOST_SCREENERS, Selection
from metakit.review.selection.reconciling import open_conflicts

MOST_STEPS = 6


def _show(asked: Asked) -> Response:
    desk = asked.desk
    if not desk.person:
        return elsewhere("/person")
    studies = standings(desk)
    reading = selection_of(asked, at_once=True)
    selection = reading.selection if reading is not None else None
    unsigned, known = to_sign(desk)
    made, older = report_age(desk)
    work = Work(
        person=desk.person,
        studies=studies,
        plan_open=plan_open(asked),
        to_screen=_to_screen(selection, desk.person),
        to_settle=len(open_conflicts(selection)) if selection is not None else 0,
        to_sign=unsigned,
        signing_known=known,
        report_made=made,
        report_older=older,
        pages=frozenset(page.name for page in asked.pages),
    )
    found = list(steps(work))
    return asked.page(
        "todo.html.j2", "To do", next=found[0] if found else None, later=found[1 : MOST_STEPS + 1],
        left_out=max(0, len(found) - MOST_STEPS - 1), rows=[_row(one, desk.person) for one in studies],
    )  # fmt: skip


def _to_screen(selection: Selection | None, person: str) -> int:
    """Return how much is left for who screens: one of the two, or one of those who may still begin."""
    if selection is None or (person not in selection.people and len(selection.people) >= MOST_SCREENERS):
        return 0
    return len(due_now(selection, person))


def plan_open(asked: Asked) -> int:
    """Return how many errors the plan has, gaps included."""
    path = asked.desk.folder / PROTOCOL
    problems = asked.desk.protocol().problems if path.is_file() else ()
    return sum(problem.severity == "error" for problem in problems)


def _row(one: StudyStanding, me: str) -> tuple[Any, ...]:
    typed = []
    for person, (standing, progress) in sorted(one.typed.items()):
        if standing == "handed_in":
            typed.append((person, "handed_in", "handed in"))
        elif progress is not None and person == me:
            typed.append((person, progress.state, progress.words))
        else:
            typed.append((person, "unfinished", "unfinished"))
    record = {
        "agreed": ("agreed", "agreed by two people"),
        "outdated": ("changed", "changed since it was agreed"),
        "single": ("done", "one person’s"),
    }.get(one.record, ("waiting", "to be agreed") if one.to_agree else ("waiting", "not yet"))
    judged = ("done", "judged") if one.judged else ("empty", "not judged")
    return one.label, one.id, typed, record, judged


PAGE = Page(name="todo", routes=(shown("/", _show),), label="To do", href="/")
