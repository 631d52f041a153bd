"""Rules between the records of a review: ids, cohorts, spreads, and what the protocol asks for."""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import median

from metakit.core.registry import Registry
from metakit.errors import Problem, nearest_names
from metakit.forms.answers import SECTION, settle
from metakit.forms.library import vocabulary
from metakit.forms.reading import RULES_OF_READING
from metakit.forms.records import Reading
from metakit.forms.rules.registry import RULES
from metakit.forms.sheets.look_alikes import in_latin
from metakit.forms.tree import Group


@dataclass(frozen=True, slots=True)
class Records:
    """The readable study records of a review, and its protocol."""

    studies: tuple[Group, ...]
    protocol: Group | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewRule:
    """One rule between records."""

    name: str
    label: str
    check: Callable[[Records], Iterator[Problem]]


MOST_OF_THE_WEIGHT = 2 / 3
RECRUITMENT = ("design.recruitment_start", "design.recruitment_end")
REVIEW_RULES: Registry[ReviewRule] = Registry("rule between records")


def review_rule(
    name: str, label: str
) -> Callable[[Callable[[Records], Iterator[Problem]]], Callable[[Records], Iterator[Problem]]]:
    """Register the decorated function."""

    def add(check: Callable[[Records], Iterator[Problem]]) -> Callable[[Records], Iterator[Problem]]:
        REVIEW_RULES.add(ReviewRule(name=name, label=label, check=check))
        return check

    return add


def problems_across(records: Sequence[Reading], plan: Reading | None) -> list[Problem]:
    """Run all rules between records on those that could be read; questions are answered in their records."""
    readings = [r for r in records if r.group is not None and r.form is not None and r.form.find("study.id")]
    studies = tuple(r.group for r in readings if r.group is not None)
    known = Records(studies, plan.group if plan and plan.form and plan.form.name == "protocol" else None)
    problems = [replace(found, rule=rule.name) for rule in REVIEW_RULES for found in rule.check(known)]
    weighed = {(found.file, found.field) for found in problems if found.rule == "weight_of_a_slip"}
    problems = [
        found
        for found in problems
        if found.rule != "spread_beside_others" or (found.file, found.field) not in weighed
    ]
    for reading in readings:
        if reading.addresses is not None:
            own = [problem for problem in problems if problem.file == reading.file]
            others = [problem for problem in problems if problem.file != reading.file]
            problems = [*others, *settle(own, reading.addresses, REVIEW_RULES.names())]
            problems += _unknown_rules(reading.addresses.record)
    return problems


def _unknown_rules(record: Group) -> Iterator[Problem]:
    names = (*RULES.names(), *REVIEW_RULES.names(), *RULES_OF_READING)
    for answer in record.groups(SECTION):
        name = answer.text("rule")
        if name and name not in names:
            what = "there is no rule of this name"
            yield answer.problem(
                "rule", what, found=name, hint=nearest_names(name, names), severity="question"
            )


def _where(group: Group, path: str) -> str:
    place = group.place_of(path)
    return f"{place.file}:{place.line}"


@review_rule("study_ids_differ", "ids differ between files")
def study_ids_differ(records: Records) -> Iterator[Problem]:
    """Find two records of one id, and ask about ids that look alike."""
    first: dict[str, Group] = {}
    alike: dict[str, Group] = {}
    for study in records.studies:
        name = study.text("study.id")
        if not name:
            continue
        folded = _folded(name)
        if name in first:
            yield study.problem(
                "study.id",
                f"{_where(first[name], 'study.id')} has this id already",
                found=name,
                severity="error",
            )
        elif folded in alike:
            other = alike[folded]
            yield study.problem(
                "study.id",
                f"looks like {other.text('study.id')} ({_where(other, 'study.id')}); one study or two?",
                found=name,
                severity="question",
            )
        first.setdefault(name, study)
        alike.setdefault(folded, study)


@review_rule("study_labels_differ", "labels differ between files")
def study_labels_differ(records: Records) -> Iterator[Problem]:
    """Ask about two studies that tables and figures would show under one name."""
    first: dict[str, Group] = {}
    for study in records.studies:
        label = study.text("study.label")
        if label and _folded(label) in first:
            other = first[_folded(label)]
            yield study.problem(
                "study.label",
                f"shown under the same name as {other.text('study.id')} ({_where(other, 'study.label')})",
                found=label,
                severity="question",
            )
        first.setdefault(_folded(label), study)


def _folded(text: str) -> str:
    decomposed = unicodedata.normalize("NFKD", in_latin(text).casefold())
    return "".join(c for c in decomposed if c.isalnum() and not unicodedata.combining(c))


