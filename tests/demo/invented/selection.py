"""The invented study selection: three searches and reference lists, duplicates, two screeners, exclusions.

What the files say is planned here first (which report was found where, who decided what); the tables are then
written as `metakit collect` and `metakit reconcile` would write them.
"""

from __future__ import annotations

import random
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from hashlib import sha256
from pathlib import Path

from invented.citation_titles import JOURNALS, authors, near_misses, unrelated
from invented.records import HEADING
from invented.spec import StudySpec
from invented.writer import document
from metakit.review.selection.citations import Citation, read_citations
from metakit.review.selection.duplicates import find_duplicates, removal_of_duplicate
from metakit.review.selection.screening import Decision, Stage
from metakit.review.selection.tables import table_text

SEED = 20260120
DATABASE_A, DATABASE_B = "bibliographic_database_a", "bibliographic_database_b"
REGISTER, LISTS = "trial_register", "reference_lists"
FILES = {DATABASE_A: ".ris", DATABASE_B: ".bib", REGISTER: ".csv", LISTS: ".csv"}
UNRELATED = 240
EXCLUDED = {
    "other_population": 4, "other_intervention": 5, "other_comparator": 2, "other_design": 10,
    "too_few_thumbs": 3, "follow_up_too_short": 5, "no_eligible_outcome": 3, "same_patients": 2, "language": 1,
}  # fmt: skip
NOT_RETRIEVED = 4
_LINES = """|
  1 thumb* or pollex or first ray
  2 trapezi* or carpometacarpal or thumb base
  3 arthr* or osteoarthr* or rhizarthr*
  4 (1 and 3) or 2
  5 operat* or surg* or arthroplast* or prosthe* or fusion or denervation
  6 4 and 5"""
HERE = "STRATEGY"  # where a strategy of several lines goes in its file
STRATEGIES = {
    DATABASE_A: _LINES,
    DATABASE_B: _LINES.replace("*", "$"),
    REGISTER: '"thumb AND (arthritis OR trapezium)"',
    LISTS: '"The reference lists of all reports read in full were looked through by one person."',
}


@dataclass(frozen=True, kw_only=True)
class Report:
    """One invented report: where it was found and what became of it."""

    title: str
    authors: str
    year: int
    journal: str
    doi: str
    sources: tuple[str, ...]
    fate: str  # unrelated, excluded, not_retrieved, included
    reason: str = ""
    note: str = ""
    page: str = ""
    record: str = ""


def selection_files(studies: Sequence[StudySpec]) -> dict[str, str]:
    """Return every file of the selection: path within the review folder, and text."""
    rng = random.Random(SEED)
    reports = _reports(rng, studies)
    exports = {name: _export(name, reports, rng) for name in FILES}
    texts = {f"selection/searches/{name}{FILES[name]}": text for name, (text, _) in exports.items()}
    citations: list[Citation] = []
    truth: dict[str, Report] = {}
    for name, (text, found) in exports.items():
        read = _read(name, text, len(citations) + 1)
        truth |= dict(zip((citation.citation_id for citation in read), found, strict=True))
        citations += read
        searched = document(HEADING, _search(name, text, len(read)))
        texts[f"selection/searches/{name}.yaml"] = searched.replace(HERE, STRATEGIES[name])
    titles = {citation.citation_id: citation.title for citation in citations}
    found = [removal_of_duplicate(duplicate, titles) for duplicate in find_duplicates(citations)]
    # Whoever looked at the list said yes to those that are perhaps the same: each was planted as one.
    removals = [replace(removal, stands=True, asked=False) for removal in found]
    gone = {removal.citation_id for removal in removals if removal.stands}
    kept = {c.citation_id: truth[c.citation_id] for c in citations if c.citation_id not in gone}
    lists = {c.citation_id for c in citations if c.search == LISTS}
    people, agreed = _screening(rng, kept, lists)
    texts["selection/citations.csv"] = table_text("citation", [asdict(c) for c in citations], HEADING)
    texts["selection/removed.csv"] = table_text("removal", [r.row() for r in removals], HEADING)
    for person, decisions in people.items():
        rows = [decision.row() for decision in decisions]
        texts[f"selection/screening_{person}.csv"] = table_text("decision", rows, HEADING)
    texts["selection/screening_agreed.csv"] = table_text("decision", [d.row() for d in agreed], HEADING)
    included = [
        {"citation_id": name, "record": report.record} for name, report in kept.items() if report.record
    ]
    texts["selection/included.csv"] = table_text("inclusion", included, HEADING)
    return texts


