"""How the items on networks are answered, found out from the networks that the review plans."""

from __future__ import annotations

from metakit.core.written import count
from metakit.report.page import Page
from metakit.report.registry import SECTIONS
from metakit.report.reporting.checklist import Found
from metakit.report.reporting.checklist_checks import check, given, section, typed
from metakit.synthesis.networking.network_findings import NetworkFinding

PLAN = "protocol.yaml: networks"
NUMBERS = "findings.json: networks"


def _place(part: str = "") -> str:
    """Return where the report shows its networks."""
    shown = next((item.name for item in SECTIONS if "network" in item.name), "")
    return section(shown, part) if shown else NUMBERS


def _answered(page: Page) -> list[NetworkFinding]:
    return [finding for finding in page.findings.networks if finding.analysis is not None]


def _shown(page: Page, part: str = "") -> Found:
    """Answer an item that every network with an answer answers."""
    every, done = page.findings.networks, _answered(page)
    if not done:
        return Found(state="blank", remark="no planned network has an answer")
    without = len(every) - len(done)
    remark = f"{count(without, 'planned network')} without an answer; each says why" if without else ""
    return given("in_part" if without else "answered", tuple(dict.fromkeys((_place(part), NUMBERS))), remark)


@check
def network_title(page: Page) -> Found:
    """Look for: the title names the network."""
    words = page.findings.protocol.title.lower()
    named = "network" in words
    remark = "" if named else "the title does not name a network meta-analysis"
    return given("typed" if named else "in_part", "protocol.yaml: review.title", remark)


@check
def network_eligibility(page: Page) -> Found:
    """Look for: designs, and the techniques of the network."""
    if not typed(page, "eligibility", "designs"):
        return given("in_part", PLAN, "designs of studies are not typed")
    return given("typed", ("protocol.yaml: population, eligibility", PLAN))


@check
def geometry_methods(page: Page) -> Found:
    """Look for: how the shape is explored."""
    return given("typed", PLAN, "say how you looked at the shape of the network and at what could bias it")


@check
def network_measures(page: Page) -> Found:
    """Look for: measures and rankings."""
    return given("answered", (PLAN, section("methods")))


@check
def network_model(page: Page) -> Found:
    """Look for: models of the networks."""
    return given("answered", (PLAN, section("methods")))


@check
def inconsistency(page: Page) -> Found:
    """Look for: direct against indirect evidence."""
    done = _answered(page)
    looked = [item for item in done if item.analysis and item.analysis.parts[0].inconsistency is not None]
    if not looked:
        return Found(state="blank", remark="no network has both direct and indirect evidence to compare")
    return _shown(page)


@check
def network_picture(page: Page) -> Found:
    """Look for: the drawing of the network."""
    drawn = [part for part in page.figures.all if "network" in part.name]
    if drawn:
        return given("answered", _place())
    return Found(state="blank", remark="no picture of the network was drawn")


@check
def geometry_results(page: Page) -> Found:
    """Look for: techniques, studies and thumbs of the network."""
    return _shown(page)


@check
def network_results(page: Page) -> Found:
    """Look for: all comparisons."""
    return _shown(page)
