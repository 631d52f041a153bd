"""The page: its sections rendered through templates, everything typed by people escaped."""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass, field

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from metakit.decision.certainty import Certainty, all_certainties
from metakit.plots.svg_page import page_font_rules
from metakit.report.changes import Changes
from metakit.report.citations import Citations
from metakit.report.figures import ReportFigures, ResultPart
from metakit.report.registry import sections_in_order
from metakit.report.shown import shown_text
from metakit.synthesis.findings import Findings


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

    `certainties` follows from the findings: the certainty of every answered comparison. `changes` is what
    changed since an earlier report, None where it was not asked for.
    """

    findings: Findings
    figures: ReportFigures
    changes: Changes | None = None
    citations: Citations = field(default_factory=Citations)
    certainties: tuple[Certainty, ...] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "certainties", all_certainties(self.findings))

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
        content = section.build(page)
        if content is None:
            continue
        html = environment.get_template(section.template).render(**content, page=page, section=section)
        rendered.append(RenderedSection(name=section.name, title=section.title, html=Markup(html)))  # noqa: S704 - from our own templates
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