def _reports(rng: random.Random, studies: Sequence[StudySpec]) -> list[Report]:
    def made(title: str, year: int, sources: Sequence[str], fate: str, **more: str) -> Report:
        number = len(reports) + 1
        doi = f"10.5555/demo.{number:04d}"  # a prefix kept for tests: no such report exists
        return Report(
            title=title, authors=authors(rng), year=year, journal=rng.choice(JOURNALS), doi=doi,
            sources=tuple(sources), fate=fate, **more,
        )  # fmt: skip

    def anywhere() -> tuple[str, ...]:
        """Most reports stand in one database, some in both, few in a register."""
        chance = rng.random()
        if chance < 0.40:
            return (DATABASE_A,)
        if chance < 0.68:
            return (DATABASE_B,)
        return (DATABASE_A, DATABASE_B) if chance < 0.92 else (REGISTER,)

    reports: list[Report] = []
    for study in studies:
        sources = (LISTS,) if study.report_type == "abstract" else (DATABASE_A, DATABASE_B)
        if study.group == "randomised":
            sources = (*sources, REGISTER)
        reports.append(made(study.title, study.year, sources, "included", record=study.id))
    for of, title, year in (
        (
            "DEMO-05",
            "Trapeziectomy with and without ligament reconstruction: what a conference heard first",
            2015,
        ),
        ("DEMO-18", "Yearly report of the Halvarn regional register of joints", 2022),
    ):
        reports.append(made(title, year, (DATABASE_B,), "included", record=of))
    for title, reason, note, page in near_misses(rng, EXCLUDED):
        year = rng.randint(2003, 2025)
        sources = (LISTS,) if reason == "too_few_thumbs" else anywhere()
        reports.append(made(title, year, sources, "excluded", reason=reason, note=note, page=page))
    lost = [
        f"Thumb-base surgery in {place}, as remembered"
        for place in ("the north", "the isles", "the delta", "the hills")
    ]
    for position, title in enumerate(lost[:NOT_RETRIEVED]):
        sources = (LISTS,) if position == 0 else (DATABASE_A,)
        note = "the library and the authors were asked twice"
        reports.append(made(title, rng.randint(1998, 2006), sources, "not_retrieved", note=note))
    for title in unrelated(rng, UNRELATED):
        reports.append(made(title, rng.randint(1996, 2025), anywhere(), "unrelated"))
    # The reference lists name some reports that the databases had found as well.
    for position in (0, 4, 8, 11):
        reports[position] = replace(reports[position], sources=(*reports[position].sources, LISTS))
    return reports


def _export(name: str, reports: Sequence[Report], rng: random.Random) -> tuple[str, list[Report]]:
    found = [report for report in reports if name in report.sources]
    rng.shuffle(found)
    if FILES[name] == ".ris":
        body = "\n".join(_ris(report) for report in found)
        return f"{HEADING[0]}\nRecords: {len(found)}\n\n{body}", found
    if FILES[name] == ".bib":
        body = "\n".join(_bibtex(number, report, rng) for number, report in enumerate(found, start=1))
        return f"% {HEADING[0]}\n\n{body}", found
    lines = [f"# {HEADING[0]}", "title,authors,year,journal,doi"]
    for report in found:
        doi = report.doi if name == LISTS and rng.random() < 0.5 else ""
        lines.append(f'"{report.title}","{report.authors}",{report.year},"{report.journal}",{doi}')
    return "\n".join(lines) + "\n", found


def _ris(report: Report) -> str:
    lines = ["TY  - JOUR", f"TI  - {report.title}"]
    lines += [f"AU  - {author}" for author in report.authors.split("; ")]
    lines += [f"PY  - {report.year}", f"JO  - {report.journal}", f"DO  - {report.doi}", "ER  - "]
    return "\n".join(lines) + "\n"