@review_rule("one_report_once", "a report stands in one record")
def one_report_once(records: Records) -> Iterator[Problem]:
    """Ask about two records of one DOI or PubMed id by the same extractor."""
    first: dict[tuple[str, str, str], Group] = {}
    for study in records.studies:
        for field in ("study.doi", "study.pubmed_id"):
            name = study.text(field).casefold().removeprefix("https://doi.org/")
            if not name:
                continue
            key = (field, name, study.text("extraction.extractor"))
            if key in first:
                where = _where(first[key], field)
                yield study.problem(
                    field, f"the same report as in {where}?", found=study.text(field), severity="question"
                )
            first.setdefault(key, study)


@review_rule("links_lead_somewhere", "linked reports exist and share the cohort")
def links_lead_somewhere(records: Records) -> Iterator[Problem]:
    """Find links to records that are not there, and ask about links between different cohorts."""
    by_id = {study.text("study.id"): study for study in records.studies}
    for study in records.studies:
        for name in study.words("study.linked_reports"):
            other = by_id.get(name)
            if other is None:
                yield study.problem(
                    "study.linked_reports",
                    "no record of this review has this id",
                    found=name,
                    hint=nearest_names(name, by_id),
                    severity="error",
                )
            elif other.text("study.cohort") != study.text("study.cohort"):
                yield study.problem(
                    "study.linked_reports",
                    f"linked to {name}, whose cohort is {other.text('study.cohort')}, not "
                    f"{study.text('study.cohort')}: reports of the same patients share one cohort",
                    found=name,
                    severity="question",
                )


@review_rule("overlapping_cohorts", "one unit, overlapping years, one technique: the same patients?")
def overlapping_cohorts(records: Records) -> Iterator[Problem]:
    """Ask about cohorts that may share patients; a heuristic, common practice, no source."""
    by_unit: defaultdict[str, list[Group]] = defaultdict(list)
    for study in records.studies:
        unit = _folded(study.text("setting.unit_name"))
        if not unit:
            continue
        earlier = tuple(by_unit[unit])
        by_unit[unit].append(study)
        for other in earlier:
            if study.text("study.cohort") == other.text("study.cohort") or not _overlap(study, other):
                continue
            shared = _techniques(study) & _techniques(other)
            if shared:
                yield study.problem(
                    "study.cohort",
                    f"same unit, overlapping recruitment and {', '.join(sorted(shared))} as "
                    f"{other.text('study.id')} ({_where(other, 'study.cohort')}): the same patients?",
                    found=study.text("study.cohort"),
                    hint="reports of the same patients share one cohort; otherwise they are counted twice",
                    severity="question",
                )


def _techniques(study: Group) -> set[str]:
    return {arm.text("technique") for arm in study.groups("arms")} - {""}


def _overlap(one: Group, other: Group) -> bool:
    starts = [study.text("design.recruitment_start")[:4] for study in (one, other)]
    ends = [study.text("design.recruitment_end")[:4] for study in (one, other)]
    return all(starts) and all(ends) and max(starts) <= min(ends)


@review_rule("cohort_numbers_agree", "reports of one cohort give one number of thumbs")
def cohort_numbers_agree(records: Records) -> Iterator[Problem]:
    """Ask about reports of one cohort whose arms add up to different numbers entered or operated."""
    by_cohort: defaultdict[str, list[Group]] = defaultdict(list)
    for study in records.studies:
        cohort = study.text("study.cohort")
        if not cohort:
            continue
        earlier = tuple(by_cohort[cohort])
        by_cohort[cohort].append(study)
        for other in earlier:
            if study.text("study.id") == other.text("study.id") or _techniques(study) != _techniques(other):
                continue
            # A cohort that went on recruiting grows by right.
            if any(study.text(path) != other.text(path) for path in RECRUITMENT):
                continue
            for path in ("thumbs.allocated", "thumbs.operated"):
                mine, theirs = _numbers(study, path), _numbers(other, path)
                if not mine or not theirs or sum(mine) == sum(theirs):
                    continue
                stage = path.rpartition(".")[2]
                yield study.problem(
                    "study.cohort",
                    f"{' + '.join(map(str, mine))} = {sum(mine)} thumbs {stage} here, "
                    f"{' + '.join(map(str, theirs))} = {sum(theirs)} in {other.text('study.id')} "
                    f"({_where(other, 'study.cohort')}) of the same cohort",
                    found=cohort,
                    severity="question",
                )
                break


def _numbers(study: Group, path: str) -> list[int]:
    """Return the numbers of all arms; nothing when one arm lacks it."""
    found = [arm.integer(path) for arm in study.groups("arms")]
    known = [number for number in found if number is not None]
    return known if len(known) == len(found) else []


