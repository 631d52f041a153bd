"""The frame that all pages share: head, navigation, person, and the place for what a page shows."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse

from metakit.core.nouns import nouns
from metakit.forms.field_words import plain_words
from metakit.report.shown import shown_text

SIGNS = {
    "empty": ("○", "nothing typed"),
    "unfinished": ("◐", "unfinished"),
    "wrong": ("✕", "cannot be right"),
    "look": ("?", "please look"),
    "done": ("●", "complete"),
    "handed_in": ("▣", "handed in"),
    "disagreed": ("≠", "disagreed"),
    "agreed": ("=", "agreed"),
    "signed": ("✓", "signed"),
    "changed": ("△", "changed since"),
    "not_saved": ("!", "not saved"),
    "waiting": ("…", "waiting"),
}
"""States of work: each is told by a sign, a word and a colour (the class of the same name)."""


def state_mark(state: str, words: str = "") -> Markup:
    """Return a state of work as sign and words; the colour comes from the style."""
    sign, word = SIGNS[state]
    return Markup('<span class="state {}"><span aria-hidden="true">{}</span> {}</span>').format(
        state, sign, shown_text(words or word)
    )


def whole_page(
    template: str, title: str, frame: Mapping[str, Any], content: Mapping[str, Any], status: int = 200
) -> HTMLResponse:
    """Return a page: its template within the frame, which is told the desk, the url and all pages."""
    pages = frame["pages"]
    made = (
        environment()
        .get_template(template)
        .render(
            title=title,
            desk=frame["desk"],
            url=frame["url"],
            ways=[page for page in pages if page.label],
            scripts=[name for page in pages for name in page.scripts],
            styles=[name for page in pages for name in page.styles],
            **content,
        )
    )
    return HTMLResponse(nouns().said_in_html(made), status_code=status)


def fragment(template: str, **content: Any) -> Markup:
    """Return a template without the frame, to be put into a page."""
    made = environment().get_template(template).render(**content)
    return Markup(nouns().said_in_html(made))  # noqa: S704 - our own templates


@cache
def environment() -> Environment:
    """Return the environment of the desk's templates: everything escaped, an unknown name an error."""
    made = Environment(
        loader=PackageLoader("metakit.desk", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=lambda value: (
            shown_text(value) if isinstance(value, str) and not isinstance(value, Markup) else value
        ),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals["state"] = state_mark
    made.filters["picture"] = Markup  # SVG of our own scenes, every text in it escaped
    made.filters["words"] = plain_words
    return made
