"""What the appraisal pictures show: studies by domain, and the weight behind each answer. No drawing here.

The picture is a set of gauges: a bar grows with the concern, from a stub for the best level of an instrument
to the full track for its worst, with the level in words. Nothing depends on colour.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from metakit.core.records import StudyRecord
from metakit.core.written import count, listed
from metakit.forms.library import vocabulary
from metakit.forms.overall_judgement import domains_asked, has_overall
from metakit.forms.specs import Term
from metakit.measures.registry import MEASURES
from metakit.plots.gauges import fill_of
from metakit.review.appraisal import ALL, Judgement, Overall, StudyAppraisal, appraisal_of
from metakit.synthesis.appraisal import CONCERNS
from metakit.synthesis.findings import AnalysisFinding


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """One judgement. `fill` is the length of its bar, a fraction; None for a dashed track (not known)."""

    words: str
    fill: float | None = None
    asked: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class AppraisalRow:
    """One study (or one outcome of it that is judged apart): a gauge a domain, None where nobody judged.

    `overall` is a gauge where the instrument has an overall level; `remarks` stand below it in quiet type.
    """

    study: str
    about: str
    gauges: tuple[Gauge | None, ...]
    overall: Gauge | None
    overall_words: str
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AppraisalBlock:
    """The studies judged with one instrument, its domains, and its levels from best to worst."""

    label: str
    source: str
    domains: tuple[str, ...]
    overall_heading: str
    ladder: tuple[Gauge, ...]
    rows: tuple[AppraisalRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AppraisalContent:
    """Everything that the picture of the judgements shows."""

    title: str
    blocks: tuple[AppraisalBlock, ...]
    footnotes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareCell:
    """Studies of one concern in one answer: how many, and their share of the weight where it is known."""

    studies: int
    weight: float | None
    percent: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareRow:
    """One answer; a cell a concern, None where no study has it."""

    label: str
    about: str
    cells: tuple[ShareCell | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SharesContent:
    """Everything that the picture of the weights shows."""

    title: str
    concerns: tuple[str, ...]
    rows: tuple[ShareRow, ...]
    footnotes: tuple[str, ...] = ()


def appraisal_content(
    studies: Sequence[StudyRecord], names: Mapping[str, str], *, title: str = ""
) -> AppraisalContent:
    """Collect the judgements of all studies, one block an instrument, in the order of the vocabulary.

    Parameters
    ----------
    studies : sequence of StudyRecord
        Those without an appraisal are named in a footnote.
    names : mapping of study id to name
        As shown elsewhere in the report.
    """
    found = [(study, appraisal_of(study)) for study in studies]
    blocks = []
    for instrument in vocabulary("appraisal_instruments"):
        for group in instrument.facts.words("design_groups"):
            members = [
                (study, appraisal)
                for study, appraisal in found
                if appraisal and appraisal.instrument == instrument.id and study.design_group == group
            ]
            # A study whose design the instrument is not made for is asked about by the checks, and shown.
            if group == instrument.facts.words("design_groups")[0]:
                members += [
                    (study, appraisal)
                    for study, appraisal in found
                    if appraisal
                    and appraisal.instrument == instrument.id
                    and study.design_group not in instrument.facts.words("design_groups")
                ]
            if members:
                rows = [row for study, one in members for row in _rows(one, names[study.id], instrument)]
                several = len(instrument.facts.words("design_groups")) > 1
                blocks.append(
                    _block(instrument, members[0][1].domains, tuple(rows), group if several else "")
                )
    lacking = [names[study.id] for study, appraisal in found if appraisal is None]
    notes = (f"Not appraised: {', '.join(lacking)}.",) if lacking else ()
    return AppraisalContent(title=title, blocks=tuple(blocks), footnotes=notes)


def shares_content(analyses: Sequence[AnalysisFinding], *, title: str = "") -> SharesContent:
    """Collect the share of the weight at each concern, for every analysis with studies."""
    with_studies = [finding for finding in analyses if finding.concerns]
    occurring = [
        concern
        for concern in CONCERNS
        if any(share.concern == concern for finding in with_studies for share in finding.concerns)
    ]
    rows = []
    for finding in with_studies:
        shares = {share.concern: share for share in finding.concerns}
        cells = tuple(
            ShareCell(
                studies=len(shares[key].studies), weight=shares[key].weight, percent=shares[key].percent
            )
            if key in shares
            else None
            for key in occurring
        )
        subject = finding.comparison.label if finding.comparison else finding.plan.techniques_label
        measure = MEASURES[finding.plan.measure].label
        about = f"{subject[:1].upper()}{subject[1:]}, {measure[:1].lower()}{measure[1:]}"
        rows.append(ShareRow(label=finding.term.label, about=about, cells=cells))
    bare = any(cell and cell.weight is None for row in rows for cell in row.cells)
    notes = ("No bar: the model gives studies no weights.",) if bare else ()
    labels = tuple(CONCERNS[key][:1].upper() + CONCERNS[key][1:] for key in occurring)
    return SharesContent(title=title, concerns=labels, rows=tuple(rows), footnotes=notes)


def appraisal_text(content: AppraisalContent) -> str:
    """Say in words what the picture shows, for those who cannot see it."""
    parts = []
    for block in content.blocks:
        tally: dict[str, int] = {}
        for row in block.rows:
            words = row.overall_words
            tally[words] = tally.get(words, 0) + 1
        rows = count(len(block.rows), "row")
        counts = listed(
            [f"{words} {number} times" if number > 1 else f"{words} once" for words, number in tally.items()]
        )
        parts.append(f"{block.label}, {rows}: {counts}.")
    return " ".join([*parts, *content.footnotes])


def _block(
    instrument: Term, domains: tuple[str, ...], rows: tuple[AppraisalRow, ...], group: str
) -> AppraisalBlock:
    names = vocabulary("appraisal_domains")
    label = instrument.label + (f" ({group})" if group else "")
    return AppraisalBlock(
        label=label,
        source=instrument.facts.text("source"),
        domains=tuple(names[domain].label for domain in domains),
        overall_heading="Overall" if has_overall(instrument) else "In all",
        ladder=tuple(_gauge(instrument, level) for level in instrument.facts.words("judgements")),
        rows=rows,
    )


def _rows(appraisal: StudyAppraisal, name: str, instrument: Term) -> list[AppraisalRow]:
    outcomes = vocabulary("outcomes")
    rows = []
    for outcome in (ALL, *appraisal.outcomes):
        judged = {row.domain: row for row in appraisal.for_outcome(outcome)}
        if outcome == ALL and not judged:
            continue
        overall = appraisal.overall(outcome)
        about = (
            ""
            if outcome == ALL
            else f"for {outcomes[outcome].label[:1].lower()}{outcomes[outcome].label[1:]}"
        )
        rows.append(
            AppraisalRow(
                study=name,
                about=about,
                gauges=tuple(
                    _gauge_of(instrument, judged.get(domain))
                    for domain in domains_asked(instrument, appraisal.design_group)
                ),
                overall=_gauge(instrument, overall.level) if overall.level else None,
                overall_words=overall.label,
                remarks=_remarks(overall),
            )
        )
    return rows


def _remarks(overall: Overall) -> tuple[str, ...]:
    if not overall.level:
        return ()
    if not overall.confirmed:
        return ("not confirmed",)
    if overall.changed:
        rule = vocabulary("appraisal_levels")[overall.proposed].label.lower() if overall.proposed else "none"
        return (f"rule: {rule}",)
    return ()


def _gauge_of(instrument: Term, judgement: Judgement | None) -> Gauge | None:
    return _gauge(instrument, judgement.level) if judgement else None


def _gauge(instrument: Term, level: str) -> Gauge:
    """Return the gauge of a level: its place among those levels of the instrument that mean a concern."""
    scale = vocabulary("appraisal_levels")
    term = scale[level]
    concern = term.facts.text("concern")
    if concern in {"not_known", "not_asked"}:
        return Gauge(words=term.label, asked=concern == "not_known")
    rungs = [
        name
        for name in instrument.facts.words("judgements")
        if scale[name].facts.text("concern") not in {"not_known", "not_asked"}
    ]
    place = rungs.index(level) if level in rungs else len(rungs) - 1
    return Gauge(words=term.label, fill=fill_of(place, rungs))


def appraisal_pieces(content: AppraisalContent, most: int = 14) -> tuple[AppraisalContent, ...]:
    """Cut a picture into pieces of at most `most` rows, between instruments where they fit a piece.

    A study and its outcomes judged apart may come to stand in two pieces; each row carries the study's name.
    """
    pieces: list[list[AppraisalBlock]] = [[]]
    room = most
    for block in content.blocks:
        rows = block.rows
        if len(rows) > room and room < most:
            pieces.append([])
            room = most
        while rows:
            part, rows = rows[:room], rows[room:]
            pieces[-1].append(replace(block, rows=part))
            room -= len(part)
            if rows:
                pieces.append([])
                room = most
    last = len(pieces) - 1
    return tuple(
        replace(content, blocks=tuple(blocks), footnotes=content.footnotes if number == last else ())
        for number, blocks in enumerate(pieces)
        if blocks
    )
