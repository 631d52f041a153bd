"""The pages of the desk in the order of the navigation, one line each."""

from __future__ import annotations

from metakit.desk.page import Page
from metakit.desk.pages import (
    agree,
    answers,
    certainty,
    department,
    department_numbers,
    extract,
    find,
    paper,
    person,
    plan,
    report,
    terms,
    todo,
    trust,
    working,
)

PAGES: tuple[Page, ...] = (
    todo.PAGE,
    plan.PAGE,
    find.PAGE,
    extract.PAGE,
    paper.PAGE,
    agree.PAGE,
    trust.PAGE,
    answers.PAGE,
    certainty.PAGE,
    department.PAGE,
    department_numbers.PAGE,
    report.PAGE,
    person.PAGE,
    terms.PAGE,
    working.PAGE,
)
