"""Before you read: what the report is for and what it cannot do."""

from __future__ import annotations

from metakit.forms.library import asks, vocabulary
from metakit.models.coverage import situations
from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section

FIRST = (
    "This report supports decisions of licensed clinicians. It replaces neither clinical judgement nor the "
    "talk with the "
    "patient, and it recommends nothing.",
    "Local codes, policies, approvals of devices and rules of consent come first. A device or a "
    "combination named here may be "
    "off-label, withdrawn or not approved where you work: check the notices of your authority.",
    "Have a statistician look at results from rare events, few studies, or models with several terms "
    "before you publish or "
    "change practice.",
)
ALWAYS = (
    "With fewer than five studies or ten events an interval is unreliable, and techniques are not ranked.",
    "Pooled single-arm series cannot show that one technique is better than another.",
    "When a thumb is operated on again depends on the surgeon, the patient and the health system. Few "
    "revisions may mean "
    "good results, or reluctance to revise.",
    "Follow-up under two years says nothing about the wear of an implant. Results of older implants may "
    "not hold for current "
    "designs, nor the other way round.",
    "Smallest important differences describe the change that matters to one patient, not the difference "
    "between the means of "
    "two groups.",
    "Derived values (a count from a percentage, a standard deviation from an interval) are estimates. Each "
    "is marked: open "
    "the page of the source before you rely on it.",
    "Only numbers of whole studies belong in a record. Never enter anything that could identify a patient.",
)


def always() -> tuple[str, ...]:
    """Return what holds of every report: what it cannot do, and where its intervals are too narrow."""
    kinds = [term.facts for term in vocabulary("case_mix_kinds") if term.facts.text("field")]
    own = (facts.text("caution") for facts in kinds if asks(facts.text("field")))
    return (*ALWAYS[:4], *own, *ALWAYS[4:], *(item.sentence() for item in situations()))


def build(page: Page) -> Content:
    """Return the cautions, the banner of invented data first."""
    return {"first": FIRST, "always": always()}


SECTIONS.add(
    Section(name="before-you-read", title="Before you read", template="cautions.html.j2", build=build)
)
