"""The studies in the Word document: how they were found, what they are, how far each can be trusted."""

from __future__ import annotations

from typing import Any

from metakit.report.methods_text import Cited
from metakit.report.page import Page
from metakit.report.registry import SECTIONS
from metakit.report.word_documents.word_manuscript import Manuscript
from metakit.report.word_documents.word_tables import WordRow


def section_content(name: str, page: Page) -> dict[str, Any]:
    """Return what a section of the page shows; empty where it has nothing to say."""
    build = SECTIONS[name].build
    return dict(build(page) or {}) if build else {}


def write_studies(text: Manuscript, page: Page) -> None:
    """Write how the studies were found and how far they can be trusted; more stands in the appendix."""
    text.heading("The studies", 1)
    _selection(text, page)
    _extraction(text, page)
    _trust(text, page)


def write_studies_behind(text: Manuscript, page: Page) -> None:
    """Write what an appendix holds of the studies: their characteristics, the judgements of each."""
    text.heading("The studies in full", 1)
    _characteristics(text, page)
    _appraisal(text, page)


def _selection(text: Manuscript, page: Page) -> None:
    content = section_content("selection", page)
    text.heading("How the studies were found", 2)
    if content["selection"] is None:
        text.say(
            "How the studies of this review were searched for and chosen is not documented in its folder. "
            "From this report nobody can judge whether eligible studies were missed, or chosen for their "
            "results.",
            warning=True,
        )
        return
    text.say(
        content["lead"],
        content["duplicates"],
        *content["people"],
        f"{text.table_ahead()} lists the searches." if content["searches"] else "",
    )
    text.bullets((*content["warnings"], *(f"{item}." for item in content["unfinished"])), warning=True)
    text.table(
        ("Source", "Kind", "Last run", "Records", "Limits"),
        [
            WordRow(
                cells=(
                    _lines(item["name"], item["platform"]),
                    item["kind"],
                    _lines(item["date"], f"covers {item['covered']}" if item["covered"] else ""),
                    str(item["found"]),
                    _lines(item["limits"], f"filter: {item['filter']}" if item["filter"] else ""),
                )
            )
            for item in content["searches"]
        ],
        caption="Every search, with the number of records as its source gave it.",
        shares=(44, 26, 40, 18, 46),
    )
    if page.figures.selection.wide is not None:
        sentences = (
            Cited(
                text=f"{text.figures_ahead()} shows the flow, with boxes and wording of PRISMA 2020; its "
                "counts were taken from the decisions.",
                numbers=content["numbers"],
            ),
        )
        text.cite(sentences)
        text.figure(page.figures.selection.wide)


def _extraction(text: Manuscript, page: Page) -> None:
    content = section_content("extraction", page)
    if content:
        text.heading("How the records were made", 2)
        text.say(*content["sentences"])
        text.bullets(content["warnings"], warning=True)


def _characteristics(text: Manuscript, page: Page) -> None:
    content = section_content("studies", page)
    if not content:
        text.say("No study was read.")
        return
    rows = []
    angles = content["mp_angles"]
    explained = "MP angle: mean hyperextension before surgery in degrees; " if angles else ""
    for label, studies in content["groups"]:
        rows.append(WordRow(cells=(f"{label} ({len(studies)})",), whole=True, heading=True))
        for study in studies:
            about = ", ".join(str(part) for part in (study["design"], study["year"]) if part)
            for place, arm in enumerate(study["arms"]):
                name = (
                    _lines(study["name"], about, *study["remarks"], study["citation"]) if place == 0 else ""
                )
                rows.append(
                    WordRow(
                        cells=(
                            name, arm["label"], _lines(arm["technique"], arm["mp"]), arm["size"], arm["age"],
                            arm["women"], *((arm["mp_angle"],) if angles else ()), arm["follow_up"],
                        )
                    )
                )  # fmt: skip
    text.turn(lying=True)
    text.heading("Characteristics of the studies", 2)
    text.say(f"{text.table_ahead()} describes the studies and their arms.")
    text.table(
        (
            *("Study", "Arm", "Technique", "Thumbs / patients", "Age", "Women"),
            *(("MP angle",) if angles else ()),
            "Follow-up",
        ),
        rows,
        caption="Studies and their arms. Thumbs and patients are those analysed; follow-up in months, mean "
        f"(shortest to longest); {explained}–: not reported.",
        shares=(74, 38, 54, 24, 14, 18, 18, 30) if angles else (80, 42, 60, 24, 16, 18, 30),
        size=8.0,
    )


