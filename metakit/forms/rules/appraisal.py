"""Rules on the appraisal: the right instrument, all of its domains, and an explained overall judgement.

What a rule of the instrument proposes is computed, never typed; a person confirms it or gives another level
and says why under `changed_because`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from metakit.errors import Problem
from metakit.forms.library import vocabulary
from metakit.forms.overall_judgement import OVERALL, domains_asked, has_overall, propose
from metakit.forms.rules.registry import Context, rule
from metakit.forms.specs import Term
from metakit.forms.tree import Group

NEEDS = ("appraisal.instrument", "appraisal.judgements", "design.type")
BASIS = "definition of the instruments"
ALL = "all"


@rule("appraisal_fits", "appraisal fits instrument and design", needs=NEEDS, basis=BASIS)
def appraisal_fits(context: Context) -> Iterator[Problem]:
    """Find instruments for another design, foreign domains and levels, and double judgements."""
    instrument, group = _instrument(context)
    if instrument is None:
        return
    appraisal = context.record.group("appraisal")
    if group and group not in instrument.facts.words("design_groups"):
        suitable = [
            term.id
            for term in vocabulary("appraisal_instruments")
            if group in term.facts.words("design_groups")
        ]
        yield appraisal.problem(
            "instrument",
            f"made for {' and '.join(instrument.facts.words('design_groups'))} studies, this one is {group}",
            found=instrument.id,
            allowed=f"for this design: {', '.join(suitable)}",
            severity="question",
        )
    levels = instrument.facts.words("judgements")
    domains = (*domains_asked(instrument, group), *((OVERALL,) if has_overall(instrument) else ()))
    seen: set[tuple[str, str]] = set()
    for item in appraisal.groups("judgements"):
        domain, level, outcome = item.text("domain"), item.text("judgement"), item.text("outcome")
        if domain and domain not in domains:
            for_others = domain in instrument.facts.words("domains")
            yield item.problem(
                "domain",
                f"{instrument.id} asks it of comparative studies only"
                if for_others
                else f"not in {instrument.id}",
                found=domain,
                allowed=", ".join(domains),
                severity="error",
            )
        if level and level not in levels:
            yield item.problem(
                "judgement",
                f"not a level of {instrument.id}",
                found=level,
                allowed=", ".join(levels),
                severity="error",
            )
        if (domain, outcome) in seen and domain:
            yield item.problem(
                "domain", "judged twice for the same outcome", found=f"{domain}, {outcome}", severity="error"
            )
        seen.add((domain, outcome))
        if outcome not in ("", ALL) and not instrument.facts.flag("per_result"):
            yield item.problem(
                "outcome",
                f"{instrument.id} judges a study, not its outcomes one by one",
                found=outcome,
                allowed=ALL,
                severity="error",
            )


@rule("appraisal_complete", "every domain has a judgement", needs=NEEDS, basis=BASIS)
def appraisal_complete(context: Context) -> Iterator[Problem]:
    """Find domains without a judgement, for all outcomes or for one; ask about outcomes without a result."""
    instrument, group = _instrument(context)
    if instrument is None:
        return
    appraisal, domains = context.record.group("appraisal"), domains_asked(instrument, group)
    reported = {entry.text("outcome") for entry in context.record.groups("outcomes")}
    asked_about: set[str] = set()
    for item in appraisal.groups("judgements"):
        outcome = item.text("outcome")
        if outcome not in ("", ALL, *reported, *asked_about):
            asked_about.add(outcome)
            yield item.problem(
                "outcome",
                "judged, but this record has no result of it",
                found=outcome,
                allowed=f"{ALL}, or an outcome of the record",
                severity="question",
            )
    judged = _by_outcome(appraisal)
    for outcome, rows in judged.items():
        if outcome == ALL and reported <= set(judged):  # nothing is left that the general rows alone hold for
            continue
        lacking = [domain for domain in domains if domain not in rows]
        if lacking:
            judged_for = "" if outcome == ALL else f" for {outcome}"
            yield appraisal.problem(
                "judgements",
                f"no judgement for {', '.join(lacking)}{judged_for}",
                allowed=f"a judgement with reason and page for each of {', '.join(domains)}",
                severity="error",
            )


@rule("overall_explained", "an overall judgement against the rule is explained", needs=NEEDS, basis=BASIS)
def overall_explained(context: Context) -> Iterator[Problem]:
    """Find overall judgements that differ from the rule's proposal without a reason; ask for lacking ones."""
    instrument, group = _instrument(context)
    if instrument is None or not has_overall(instrument):
        return
    appraisal = context.record.group("appraisal")
    names, scale = vocabulary("appraisal_domains"), vocabulary("appraisal_levels")
    asked, allowed = domains_asked(instrument, group), instrument.facts.words("judgements")
    for outcome, rows in _by_outcome(appraisal).items():
        levels = {domain: rows[domain].text("judgement") for domain in asked if domain in rows}
        if len(levels) < len(asked) or not set(levels.values()) <= set(allowed):
            continue
        proposal = propose(instrument, levels, names, scale)
        own = next(
            (
                item
                for item in appraisal.groups("judgements")
                if item.text("domain") == OVERALL and item.text("outcome") == outcome
            ),
            None,
        )
        says = f"the instrument's rule proposes {proposal.level} ({proposal.basis})"
        if own is None:
            yield appraisal.problem(
                "judgements",
                f"no overall judgement{'' if outcome == ALL else f' for {outcome}'}: {says}; confirm or "
                f"change it",
                severity="question",
            )
            continue
        level, why = own.text("judgement"), own.text("changed_because")
        if level and level != proposal.level and not why:
            yield own.problem(
                "judgement",
                f"{says}; another level needs its reason",
                found=level,
                allowed=f"{proposal.level}, or any level with changed_because",
                severity="error",
            )
        elif level == proposal.level and why:
            yield own.problem(
                "changed_because", f"{says}: nothing was changed", found=why, severity="question"
            )


def _instrument(context: Context) -> tuple[Term | None, str]:
    design = context.term(context.record, "design.type", "design.type")
    instrument = context.term(context.record, "appraisal.instrument", "appraisal.instrument")
    return instrument, design.facts.text("design_group") if design else ""


def _by_outcome(appraisal: Group) -> Mapping[str, Mapping[str, Group]]:
    """Return the judgements that count for each outcome judged: its own before the general ones."""
    rows = [item for item in appraisal.groups("judgements") if item.text("domain")]
    general = {item.text("domain"): item for item in rows if item.text("outcome") == ALL}
    found = {ALL: general} if general else {}
    for outcome in dict.fromkeys(item.text("outcome") for item in rows):
        if outcome not in ("", ALL):
            own = {item.text("domain"): item for item in rows if item.text("outcome") == outcome}
            found[outcome] = general | own
    return found
