"""The page: its sections rendered through templates, everything typed by people escaped."""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass, field

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from metakit.decision.certainty import Certainty
from metakit.plots.svg_page import page_font_rules
from metakit.report.changes import Changes
from metakit.report.citations import Citations
from metakit.report.figures import ReportFigures, ResultPart
from metakit.report.html import Html
from metakit.report.registry import Section, sections_in_order
from metakit.report.shown import shown_text
from metakit.synthesis.findings import Findings
from metakit.telling.facts import Facts


def security_policy(script: str) -> str:
    """Return the page's policy: no request, no form, and no script but the one of this text.

    Figures carry styles and a font of their own.
    """
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src 'sha256-{digest}'",
            "style-src 'unsafe-inline'",
            "font-src data:",
            "img-src data:",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """What the sections build from: the findings, their figures, and the citations made so far.

    `facts` are the findings ready to be told. `changes` is what changed since an earlier report, None where
    it was not asked for.
    """

    findings: Findings
    figures: ReportFigures
    changes: Changes | None = None
    citations: Citations = field(default_factory=Citations)
    facts: Facts = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "facts", Facts.of(self.findings))

    @property
    def certainties(self) -> tuple[Certainty, ...]:
        """The certainty of every answered comparison."""
        return self.facts.certainties

    @property
    def html(self) -> Html:
        """Write blocks with the figures and citations of this page."""
        return Html(figures={part.name: part for part in self.figures.all}, citations=self.citations)

    def by_question(self) -> list[tuple[str, list[ResultPart]]]:
        """Group analyses by the comparison, or the series, that they are about, in the order of the plan."""
        groups: dict[str, list[ResultPart]] = {}
        for part in self.figures.results:
            comparison = part.finding.comparison
            label = (
                comparison.label if comparison else f"Single-arm series: {part.finding.plan.techniques_label}"
            )
            groups.setdefault(label, []).append(part)
        return list(groups.items())


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderedSection:
    """A section ready for the page."""

    name: str
    title: str
    html: Markup


def render_page(page: Page) -> str:
    """Return the whole page as HTML."""
    environment = page_environment()
    rendered = []
    for section in sections_in_order():
        if html := _section(section, page, environment):
            rendered.append(RenderedSection(name=section.name, title=section.title, html=html))
    style, script = (template_source(environment, name) for name in ("style.css", "sorting.js"))
    fonts = page_font_rules("".join(section.html for section in rendered))
    return environment.get_template("page.html.j2").render(
        page=page,
        protocol=page.findings.protocol,
        sections=rendered,
        policy=security_policy(script),
        style=Markup(f"{style}\n{fonts}"),  # noqa: S704 - our own style sheet
        script=Markup(script),  # noqa: S704 - our own script
    )


def _section(section: Section, page: Page, environment: Environment) -> Markup:
    """Return a section as HTML, nothing where it has nothing to say."""
    if section.tell is not None:
        return page.html.blocks(section.tell(page.facts))
    content = section.build(page) if section.build is not None else None
    if content is None:
        return Markup()
    made = environment.get_template(section.template).render(**content, page=page, section=section)
    return Markup(made)  # noqa: S704 - from our own templates


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