@review_rule("spread_beside_others", "a standard deviation far below those of other studies")
def spread_beside_others(records: Records) -> Iterator[Problem]:
    """Ask about standard deviations under a third of the median of other studies, perhaps standard errors."""
    typed: dict[tuple[str, str, bool], list[tuple[float, Group, Group]]] = {}
    for study in records.studies:
        for entry in study.groups("outcomes"):
            spread = entry.number("standard_deviation")
            if spread:
                key = (entry.text("outcome"), entry.text("measured_in"), entry.text("kind") == "change")
                typed.setdefault(key, []).append((spread, study, entry))
    for (outcome, _, _), found in typed.items():
        for spread, study, entry in found:
            others = sorted(value for value, where, _ in found if where is not study)
            if len(others) < 4:
                continue
            middle = others[len(others) // 2]
            if spread < middle / 3:
                yield entry.problem(
                    "standard_deviation",
                    f"{len(others)} other arms with {outcome} have a median of {middle:g}: a standard error?",
                    found=entry.typed("standard_deviation"),
                    severity="question",
                )


@review_rule("weight_of_a_slip", "one study would carry most of the weight")
def weight_of_a_slip(records: Records) -> Iterator[Problem]:
    """Ask about the spreads of a study that would carry two thirds of the weight, as a slip makes it do.

    Standard errors typed as standard deviations do. Weights are those of one common effect, from the arms'
    own spreads and numbers. The limits (two thirds, half, three times) are common practice, no source.
    """
    typed: defaultdict[tuple[str, str], dict[str, list[tuple[float, int, Group]]]] = defaultdict(dict)
    for study in records.studies:
        for entry in study.groups("outcomes"):
            spread, size = entry.number("standard_deviation"), entry.integer("n")
            if spread and size and size > 1 and entry.text("kind") == "final":
                key = (entry.text("outcome"), entry.text("measured_in"))
                typed[key].setdefault(study.text("study.id"), []).append((spread, size, entry))
    for (outcome, _), studies in typed.items():
        weights = {name: _precision(rows) for name, rows in studies.items()}
        name = max(weights, key=lambda key: weights[key])
        share = weights[name] / sum(weights.values())
        mine, others = studies[name], [row[0] for key, rows in studies.items() for row in rows if key != name]
        middle = median(others) if others else 0.0
        undone = [(spread * size**0.5, size, entry) for spread, size, entry in mine]
        small = all(spread <= middle / 2 for spread, _, _ in mine)
        likely = all(middle / 3 <= spread <= 3 * middle for spread, _, _ in undone)
        if share < MOST_OF_THE_WEIGHT or not small or not likely:
            continue
        left = _precision(undone)
        after = left / (sum(weights.values()) - weights[name] + left)
        for spread, size, entry in mine:
            yield entry.problem(
                "standard_deviation",
                f"with it this study would carry {100 * share:.0f} % of the weight of {outcome}, where the "
                f"median of other arms is {middle:g}: a standard error? As a standard deviation it would be "
                f"{spread * size**0.5:.3g}, and the study would carry {100 * after:.0f} %",
                found=entry.typed("standard_deviation"),
                hint="if so, type it under standard_error; nothing is converted by itself",
                severity="question",
            )


def _precision(rows: Sequence[tuple[float, int, Group]]) -> float:
    """Return one over the variance of a difference between arms with these spreads and sizes."""
    return len(rows) / sum(spread**2 / size for spread, size, _ in rows)


@review_rule("plan_has_records", "the records hold what the plan asks for")
def plan_has_records(records: Records) -> Iterator[Problem]:
    """Ask about techniques and outcomes of the plan that no record has."""
    if records.protocol is None or not records.studies:
        return
    techniques = {arm.text("technique") for study in records.studies for arm in study.groups("arms")}
    outcomes = {entry.text("outcome") for study in records.studies for entry in study.groups("outcomes")}
    causes = {entry.text("cause") for study in records.studies for entry in study.groups("return_causes")}
    outcomes |= {term.id for term in vocabulary("outcomes") if term.facts.text("cause") in causes - {""}}
    for item in records.protocol.groups("comparisons"):
        for field in ("technique", "comparator"):
            names = item.words(field)
            if names and not techniques & set(names):
                yield item.problem(
                    field, "no record has such an arm", found=", ".join(names), severity="question"
                )
    for item in records.protocol.groups("outcomes"):
        name = item.text("outcome")
        if name and name not in outcomes:
            yield item.problem("outcome", "no record has this outcome", found=name, severity="question")
