"""All techniques against the reference: one row each, the kind of evidence told by shape and in words."""

from __future__ import annotations

from metakit.core.written import count, decimals_for, on_axis
from metakit.errors import NotEstimableError
from metakit.measures.natural import Natural
from metakit.networks.answer import NetworkAnalysis, PartAnalysis
from metakit.networks.splitting import indirect_evidence
from metakit.plots.footing import axis_name
from metakit.plots.networks.network_marks import SHAPES, EstimateMark
from metakit.plots.networks.network_registry import (
    NETWORK_FIGURES,
    NetworkFigure,
    NetworkWords,
    network_natural,
)
from metakit.plots.networks.network_rows import NetworkRow, RowsContent, lay_out_rows
from metakit.plots.registry import Built
from metakit.plots.scale import Interval
from metakit.synthesis.networking.network_words import EVIDENCE_SHORT, Evidence


def network_forest_content(found: NetworkAnalysis, words: NetworkWords, *, title: str = "") -> RowsContent:
    """Return one row a technique of the part of the reference, and one each that is extrapolated.

    Raises
    ------
    NotEstimableError
        If nothing but the reference is there.
    """
    natural = network_natural(found)
    item = found.parts[0]
    part = item.part
    rows: list[tuple[str, Evidence, int, Interval, tuple[float, float] | None]] = []
    evidence = evidence_of_pairs(item)
    for technique in part.techniques:
        if technique == item.reference:
            continue
        contrast = part.contrast(technique, item.reference)
        kind, studies = evidence[technique]
        ahead = contrast.prediction
        rows.append(
            (
                technique, kind, studies, interval_of(natural, contrast.estimate, contrast.interval),
                (natural.value(ahead[0]), natural.value(ahead[1])) if ahead else None,
            )
        )  # fmt: skip
    rows.sort(key=lambda row: (row[3][0], row[0]))
    for far in words.extrapolated:
        if far.comparator == item.reference:
            rows.append((far.technique, "extrapolated", 0, (far.estimate, *far.interval), None))
    if not rows:
        raise NotEstimableError("there is nothing to compare with the reference")
    drawn = [
        NetworkRow(
            label=words.label(technique),
            quiet=(
                f"{count(studies, 'study', 'studies')}, {EVIDENCE_SHORT[kind]}"
                if studies
                else EVIDENCE_SHORT[kind],
            ),
            numbers=number_lines(natural, interval, [row[3] for row in rows]),
            marks=(EstimateMark(interval=interval, evidence=kind, prediction=prediction),),
        )
        for technique, kind, studies, interval, prediction in rows
    ]
    kinds = [kind for kind in SHAPES if any(row[1] == kind for row in rows)]
    key = "; ".join(SHAPES[kind] for kind in kinds)
    level = f"{100 * part.level:.4g} %"
    notes = [f"{key[:1].upper()}{key[1:]}. Line: {level} interval."]
    if any(row[4] for row in rows):
        notes.append(
            f"Dashed line in brackets: {level} prediction interval, the range expected in a new centre."
        )
    if len(found.parts) > 1:
        apart = sum(len(other.part.techniques) for other in found.parts[1:])
        notes.append(
            f"No study connects {count(apart, 'technique', 'techniques')} of other groups with these."
        )
    return RowsContent(
        title=title,
        rows=tuple(drawn),
        label_heading=f"Against {words.within(item.reference)}",
        numbers_heading=(natural.heading, f"{level} interval"),
        axis_name=axis_name(natural.heading, words.unit or natural.unit, natural.axis),
        axis=natural.axis,
        null=natural.null,
        mark_height=18 if any(row[4] for row in rows) else 10,
        left_words=words.left_words,
        right_words=words.right_words,
        notes=tuple(notes),
    )


def evidence_of_pairs(item: PartAnalysis) -> dict[str, tuple[Evidence, int]]:
    """Return each technique's evidence against the reference, and how many studies compare the two."""
    members: dict[str, set[str]] = {}
    for study, technique in zip(item.part.arms.study, item.part.arms.technique, strict=True):
        members.setdefault(study, set()).add(technique)
    others = [name for name in item.part.techniques if name != item.reference]
    studies = {name: sum({name, item.reference} <= names for names in members.values()) for name in others}
    compared = [name for name in others if studies[name]]
    mixed = indirect_evidence(item.part.arms, [(name, item.reference) for name in compared])
    kinds: dict[str, Evidence] = dict.fromkeys(others, "indirect")
    for name, both in zip(compared, mixed, strict=True):
        kinds[name] = "direct_and_indirect" if both else "direct"
    return {name: (kinds[name], studies[name]) for name in others}


def interval_of(natural: Natural, estimate: float, interval: tuple[float, float]) -> Interval:
    """Return an estimate with its limits in natural units."""
    return natural.value(estimate), natural.value(interval[0]), natural.value(interval[1])


def number_lines(natural: Natural, interval: Interval, peers: list[Interval]) -> tuple[str, str]:
    """Return estimate and interval as two lines, with the decimals of all rows."""
    factor = 100 if natural.axis == "percent" else 1
    decimals = decimals_for(factor * (upper - lower) for _, lower, upper in peers)
    estimate, lower, upper = (on_axis(value, natural.axis, decimals) for value in interval)
    return estimate, f"{lower} to {upper}"


def rows_text(content: RowsContent, lead: str) -> str:
    """Return the words that stand for a picture of rows: each label with its numbers and kind."""
    told = []
    for row in content.rows:
        numbers = f"{row.numbers[0]} ({row.numbers[1]})" if len(row.numbers) > 1 else "".join(row.numbers)
        about = "; ".join((*row.numbers[2:], *row.quiet))
        told.append(f"{row.label}: {numbers}{', ' if numbers and about else ''}{about}")
    return f"{lead} {'; '.join(told)}."


def build_network_forest(
    found: NetworkAnalysis,
    *,
    words: NetworkWords = NetworkWords(),  # noqa: B008
    title: str = "",
    width_mm: float = 180,
) -> Built:
    """Draw all techniques against the reference."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    content = network_forest_content(found, words, title=title)
    scene = lay_out_rows(content, width_mm=width_mm, measure=text_width)
    lead = f"{content.numbers_heading[0]} {content.label_heading[:1].lower()}{content.label_heading[1:]}."
    return Built(parts=(scene_figure(scene, title),), text=rows_text(content, lead))


NETWORK_FIGURES.add(
    NetworkFigure(name="forest", label="All techniques against the reference", build=build_network_forest)
)