def _bibtex(number: int, report: Report, rng: random.Random) -> str:
    """Return one entry; this database shouts some titles, misspells some, and knows half of the DOIs."""
    title, chance = report.title, rng.random()
    if chance < 0.2:
        title = title.upper()
    elif chance < 0.3:
        title = title.replace("trapez", "trapz").replace("Trapez", "Trapz")
    doi = f", doi = {{{report.doi}}}" if rng.random() < 0.5 else ""
    people = report.authors.replace("; ", " and ")
    return (
        f"@article{{b{number:03d}, title = {{{title}}}, author = {{{people}}}, "
        f"year = {{{report.year}}}, journal = {{{report.journal}}}{doi}}}"
    )


def _read(name: str, text: str, first: int) -> list[Citation]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{name}{FILES[name]}"
        path.write_text(text, encoding="utf-8", newline="\n")
        return list(read_citations(path, search=name, first_number=first))


def _search(name: str, text: str, found: int) -> dict[str, object]:
    facts: dict[str, dict[str, object]] = {
        DATABASE_A: {"kind": "database", "platform": "an invented interface"},
        DATABASE_B: {"kind": "database", "platform": "another invented interface"},
        REGISTER: {"kind": "register", "platform": "website of the register (invented)"},
        LISTS: {"kind": "citation_searching"},
    }
    return {
        "form": "search",
        "form_version": 1,
        "name": name.replace("_", " ").capitalize().replace(" a", " A").replace(" b", " B"),
        **facts[name],
        "strategy": HERE,
        "date": "2026-01-30" if name == LISTS else "2026-01-20",
        "limits": "none",
        **({} if name == LISTS else {"peer_review": "a second invented librarian"}),
        "found": found,
        "file": f"{name}{FILES[name]}",
        "sha256": sha256(text.encode()).hexdigest(),
    }


def _screening(
    rng: random.Random, kept: Mapping[str, Report], lists: set[str]
) -> tuple[dict[str, list[Decision]], list[Decision]]:
    """Let two people decide, each with slips of their own, and a third settle what they disagree on."""
    people: dict[str, list[Decision]] = {"AB": [], "CD": []}
    agreed: list[Decision] = []
    titles = [name for name in kept if name not in lists]
    texts = [name for name in kept if kept[name].fate != "unrelated"]
    slips = {"AB": set(rng.sample(titles, 7)), "CD": set(rng.sample(titles, 9))}
    slips["CD"] -= slips["AB"]
    for person, decisions in people.items():
        for name in titles:
            right = "exclude" if kept[name].fate == "unrelated" else "include"
            wrong = "include" if right == "exclude" else "exclude"
            decisions.append(_decision(name, "title_abstract", wrong if name in slips[person] else right, 22))
    for name in sorted(slips["AB"] | slips["CD"]):
        right = "exclude" if kept[name].fate == "unrelated" else "include"
        settled = _decision(name, "title_abstract", right, 27)
        agreed.append(replace(settled, decided_by="EF", note="read together"))
    unsure = set(rng.sample([name for name in texts if kept[name].fate == "excluded"], 4))
    for person, decisions in people.items():
        for name in texts:
            decision = _full_text(name, kept[name])
            if person == "CD" and name in unsure:
                other = "no_eligible_outcome" if kept[name].reason == "other_design" else "other_design"
                reads_on = rng.random() < 0.5
                decision = replace(
                    decision, decision="include" if reads_on else "exclude", reason="" if reads_on else other,
                    page="", note="",
                )  # fmt: skip
            decisions.append(decision)
    for name in sorted(unsure):
        agreed.append(replace(_full_text(name, kept[name]), decided_by="EF", decided_on="2026-02-03"))
    return people, agreed


def _decision(name: str, stage: Stage, decision: str, day: int) -> Decision:
    return Decision(citation_id=name, stage=stage, decision=decision, decided_on=f"2026-01-{day:02d}")


def _full_text(name: str, report: Report) -> Decision:
    verdict = {"excluded": "exclude", "not_retrieved": "not_retrieved", "included": "include"}[report.fate]
    return replace(
        _decision(name, "full_text", verdict, 31), reason=report.reason, page=report.page, note=report.note
    )
