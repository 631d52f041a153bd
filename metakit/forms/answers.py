"""Questions that a person has answered in the record: found again by rule, field and values.

A record's `answered_questions` hold who answered which question, when and how. An answer holds for the values
that it was about: when one of them changes, the question is open again.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from metakit.errors import Problem
from metakit.forms.addresses import Addresses
from metakit.forms.tree import Group

SECTION = "answered_questions"
# Where other entries stand in their files: no value, and another one after every edit.
_PLACES = re.compile(r"\([^()]*:\d+\)|\blines? \d+")
_NUMBER = re.compile(r"(?<![\w.-])-?\d+(?:\.\d+)?(?:e[+-]?\d+)?")


def values_of(question: Problem) -> str:
    """Return the values that a question is about: what was typed, then the numbers of its arithmetic."""
    numbers = _NUMBER.findall(_PLACES.sub("", question.what))
    return "; ".join(dict.fromkeys([*([question.found] if question.found else []), *numbers]))


def settle(problems: Iterable[Problem], addresses: Addresses, asked_here: Iterable[str]) -> list[Problem]:
    """Mark the questions that the record answers, and ask about answers that no longer hold.

    Parameters
    ----------
    problems : iterable of Problem
        Everything found; errors pass through, since no answer makes them right.
    addresses : Addresses
        The addresses of the record, whose `answered_questions` are read.
    asked_here : iterable of str
        Names of the rules that were run: an answer to another rule is not judged here.
    """
    answers = addresses.record.groups(SECTION)
    settled: list[Problem] = []
    used: set[int] = set()
    for problem in problems:
        if problem.severity != "question" or not problem.rule:
            settled.append(problem)
            continue
        addressed = replace(problem, address=addresses.of(problem.field))
        mine = [
            answer
            for answer in answers
            if answer.text("rule") == problem.rule
            and answer.text("field") in (addressed.address, problem.field)
        ]
        used |= {id(answer) for answer in mine}
        settled.append(_answered(addressed, mine))
    known = set(asked_here)
    for answer in answers:
        if answer.text("rule") in known and id(answer) not in used and answer.text("field"):
            settled.append(
                answer.problem(
                    "field",
                    f"an answer to {answer.text('rule')}, which asks nothing about this field any more",
                    found=answer.text("field"),
                    hint="delete the entry, or mend the name of the field",
                    severity="question",
                )
            )
    return settled


def _answered(question: Problem, answers: Sequence[Group]) -> Problem:
    values = values_of(question)
    for answer in answers:
        if _same(answer.text("values"), values) and answer.text("answer") and answer.text("answered_by"):
            said = f"{answer.text('answer')} ({signature(answer)})"
            return replace(question, severity="answered", answer=said)
    if not answers:
        return question
    last = answers[-1]
    about = last.text("values") or "no value"
    hint = f"answered by {signature(last)} when it was about {about}; now it is about {values or 'no value'}"
    return replace(question, hint="; ".join(part for part in (question.hint, hint) if part))


def signature(answer: Group) -> str:
    """Write who answered, and when."""
    return ", ".join(part for part in (answer.text("answered_by"), answer.text("answered_on")) if part)


def _same(one: str, other: str) -> bool:
    return " ".join(one.split()) == " ".join(other.split())