def _trust(text: Manuscript, page: Page) -> None:
    """Say how far the studies can be trusted."""
    content = section_content("appraisal", page)
    if not content:
        return
    text.heading("How far each study can be trusted", 2)
    text.cite(
        (
            Cited(
                text=f"For all outcomes together: {content['summary']}. No study is weighted by its "
                "judgement.",
                numbers=(content["handbook"],),
            ),
            Cited(
                text="The appendix describes each study and its judgements, and shows the share of each "
                "answer's weight that rests on them."
            ),
        )
    )
    if content["without"]:
        text.say(f"Not appraised: {', '.join(content['without'])}.", warning=True)


def _appraisal(text: Manuscript, page: Page) -> None:
    content = section_content("appraisal", page)
    text.turn(lying=False)
    if not content:
        return
    text.heading("How far each study can be trusted", 2)
    pictures = (*content["figures"], *content["concerns"])
    text.say(
        f"{text.figures_ahead(len(pictures))} and {text.table_ahead()} show the judgements and the share of "
        "each answer's weight that rests on them."
    )
    for part in pictures:
        text.figure(part)
    text.table(
        ("Study", "Instrument", "Overall judgement"),
        [
            WordRow(
                cells=(
                    item.name,
                    item.instrument,
                    _lines(item.headline[:1].upper() + item.headline[1:], *item.overall),
                )
            )
            for item in content["tables"]
        ],
        caption="Appraisal: overall judgement of every study, by the rule of its instrument or as a person "
        "changed it.",
        shares=(38, 46, 90),
    )


def write_appendices(text: Manuscript, page: Page) -> None:
    """Write what reviewers ask for and readers skip: strategies, exclusions, reasons of every judgement."""
    found, judged = section_content("selection", page), section_content("appraisal", page)
    if found["selection"] is not None and found["searches"]:
        text.turn(lying=False)
        text.heading("Appendix: what was searched for, word for word", 1)
        for item in found["searches"]:
            text.heading(item["name"], 3)
            text.say(f"Looked over by {item['peer_review']}." if item["peer_review"] else "", item["note"])
            text.say(item["strategy"], small=True)
    if found.get("excluded") or found.get("not_retrieved"):
        text.turn(lying=False)
        text.heading("Appendix: reports excluded on their full text", 1)
        text.table(
            ("Report", "Reason", "What the report says"),
            [
                *(
                    WordRow(cells=(item["citation"], item["reason"], item["why"]))
                    for item in found["excluded"]
                ),
                *(
                    WordRow(cells=(item["citation"], "could not be had", item["why"]))
                    for item in found["not_retrieved"]
                ),
            ],
            caption="Reports excluded on their full text, and those that could not be had.",
            shares=(84, 40, 50),
            size=8.0,
        )
    if judged:
        text.turn(lying=True)
        text.heading("Appendix: every judgement with its reason", 1)
        text.table(
            ("Domain", "Level", "Reason", "Page"),
            [
                row
                for item in judged["tables"]
                for row in (
                    WordRow(cells=(_lines(item.name, item.instrument),), whole=True, heading=True),
                    *(
                        WordRow(
                            cells=(
                                _lines(line.domain, f"only for {line.about}" if line.about else ""),
                                line.level,
                                line.reason,
                                line.page or "–",
                            )
                        )
                        for line in item.rows
                    ),
                )
            ],
            caption="Judgements by study and domain, in the words of the people who judged.",
            shares=(60, 38, 140, 20),
            size=8.0,
        )


def _lines(*parts: object) -> str:
    return "\n".join(str(part) for part in parts if part)
