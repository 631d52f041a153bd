"""A unit's page: one self-contained HTML file with its figures, and all its numbers as JSON beside it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from metakit.core.bibliography import reference
from metakit.core.written import per_100
from metakit.decision.one_unit.unit_decision import UnitDecision
from metakit.decision.one_unit.unit_first import QUESTION, noun
from metakit.decision.one_unit.unit_json import decision_json
from metakit.decision.one_unit.unit_scenarios import STATED
from metakit.decision.one_unit.unit_words import cautions, tell_words
from metakit.decision.unit_returns import NOT_REVISIONS, basis_words
from metakit.plots.svg_page import page_font_rules
from metakit.plots.units.audit import audit_content, audit_figure, audit_text
from metakit.plots.units.decision import (
    driver_content,
    driver_figure,
    driver_text,
    expected_content,
    expected_figure,
    expected_text,
    trade_contents,
    trade_figure,
    trade_text,
)
from metakit.report.drawing.figure_parts import FigurePart, figure_part
from metakit.report.folders.output_folder import write_folder
from metakit.report.render import page_environment, security_policy, template_source
from metakit.report.sections.reproduce import report_date
from metakit.report.unit_plan_tables import (
    audit_tables,
    first_year_lines,
    has_money,
    own_years,
    work_lines,
    work_title,
)
from metakit.report.unit_tables import (
    burden_lines,
    expected_groups,
    missing_words,
    scenario_lines,
    tie_basis,
    tie_lines,
    weights_words,
)
from metakit.report.unit_year_tables import year_tables
from metakit.synthesis.returning.causes_words import CAUTION, rate_limits_words
from metakit.synthesis.words import lower_first

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PAGE = "unit.html"
NUMBERS = "unit.json"
FILES = "unit_files.json"
FIGURES = "figures"
WIDE_MM, NARROW_MM = 180.0, 85.0
REFERENCES = (
    "higgins_thompson_spiegelhalter_2009", "rover_2021", "kulldorff_2011", "fleiss_2003", "brown_2001",
    "clopper_pearson_1934", "garwood_1936",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoSizes:
    """One figure at the width of a page and of a column or a telephone."""

    wide: FigurePart
    narrow: FigurePart


def write_unit_page(
    found: UnitDecision, out_dir: Path, *, progress: Callable[[str], None] | None = None
) -> Path:
    """Write `unit.html` with `figures/` and `unit.json` beside it.

    The same review, unit file and versions give the same bytes; a date appears only when SOURCE_DATE_EPOCH
    is set.

    Parameters
    ----------
    found : UnitDecision
    out_dir : Path
        Made when missing; what somebody edited there stays, and ours is written beside it.
    progress : callable, optional
        Gets a line of text before each step.

    Returns
    -------
    Path
        The page.
    """
    say = progress or (lambda text: None)
    say("drawing the figures")
    figures = draw_unit(found)
    say("writing the page")
    html = render_unit(found, figures)
    numbers = json.dumps(decision_json(found), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    files = {
        f"{FIGURES}/{part.name}{kind}": content
        for both in figures.values()
        for part in (both.wide, both.narrow)
        for kind, content in part.files.items()
    }
    # The page last: whoever sees it finds everything beside it.
    written = write_folder(
        out_dir, {**files, NUMBERS: numbers.encode(), PAGE: html.encode()}, list_name=FILES
    )
    return out_dir / written.beside.get(PAGE, PAGE)


def draw_unit(found: UnitDecision) -> dict[str, TwoSizes]:
    """Draw all figures of a unit's page, by name, in the order of the page."""
    invented = " All data are invented." if found.invented else ""
    figures: dict[str, TwoSizes] = {}

    def add(name: str, draw: Callable[[float], Figure], caption: str, text: str) -> None:
        made = [
            figure_part(
                f"{name}{ending}", draw(width), caption=f"{caption}{invented}", more=text, kinds=(".svg",)
            )
            for ending, width in (("", WIDE_MM), ("_narrow", NARROW_MM))
        ]
        figures[name] = TwoSizes(wide=made[0], narrow=made[1])

    expected = expected_content(found, title="Expected events of one year’s thumbs")
    if expected is not None:
        add(
            "expected_events",
            lambda width: expected_figure(expected, width_mm=width),
            "Expected events of the thumbs of one year, with the range for a unit like this one.",
            expected_text(expected),
        )
    for plan in found.audits[:1]:
        audit = audit_content(found, plan, title=f"Audit: {plan.outcome.term.label}")
        if audit is not None:
            add(
                "audit",
                lambda width, content=audit: audit_figure(content, width_mm=width),  # type: ignore[misc]
                f"Running total of {lower_first(plan.outcome.term.label)}, counted less expected.",
                audit_text(audit),
            )
    for item in found.drivers:
        label = item.technique.label
        drivers = driver_content(found, item, title=f"What drives the answer: {label}")
        if drivers is not None:
            draw = partial(driver_figure, drivers)
            add(
                f"drivers_{item.technique.id}",
                lambda width, draw=draw: draw(width_mm=width),  # type: ignore[misc]
                f"One input at a time, between its limits: {label} against the current technique.",
                driver_text(drivers),
            )
    for number, trade in enumerate(trade_contents(found, title="Two outcomes at once"), start=1):
        paint = partial(trade_figure, trade)
        add(
            f"two_outcomes_{number}",
            lambda width, draw=paint: draw(width_mm=width),  # type: ignore[misc]
            f"{trade.across_name}, against {trade.up_name}.",
            trade_text(trade),
        )
    return figures


