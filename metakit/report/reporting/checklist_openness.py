"""How items on registration, support, interests and openness of a reporting checklist are answered."""

from __future__ import annotations

from metakit.core.written import listed
from metakit.report.about_text import ABOUT
from metakit.report.page import Page
from metakit.report.reporting.checklist import Found
from metakit.report.reporting.checklist_checks import check, given, section, typed


def _stated(page: Page, *names: str) -> Found:
    """Return whether the protocol states these fields of `review`, which the methods then show."""
    lacking = [f"review.{name}" for name in names if not typed(page, "review", name)]
    remark = f"type it under {listed(lacking)}, or say that there is none" if lacking else ""
    if len(lacking) == len(names):
        return Found(state="blank", remark=remark)
    there = ", ".join(f"review.{name}" for name in names if typed(page, "review", name))
    return given(
        "in_part" if lacking else "typed", (section("methods", ABOUT), f"protocol.yaml: {there}"), remark
    )


@check
def registration(page: Page) -> Found:
    """Look for: where the review was registered."""
    return _stated(page, "registration")


@check
def support(page: Page) -> Found:
    """Look for: money and other help."""
    return _stated(page, "funding")


@check
def competing_interests(page: Page) -> Found:
    """Look for: interests of the authors."""
    return _stated(page, "competing_interests")


@check
def support_and_interests(page: Page) -> Found:
    """Look for: money and other help, and interests of the authors."""
    return _stated(page, "funding", "competing_interests")


@check
def protocol(page: Page) -> Found:
    """Look for: where the protocol is."""
    plan = page.findings.plan
    unregistered = plan is not None and plan.status == "not_registered"
    remark = "no hash of the plan was registered" if unregistered else ""
    if typed(page, "review", "protocol_available"):
        where = (section("methods", ABOUT), "protocol.yaml: review.protocol_available")
        return given("typed", where, remark)
    lacking = "type where a reader finds the protocol under review.protocol_available"
    where = ("protocol.yaml", section("methods"))
    return given("in_part", where, f"{lacking}; {remark}" if remark else lacking)


@check
def amendments(page: Page) -> Found:
    """Look for: changes to the plan."""
    plan = page.findings.plan
    if typed(page, "amendments"):
        return given(
            "answered",
            (section("question", "Changes after the date of the plan"), "protocol.yaml: amendments"),
        )
    if plan is not None and plan.status == "as_registered":
        return given("answered", section("methods"), "the plan is the one that was registered")
    return Found(state="in_part", remark="no change is typed, and nothing shows that there was none")


@check
def availability(page: Page) -> Found:
    """Look for: records, results and versions, and where a reader can have them."""
    places = (section("reproduce"), "findings.json")
    stated = _stated(page, "data_available", "code_available")
    return given("typed" if stated.state == "typed" else "in_part", (*stated.where, *places), stated.remark)
