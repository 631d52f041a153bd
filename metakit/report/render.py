"""The page rendered: sections in their order, through blocks or templates, all typed texts escaped."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from metakit.plots.svg_page import looks_once, page_font_rules
from metakit.report.appendix import Fold, apart
from metakit.report.citations import Citations
from metakit.report.page import Page
from metakit.report.registry import OPEN, Section, sections_in_order
from metakit.report.shown import shown_text


def security_policy(script: str, *, beside: bool = False) -> str:
    """Return a page's policy: no form, no script but this text, and no request.

    Where figures stand `beside` the page, it may ask for those. Figures carry styles and a font of their own.
    """
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src 'sha256-{digest}'",
            "style-src 'unsafe-inline'",
            "font-src data:",
            "img-src 'self' data:" if beside else "img-src data:",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )


SCRIPTS = ("sorting.js", "finding.js")
PLACE = '<img src="places/'
IMAGES = ('<img src="figures/', PLACE)
"""How a picture that stands beside the page begins; in texts of people the quote is written otherwise."""
IN_BRIEF = ("brief", "before-you-read")
"""Sections of the brief when it is a page of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderedSection:
    """A section ready for the page."""

    name: str
    title: str
    html: Markup
    opened: bool


def render_page(page: Page) -> str:
    """Return the whole page as HTML, everything on it."""
    return _page(page, sections_in_order())[0]


def render_page_with_appendix(page: Page, home: str) -> tuple[str, str]:
    """Return the page `home` and its appendix, "" where the page holds everything itself.

    A page of more figures than it shows keeps its long folds in the appendix.
    """
    large = any(part.beside for part in page.figures.all)
    return _page(page, sections_in_order(), appendix_of=home if large else "")


def render_brief(page: Page, home: str) -> str:
    """Return the brief with its cautions as a page of its own, whose links lead to the report `home`."""
    own = replace(page, citations=Citations(), home=home)
    return _page(own, [section for section in sections_in_order() if section.name in IN_BRIEF])[0]


def _page(page: Page, sections: Sequence[Section], *, appendix_of: str = "") -> tuple[str, str]:
    environment = page_environment()
    rendered = []
    for section in sections:
        if html := _section(section, page, environment):
            opened = section.name in OPEN
            rendered.append(RenderedSection(name=section.name, title=section.title, html=html, opened=opened))
    folds: list[Fold] = []
    if appendix_of:
        told = [(section.title, str(section.html), section.name in IN_BRIEF) for section in rendered]
        kept, folds = apart(told, appendix_of)
        rendered = [
            replace(section, html=Markup(part))  # noqa: S704 - the section as it was, without its long folds
            for section, part in zip(rendered, kept, strict=True)
        ]
    parts, looks = looks_once([section.html for section in rendered])
    rendered = [
        replace(section, html=Markup(part))  # noqa: S704 - the section as it was, its drawings leaner
        for section, part in zip(rendered, parts, strict=True)
    ]
    whole = "".join((*(section.html for section in rendered), *(fold.html for fold in folds)))
    style = template_source(environment, "style.css")
    if PLACE in whole:
        style += template_source(environment, "places.css")
    script = page_script(environment)
    fonts = page_font_rules(whole)
    shared = {
        "protocol": page.findings.protocol,
        "style": Markup(f"{style}\n{looks}\n{fonts}"),  # noqa: S704 - our own style sheet
        "script": Markup(script),  # noqa: S704 - our own script
    }

    def policy(parts: Iterable[str]) -> str:
        return security_policy(script, beside=any(image in part for part in parts for image in IMAGES))

    text = environment.get_template("page.html.j2").render(
        page=page,
        sections=rendered,
        whole=len(rendered) > len(IN_BRIEF),
        policy=policy(section.html for section in rendered),
        **shared,
    )
    groups = [(title, list(some)) for title, some in groupby(folds, key=lambda fold: fold.section)]
    appendix = environment.get_template("appendix.html.j2")
    if not folds:
        return text, ""
    own = policy(fold.html for fold in folds)
    return text, appendix.render(groups=groups, home=appendix_of, policy=own, **shared)


def _section(section: Section, page: Page, environment: Environment) -> Markup:
    """Return a section as HTML, nothing where it has nothing to say."""
    if section.tell is not None:
        return page.html.blocks(section.tell(page.facts))
    content = section.build(page) if section.build is not None else None
    if content is None:
        return Markup()
    made = environment.get_template(section.template).render(**content, page=page, section=section)
    return Markup(made)  # noqa: S704 - from our own templates


def page_script(environment: Environment) -> str:
    """Return the script of the report's page, one text."""
    return "\n".join(template_source(environment, name) for name in SCRIPTS)


def template_source(environment: Environment, name: str) -> str:
    """Return the text of a template or of a file beside them, as it stands."""
    return environment.loader.get_source(environment, name)[0] if environment.loader else ""


def _shown(value: object) -> object:
    """Clean a typed text before it is escaped; our own markup passes as it is."""
    return shown_text(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def page_environment() -> Environment:
    """Return the environment of all pages: everything escaped, an unknown name an error."""
    environment = Environment(
        loader=PackageLoader("metakit.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=False,
    )
    environment.filters["words"] = lambda name: str(name).replace("_", " ")
    return environment