def render_unit(found: UnitDecision, figures: dict[str, TwoSizes]) -> str:
    """Return the whole page as HTML."""
    environment = page_environment()
    view = unit_view(found, figures)
    environment.filters["per_100"] = per_100
    environment.filters["rate_limits"] = rate_limits_words
    main = Markup(environment.get_template("unit_main.html.j2").render(**view))  # noqa: S704 - our own template
    style = template_source(environment, "style.css")
    return environment.get_template("unit.html.j2").render(
        found=found,
        main=main,
        sections=view["sections"],
        policy=security_policy(""),
        style=Markup(f"{style}\n{page_font_rules(main)}"),  # noqa: S704 - our own style sheet
        question=QUESTION,
    )


def unit_view(found: UnitDecision, figures: dict[str, TwoSizes]) -> dict[str, Any]:
    """Return everything that the page's template shows, as texts and figures."""
    unit = found.unit
    drivers = [
        (item, figures.get(f"drivers_{item.technique.id}"), tie_lines(item), tie_basis(found, item))
        for item in found.drivers
    ]
    evidence = [(item, missing_words(item)) for item in found.evidence]
    trades = [both for name, both in figures.items() if name.startswith("two_outcomes_")]
    scenarios, years, work, burdens = (
        scenario_lines(found), year_tables(found), work_lines(found), burden_lines(found),
    )  # fmt: skip
    to_tell = [tell_words(item, unit) for item in found.to_tell] if unit.others else []
    sections = [
        ("answer", "Each technique in short", True),
        ("plan", "What to plan for", True),
        ("work", work_title(work), bool(work)),
        ("returns", "Why your thumbs may come back", bool(found.by_source)),
        ("audit", "Your own audit", bool(to_tell)),
        ("before-you-read", "Cautions", True),
        ("expected", "Every expected number", True),
        ("years", "Over the years", bool(years)),
        ("weighed", "Outcomes weighed by you", bool(burdens)),
        ("two-outcomes", "Two outcomes at once", bool(trades)),
        ("causes", "Returns, cause by cause", found.returns is not None),
        ("drivers", "What drives the answer", bool(drivers)),
        ("case-mix", "Stated scenarios of your case mix", bool(scenarios)),
        ("evidence", "What this rests on", bool(evidence)),
        ("how", "How it was computed", True),
    ]
    return {
        "found": found,
        "unit": unit,
        "current": unit.technique(unit.current).label,
        "sections": [(name, title) for name, title, shown in sections if shown],
        "cautions": cautions(found),
        "first": found.first,
        "names": [
            item.term.label if item.scored else noun(unit, item)[:1].upper() + noun(unit, item)[1:]
            for item in unit.outcomes
        ],
        "own_years": own_years(found),
        "first_years": first_year_lines(found),
        "by_source": found.by_source,
        "sources": next(([row.label for row in item.rows] for item in found.by_source if item.rows), []),
        "by_band": found.by_band,
        "to_tell": to_tell,
        "audits": audit_tables(found),
        "audit_figure": figures.get("audit"),
        "groups": expected_groups(found),
        "expected_figure": figures.get("expected_events"),
        "years": years,
        "work": work,
        "work_title": work_title(work),
        "has_money": has_money(work),
        "burdens": burdens,
        "weights": weights_words(found),
        "trades": trades,
        "returns": found.returns,
        "returns_basis": basis_words(found.returns, unit) if found.returns else "",
        "returns_caution": CAUTION,
        "not_revisions": NOT_REVISIONS,
        "drivers": drivers,
        "scenarios": scenarios,
        "stated": STATED,
        "evidence": evidence,
        "references": [str(reference(key)) for key in REFERENCES],
        "versions": list(found.findings.versions.items()),
        "inputs": [*found.findings.inputs.items(), ("the unit’s file", unit.sha256)],
        "date": report_date(),
        "numbers": NUMBERS,
    }
