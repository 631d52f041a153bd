"""What became of each part of a protocol: one function a section of its form."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from metakit.core.records import StudyRecord
from metakit.core.written import count, listed
from metakit.forms.rules.planned_words import BY_DESIGN, OTHER, beginning
from metakit.synthesis.choices.sensitivity_kinds import KINDS
from metakit.synthesis.choices.sensitivity_table import NONE_OF_IT, SAME
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.terms import outcome_term
from metakit.telling.facts import Facts
from metakit.telling.option_words import option_words
from metakit.telling.planning.plan_fate import Became, Fate
from metakit.telling.planning.plan_options import analysis_options, network_options, specification_option

FateOf = Callable[[Facts, Any], Fate]
NAMES = ("id", "label", "outcome", "date")
"""Fields that name an entry of a list."""
ONE_LINE = ("review",)
MOST_NAMED = 6
MOST_WAYS = 4
BY_OTHER_MEANS = "planned to be done by other means; whoever did it reports it"
SAME_NUMBERS = (NONE_OF_IT, SAME)
NO_LINE = "no such exploration stands in the protocol"


def _told(where: str, why: str = "") -> FateOf:
    return lambda facts, typed: Fate(became="told", where=where, why=why)


def _outcome(facts: Facts, typed: Mapping[str, Any]) -> Fate:
    """Find the analyses that ask for an outcome."""
    name = typed.get("outcome")
    asking = [item.plan.id for item in facts.findings.analyses if item.term.id == name]
    asking += [item.plan.id for item in facts.findings.networks if item.term.id == name]
    asking += dict.fromkeys(item.pairs for item in facts.findings.pairs if item.finding.term.id == name)
    if not asking:
        return Fate(became="not_done", why="no analysis and no network of the plan asks for this outcome")
    why = f"in {_some(asking)}"
    if typed.get("choice_among_results"):
        return Fate(
            became="in_part", where="results",
            why=f"{why}; the rule for choosing among results is words for people: what was chosen here is "
            "the result nearest to the target of the time window that all arms report",
        )  # fmt: skip
    return Fate(became="done", where="results", why=why)


def _comparison(facts: Facts, typed: Mapping[str, Any]) -> Fate:
    asking = [item.plan.id for item in facts.findings.analyses if item.plan.comparison == typed.get("id")]
    if asking:
        return Fate(became="done", where="results", why=f"in {_some(asking)}")
    return Fate(became="not_done", why="no analysis of the plan asks for this comparison")


def _analysis(facts: Facts, typed: Mapping[str, Any]) -> Fate:
    finding = next((item for item in facts.findings.analyses if item.plan.id == typed.get("id")), None)
    if finding is None:
        return Fate(became="not_done", why="it was not run")
    where = facts.names.analyses[finding.plan.id].anchor
    if finding.result is None:
        if finding.unpooled is not None and finding.plan.without_pooling:
            return Fate(became="done", where=where, why="put together without pooling, as planned")
        reason = option_words(finding.answer.reason or "no study has numbers for it").rstrip(".")
        became: Became = "in_part" if finding.unpooled is not None else "not_done"
        return Fate(became=became, where=where, why=reason)
    studies = count(finding.result.k, "study", "studies")
    otherwise = analysis_options(finding)
    if otherwise:
        return Fate(became="in_part", where=where, why=f"{studies}; {'; '.join(otherwise)}")
    return Fate(became="done", where=where, why=studies)


def _option_pairs(facts: Facts, typed: Mapping[str, Any]) -> Fate:
    pairs = [item.finding for item in facts.findings.pairs if item.pairs == typed.get("id")]
    answered = sum(finding.result is not None for finding in pairs)
    if not pairs and _asked_already(facts, str(typed.get("source"))):
        why = "analyses of the plan ask about every pair that studies hold"
        return Fate(became="done", where="why-thumbs-come-back", why=why)
    if not answered:
        return Fate(became="not_done", why="no study holds two options against each other with such numbers")
    told = {finding.term.id for finding in pairs}
    absent = [outcome_term(name).label for name in typed.get("outcomes", ()) if name not in told]
    why = f"{count(answered, 'answer')} about {count(len(_pairs_of(pairs)), 'pair')} of options"
    if absent:
        why += f"; no pair beyond the analyses above has numbers of {listed(absent)}"
    became: Became = "in_part" if answered < len(pairs) else "done"
    return Fate(became=became, where="why-thumbs-come-back", why=why)


def _asked_already(facts: Facts, source: str) -> bool:
    trouble = facts.findings.trouble
    return trouble is not None and any(item.source == source and item.analyses for item in trouble.sources)


def _pairs_of(pairs: Sequence[AnalysisFinding]) -> set[str]:
    return {finding.comparison.arms.partition(";")[0] for finding in pairs if finding.comparison}


def _network(facts: Facts, typed: Mapping[str, Any]) -> Fate:
    finding = next((item for item in facts.findings.networks if item.plan.id == typed.get("id")), None)
    if finding is None:
        return Fate(became="not_done", why="it was not run")
    where = facts.names.networks[finding.plan.id].anchor
    if finding.analysis is None:
        return Fate(became="not_done", where=where, why=option_words(finding.reason).rstrip("."))
    otherwise = network_options(finding)
    if otherwise:
        return Fate(became="in_part", where=where, why="; ".join(otherwise))
    return Fate(became="done", where=where)


def _exploration(facts: Facts, typed: Mapping[str, Any]) -> Fate:
    return _explored(facts, [str(typed.get("id"))], seen=bool(typed.get("data_seen")))


def _explored(facts: Facts, ids: Sequence[str], *, seen: bool = False) -> Fate:
    done, refused = [], {}
    for finding in facts.findings.analyses:
        for item in finding.explorations:
            if item.id in ids and item.reason:
                refused[finding.plan.id] = item.reason
            elif item.id in ids:
                done.append(finding.plan.id)
    reasons = dict.fromkeys(option_words(reason).rstrip(".") for reason in refused.values())
    words = "written when results were known: exploratory" if seen else ""
    if not done and not refused:
        return Fate(became="not_done", why="no analysis that it is about was run")
    parts = [words, f"in {_some(done)}" if done else ""]
    parts += [f"refused in {_some(list(refused))}: {'; '.join(reasons)}"] if refused else []
    became: Became = "in_part" if done and refused else "done" if done else "not_done"
    return Fate(became=became, where="explorations", why="; ".join(part for part in parts if part))


def _baseline(facts: Facts, typed: Mapping[str, Any]) -> Fate:
    label, outcome, source = (str(typed.get(name)) for name in ("label", "outcome", "source"))
    used, refused = [], []
    for item in facts.certainties:
        body = item.body
        same = _outcome_of(facts, body.analysis) == outcome
        if same and any(
            b.baseline.source == source and b.baseline.label.startswith(label) for b in body.absolute
        ):
            used.append(body.analysis)
        refused += [text.rstrip(".") for text in body.refused if same and label in text]
    if used:
        return Fate(became="done", where="summary-of-findings", why=f"in {_some(used)}")
    why = "; ".join(dict.fromkeys(refused)) or (
        "no answered comparison of this outcome takes it: a risk goes with risks, a rate with rates, and a "
        "hazard ratio needs its months"
    )
    return Fate(became="not_done", why=why)


def _outcome_of(facts: Facts, analysis: str) -> str:
    return next((item.term.id for item in facts.findings.analyses if item.plan.id == analysis), "")


def _subgroup(facts: Facts, typed: str) -> Fate:
    """Find what carries out subgroups that were planned in words."""
    name = beginning(typed)
    if name == OTHER:
        return Fate(became="not_done", why=BY_OTHER_MEANS)
    plans = facts.findings.protocol.explorations
    ids = [
        plan.id for plan in plans if plan.id == name or (plan.kind == "subgroups" and name in plan.moderators)
    ]
    if ids:
        return _explored(facts, ids)
    if name == BY_DESIGN:
        apart = [item.plan.id for item in facts.findings.analyses if len(item.by_design) > 1]
        if apart:
            return Fate(became="done", where="results", why=f"designs stand apart in {_some(apart)}")
        return Fate(became="not_done", why="no analysis has studies of more than one kind of design")
    return Fate(became="not_done", why=f"{NO_LINE}; 'metakit check' says what would carry it out")


def _sensitivity(facts: Facts, typed: str) -> Fate:
    """Find the answers under a kind of other choice that was planned in words."""
    kind = beginning(typed)
    if kind == OTHER:
        return Fate(became="not_done", why=BY_OTHER_MEANS)
    if kind not in KINDS:
        return Fate(
            became="not_done", why="it begins with no kind of sensitivity analysis that is carried out here"
        )
    tables = [(item.plan.id, item.sensitivity_table) for item in facts.findings.analyses]
    rows = [(name, row) for name, table in tables if table for row in table.rows if row.kind == kind]
    done = [(name, row.what) for name, row in rows if row.difference is not None]
    without = [(name, option_words(row.reason)) for name, row in rows if row.difference is None]
    undone = [(name, reason) for name, reason in without if reason not in SAME_NUMBERS]
    reasons = _once(reason.partition(" (")[0].removeprefix("not done: ") for _, reason in undone or without)
    if not done:
        why = "; ".join(reasons) or "no answered comparison has numbers that it would change"
        return Fate(became="not_done", why=why)
    ways = _once(what for _, what in done)
    said = ways if len(ways) <= MOST_WAYS else [KINDS[kind]]
    parts = [f"as “{'”, “'.join(said)}”", f"in {_some(name for name, _ in done)}"]
    if undone:
        names = _some(name for name, _ in undone)
        parts.append(f"without an answer in {names}, where its reason stands ({'; '.join(reasons)})")
    return Fate(became="in_part" if undone else "done", where="robustness", why="; ".join(parts))


def _specification(facts: Facts, typed: Mapping[str, Any]) -> Fate:
    ((name, value),) = typed.items()
    return specification_option(facts.findings, name, value)


def _eligibility(facts: Facts, typed: Mapping[str, Any]) -> Fate:
    """Hold a limit of eligibility against the studies that were analysed."""
    ((name, limit),) = typed.items()
    studies = facts.findings.studies
    if name == "excluded" or not studies:
        where = "selection" if facts.findings.selection else ""
        return Fate(
            became="people", where=where,
            why="applied by those who selected the studies" if where else
            "applied by those who selected the studies; how they did is not documented",
        )  # fmt: skip
    outside, unknown = [], []
    for study in studies:
        fits = _fits(study, name, limit)
        if fits is None:
            unknown.append(facts.findings.names[study.id])
        elif not fits:
            outside.append(facts.findings.names[study.id])
    inside = len(studies) - len(outside) - len(unknown)
    parts = [f"{inside} of {count(len(studies), 'study', 'studies')} fit"]
    parts += [f"outside it and in the review all the same: {_some(outside)}"] if outside else []
    parts += [f"not reported by {_some(unknown)}"] if unknown else []
    return Fate(became="in_part" if outside or unknown else "done", where="studies", why="; ".join(parts))


def _fits(study: StudyRecord, name: str, limit: Any) -> bool | None:
    if name == "designs":
        return study.design in limit
    if name == "fewest_thumbs":
        known = [arm.thumbs for arm in study.arms if arm.thumbs is not None]
        return min(known) >= limit if len(known) == len(study.arms) and known else None
    if name == "shortest_follow_up_months":
        known_months = [
            next((m for m in (f.mean, f.median, f.longest, f.shortest) if m is not None), None)
            for f in (arm.follow_up for arm in study.arms)
        ]
        found = [month for month in known_months if month is not None]
        return min(found) >= limit if found else None
    if name == "languages":
        about = study.fields.get("study")
        language = str(about.get("language") or "") if isinstance(about, Mapping) else ""
        allowed = {str(item).casefold() for item in limit}
        return language.casefold() in allowed if language and language != "not_reported" else None
    return None


def _icc(facts: Facts, typed: float) -> Fate:
    used = [
        item.plan.id for item in facts.findings.analyses if any(s.has_effective_numbers for s in item.numbers)
    ]
    if used:
        return Fate(became="done", where="methods", why=f"changes numbers of {_some(used)}")
    return Fate(
        became="done", where="methods", why="no arm counts both thumbs of a patient, so it changes nothing"
    )


def _inference(facts: Facts, typed: str) -> Fate:
    otherwise = [
        item.plan.id
        for item in facts.findings.analyses
        if item.result is not None and item.result.inference and item.result.inference != typed
    ]
    if otherwise:
        return Fate(became="in_part", where="methods", why=f"not in {_some(otherwise)}")
    return Fate(became="done", where="methods")


def _some(names: Iterable[str]) -> str:
    """Name some of many."""
    every = _once(names)
    if len(every) <= MOST_NAMED:
        return listed(every)
    return f"{', '.join(every[: MOST_NAMED - 1])} and {len(every) - MOST_NAMED + 1} more"


def _once(names: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(names))


FATES: Mapping[str, FateOf] = {
    "review": _told("question", "title, question and what the authors say of the review"),
    "population": _told("question"),
    "eligibility": _eligibility,
    "unit_of_analysis": lambda facts, typed: Fate(became="done", where="methods"),
    "icc": _icc,
    "inference": _inference,
    "outcomes": _outcome,
    "comparisons": _comparison,
    "analyses": _analysis,
    "option_pairs": _option_pairs,
    "networks": _network,
    "explorations": _exploration,
    "baselines": _baseline,
    "specifications": _specification,
    "subgroups": _subgroup,
    "sensitivity": _sensitivity,
    "amendments": _told("question", "a change after the date of the plan"),
    "note": _told("", "a remark"),
}
"""What became of each section of the form of protocols."""
