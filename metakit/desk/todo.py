"""What is to be done next: always one step, the first that is open on the way of a review.

Pure: from where things stand to a sentence and the page that it leads to.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from urllib.parse import quote

from metakit.desk.standing import StudyStanding


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to do: what, with how much of it is left, and the page where it is done."""

    what: str
    left: str
    href: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Everything that the next step depends on.

    `plan_open` counts what the plan still lacks; `to_screen` and `to_settle` citations; `to_sign` answers
    without a signature; `signing_known` says whether the answers are known, so that a signature which no
    longer holds is counted, and a question without an answer is not. `report_made` says whether there is a
    report, `report_older` how many of the files that it rests on have changed since. `pages` are the names of
    the pages that the desk has.
    """

    person: str
    studies: Sequence[StudyStanding] = ()
    plan_open: int = 0
    to_screen: int = 0
    to_settle: int = 0
    to_sign: int = 0
    signing_known: bool = False
    report_made: bool = False
    report_older: int = 0
    pages: frozenset[str] = frozenset()


def steps(work: Work) -> Iterator[Step]:
    """Give what is open for the person at the desk, in the order of a review's way."""
    me = work.person
    if work.plan_open and "plan" in work.pages:
        yield Step(what="Write the plan", left=_fields(work.plan_open), href="/plan")
    if work.to_screen and "find" in work.pages:
        yield Step(
            what="Screen citations", left=f"{work.to_screen} without your decision", href="/find/screen"
        )
    if work.to_settle and "find" in work.pages:
        left = f"{work.to_settle} that two people see differently"
        yield Step(what="Settle citations", left=left, href="/find/agree")
    for one in work.studies:
        standing, progress = one.typed.get(me, ("", None))
        if standing == "unfinished" and progress is not None:
            finished = progress.state in ("done", "look")
            if finished and me not in one.trusted and "trust" in work.pages:
                left = "how far it can be trusted is part of the record, to be judged before you hand in"
                yield Step(what=f"Judge {one.label}", left=left, href=f"/trust/{quote(one.name)}")
            where = f"/extract/{quote(me)}/{quote(one.name)}"
            left = "complete: look over and hand in" if finished else f"{progress.words} fields"
            left = progress.words if progress.state == "wrong" else left
            yield Step(what=f"Extract {one.label}", left=left, href=f"{where}/hand-in" if finished else where)
    for one in work.studies:
        others = [person for person in one.typed if person != me]
        if others and me not in one.typed and len(others) < 2 and not one.record:
            left = f"{others[0]} extracts it too"
            yield Step(what=f"Begin {one.label}", left=left, href="/extract")
    if not work.studies and "extract" in work.pages:
        yield Step(what="Extract the first study", left="no record yet", href="/extract")
    for one in work.studies:
        if one.to_agree and me in one.handed_in and "agree" in work.pages:
            left = "a record changed since you agreed" if one.record == "outdated" else "both have handed in"
            yield Step(what=f"Agree on {one.label}", left=left, href=f"/agree/{quote(one.id)}")
    for one in work.studies:
        if one.record and not one.judged and "trust" in work.pages:
            yield Step(what=f"Judge {one.label}", left="no appraisal yet", href="/trust")
    counted = any(one.record for one in work.studies)
    if work.to_sign and counted and "certainty" in work.pages:
        what, left = "Judge how certain the evidence is", f"{work.to_sign} without a signature that holds"
        if not work.signing_known:
            n = work.to_sign
            what = "Work out the answers"
            left = f"{n} planned question{'' if n == 1 else 's'} without a signature; some may have no answer"
        yield Step(what=what, left=left, href="/certainty")
    if counted and "report" in work.pages and not work.report_made:
        yield Step(what="Make the report", left="none was made yet", href="/report")
    elif counted and "report" in work.pages and work.report_older:
        n = work.report_older
        left = f"{n} file{'' if n == 1 else 's'} that it rests on changed since it was made"
        yield Step(what="Make the report again", left=left, href="/report")


def _fields(number: int) -> str:
    return f"{number} field{'' if number == 1 else 's'} still asked for"
