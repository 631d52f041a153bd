"""How the studies were found: searches, flow, agreement of the screeners, exclusions with their reasons."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from metakit.core.written import count, listed
from metakit.forms.library import shipped
from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section
from metakit.review.selection.agreement_words import agreement_sentence
from metakit.review.selection.citations import Citation
from metakit.review.selection.reading import Selection
from metakit.review.selection.reconciling import screening_agreement
from metakit.review.selection.screening import STAGE_WORDS, STAGES
from metakit.review.selection.searches import Search
from metakit.synthesis.terms import label_of


def build(page: Page) -> Content:
    """Return what the section tells; without a documented selection, that there is none."""
    selection = page.findings.selection
    if selection is None:
        return {"selection": None}
    outcomes = selection.screening.outcomes["full_text"]
    ends = {
        ending: [name for name, outcome in outcomes.items() if outcome.decision == ending]
        for ending in ("exclude", "not_retrieved")
    }
    return {
        "selection": selection,
        "lead": _lead(selection),
        "unfinished": [problem.what for problem in selection.unfinished],
        "searches": [_search(search) for search in selection.searches],
        "duplicates": _duplicates(selection),
        "people": list(_people(selection)),
        "warnings": list(_warnings(selection)),
        "excluded": [
            {
                "citation": _cited(selection.citations[name]),
                "reason": label_of("exclusion_reasons", outcomes[name].reason),
                "why": _why(outcomes[name].note, outcomes[name].page),
            }
            for name in _by_reason(ends["exclude"], selection)
        ],
        "not_retrieved": [
            {"citation": _cited(selection.citations[name]), "why": _why(outcomes[name].note, "")}
            for name in ends["not_retrieved"]
        ],
        "included": _included(selection, page.findings.names),
        "numbers": page.citations.numbers(("prisma_2020",)),
    }


def _lead(selection: Selection) -> str:
    found: Counter[bool] = Counter()
    for search in selection.searches:
        found[search.by_other_methods] += search.found
    text = f"{count(found[False], 'record')} from databases and registers"
    if found[True]:
        text += f" and {found[True]} by other methods"
    if selection.flow is None:
        return f"{text} so far; the selection is not finished."
    reports, studies = selection.flow.included_reports, selection.flow.included_studies
    return f"{text} led to {count(reports, 'report')} of {count(studies, 'study', 'studies')}."


def _search(search: Search) -> dict[str, object]:
    limits = search.limits or "not stated"
    return {
        "name": search.name,
        "kind": search.kind.replace("_", " ").capitalize(),
        "platform": search.platform,
        "date": search.date,
        "covered": search.covered,
        "found": search.found,
        "limits": f"{limits} ({search.limits_reason})" if search.limits_reason else limits,
        "filter": search.filter,
        "peer_review": search.peer_review,
        "strategy": search.strategy,
        "note": search.note,
    }


def _duplicates(selection: Selection) -> str:
    standing = list(selection.removed.values())
    duplicates = [removal for removal in standing if removal.because == "duplicate"]
    same = sum(removal.likeness == 100 and "same" in removal.reason for removal in duplicates)
    text = (
        f"{count(len(duplicates), 'record')} repeated another one: {same} by a shared identifier, "
        f"{len(duplicates) - same} by title, year and first author."
    )
    back = sum(not removal.stands and not removal.asked for removal in selection.removals)
    if back:
        text += (
            f" {count(back, 'merge')} proposed by the program {'was' if back == 1 else 'were'} taken back."
        )
    return text


def _people(selection: Selection) -> Iterable[str]:
    agreement = screening_agreement(selection)
    if len(selection.people) == 2:
        yield f"{listed(list(selection.people))} screened; their decisions are kept apart."
    for stage, found in agreement.items():
        text = agreement_sentence(stage, found)
        yield f"{text[0].upper()}{text[1:]}."
    settled = len(selection.adjudicated)
    if settled:
        by = list(dict.fromkeys(decision.decided_by for decision in selection.adjudicated))
        were = "disagreement was" if settled == 1 else "disagreements were"
        yield f"{settled} {were} settled by {listed(by)}."


def _warnings(selection: Selection) -> Iterable[str]:
    if not selection.people:
        return
    if len(selection.people) == 1:
        yield (
            f"One person ({selection.people[0]}) screened alone. A single screener misses eligible studies "
            "more often than two do."
        )
        return
    for stage in STAGES:
        alone = len(selection.screening.single[stage])
        if alone:
            yield f"{count(alone, 'record')} had one screener only by {STAGE_WORDS[stage]}."


def _by_reason(names: Sequence[str], selection: Selection) -> list[str]:
    outcomes = selection.screening.outcomes["full_text"]
    order = list(shipped().vocabulary("exclusion_reasons").terms)
    return sorted(names, key=lambda name: (order.index(outcomes[name].reason), name))


def _why(note: str, page: str) -> str:
    return "; ".join(part for part in (note, f"page {page}" if page else "") if part)


def _cited(citation: Citation) -> str:
    first, *others = citation.authors.split("; ")
    people = f"{first} et al." if len(others) > 2 else ", ".join([first, *others])
    parts = [
        f"{people} ({citation.year or 'no year'})".strip(),
        citation.title.rstrip("."),
        citation.journal,
        f"doi {citation.doi}" if citation.doi else "",
    ]
    return ". ".join(part for part in parts if part)


def _included(selection: Selection, names: Mapping[str, str]) -> list[dict[str, object]]:
    """Return the reports of each record, in the order of the records."""
    by_record: dict[str, list[str]] = {}
    for citation, records in selection.records_of_citation.items():
        for record in records:
            by_record.setdefault(record, []).append(_cited(selection.citations[citation]))
    return [
        {"study": names.get(record, record), "reports": found} for record, found in sorted(by_record.items())
    ]


SECTIONS.add(
    Section(name="selection", title="How the studies were found", template="selection.html.j2", build=build)
)
