"""The pages of the desk in the order of the navigation, one line each."""

from __future__ import annotations

from metakit.desk.page import Page
from metakit.desk.pages import answers, paper, person, todo

PAGES: tuple[Page, ...] = (
    todo.PAGE,
    person.PAGE,
    paper.PAGE,
    answers.PAGE,
)
