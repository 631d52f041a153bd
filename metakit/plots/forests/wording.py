"""The words of a forest plot before they are laid out: numbers written alike within a column. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from metakit.core.written import decimals_for, on_axis, raised, shares
from metakit.plots.forests.content import ForestContent, ForestRow, ForestSummary, LimitSide
from metakit.plots.text import clean_text

NOT_ESTIMABLE = "not estimable"


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """The words of one row before they are laid out; `weight` is "" where there is none."""

    label: str
    mark: str = ""
    estimate: str = ""
    interval: str = ""
    cells: tuple[str, ...] = ()
    narrow: tuple[str, ...] = ()
    weight: str = ""


@dataclass(slots=True, kw_only=True)
class Wording:
    """All words of a forest plot, by study (in order), by group mean and for the mean over all."""

    studies: list[Words] = field(default_factory=list)
    group_means: list[Words | None] = field(default_factory=list)
    mean: Words | None = None
    predictions: dict[int, Words] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    weighted: bool = False
    weights_within_groups: bool = False


def label_of_level(level: float) -> str:
    """Write the level of an interval."""
    return f"{100 * level:.4g} %"


def limit_words(side: LimitSide, value: float, say: Callable[[float], str]) -> str:
    """Say the one limit of a study or mean that has no estimate.

    Examples
    --------
    >>> limit_words("upper", 0.98, str)
    'at most 0.98'
    """
    return f"{'at most' if side == 'upper' else 'at least'} {say(value)}"


def word_everything(content: ForestContent) -> Wording:
    """Turn numbers into words: one set of decimals in a column, weights that add up to exactly 100.0."""
    if content.part_of is not None:
        return _words_of_part(content, word_everything(content.part_of))
    wording = Wording()
    factor = 100 if content.axis == "percent" else 1
    known = [row.interval for row in content.rows if row.interval is not None]
    known += [(mean.estimate, mean.lower, mean.upper) for mean in content.summaries]
    decimals = decimals_for(factor * (upper - lower) for _, lower, upper in known)
    if content.axis == "percent":
        decimals = max(decimals, 1)

    def say(value: float) -> str:
        return on_axis(value, content.axis, decimals)

    weights = _shown_weights(content, wording)
    for row, weight in zip(content.rows, weights, strict=True):
        mark = _footnote(wording, row.note)
        if row.interval is None:
            numbers = (NOT_ESTIMABLE if row.limit is None else limit_words(*row.limit, say), "")
        else:
            estimate, lower, upper = row.interval
            numbers = (say(estimate), f"{say(lower)} to {say(upper)}")
        wording.studies.append(
            Words(
                label=clean_text(row.study), mark=mark, estimate=numbers[0], interval=numbers[1],
                cells=tuple(map(clean_text, row.cells)), weight=weight,
                narrow=tuple(map(clean_text, row.narrow or row.cells)),
            )
        )  # fmt: skip

    def mean_words(mean: ForestSummary, index: int, total: str) -> Words:
        if mean.prediction is not None:
            low, high = mean.prediction
            wording.predictions[index] = Words(
                label=f"New centre, {label_of_level(content.level)}",
                interval=f"{say(low)} to {say(high)}",
            )
        return Words(
            label=clean_text(mean.label), estimate=say(mean.estimate),
            interval=f"{say(mean.lower)} to {say(mean.upper)}", cells=tuple(map(clean_text, mean.cells)),
            weight=total, narrow=tuple(map(clean_text, mean.narrow or mean.cells)),
        )  # fmt: skip

    start = 0
    for index, group in enumerate(content.groups):
        ours = weights[start : start + len(group.rows)]
        start += len(group.rows)
        total = _total(ours)
        wording.group_means.append(mean_words(group.summary, index, total) if group.summary else None)
    if content.summary is not None:
        total = "" if wording.weights_within_groups else _total(weights)
        wording.mean = mean_words(content.summary, len(content.groups), total)
    return wording


def _words_of_part(content: ForestContent, whole: Wording) -> Wording:
    """Take the words of some rows from those of the whole; notes of other rows become empty."""
    part = Wording(weighted=whole.weighted, weights_within_groups=whole.weights_within_groups)
    part.studies = whole.studies[content.first_row : content.first_row + len(content.rows)]
    marks = {words.mark for words in part.studies}
    part.notes = [note if raised(number) in marks else "" for number, note in enumerate(whole.notes, 1)]
    groups = content.part_of.groups if content.part_of else ()
    start, met = 0, 0
    for index, group in enumerate(groups):
        end = start + len(group.rows)
        if start < content.first_row + len(content.rows) and end > content.first_row:
            shown = content.groups[met].summary is not None
            part.group_means.append(whole.group_means[index] if shown else None)
            if shown and index in whole.predictions:
                part.predictions[met] = whole.predictions[index]
            met += 1
        start = end
    if content.summary is not None:
        part.mean = whole.mean
        if len(groups) in whole.predictions:
            part.predictions[met] = whole.predictions[len(groups)]
    return part


def _footnote(wording: Wording, note: str) -> str:
    note = clean_text(note)
    if not note:
        return ""
    if note not in wording.notes:
        wording.notes.append(note)
    return raised(wording.notes.index(note) + 1)


def _shown_weights(content: ForestContent, wording: Wording) -> list[str]:
    """Show weights as percent: of all studies where they add up to 1, else within each group."""

    def shown(rows: tuple[ForestRow, ...]) -> list[str]:
        carriers = [row.weight for row in rows if row.weight is not None]
        texts = iter(shares(carriers)) if carriers else iter(())
        return [next(texts) if row.weight is not None else "" for row in rows]

    wording.weighted = any(row.weight is not None for row in content.rows)
    if content.weights_add_up(content.rows):
        return shown(content.rows)
    wording.weights_within_groups = True
    return [text for group in content.groups for text in shown(group.rows)]


def _total(shown: list[str]) -> str:
    tenths = sum(round(10 * float(text)) for text in shown if text)
    return f"{tenths / 10:.1f}" if any(shown) else ""


def one_line(words: Words) -> str:
    """Return estimate and interval in one line, as 'estimate (lower to upper)'."""
    if words.estimate and words.interval:
        return f"{words.estimate} ({words.interval})"
    return words.estimate or words.interval
