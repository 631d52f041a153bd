"""The pages of the desk in the order of the navigation, one line each."""

from __future__ import annotations

from metakit.desk.page import Page
from metakit.desk.pages import agree, answers, department, extract, paper, person, terms, todo

PAGES: tuple[Page, ...] = (
    todo.PAGE,
    extract.PAGE,
    paper.PAGE,
    agree.PAGE,
    answers.PAGE,
    department.PAGE,
    person.PAGE,
    terms.PAGE,
)
