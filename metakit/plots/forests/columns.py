"""The table beside a forest plot: what stands in each column, how wide it is, whether it fits. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field

from metakit.core.written import decimals_for, on_axis, raised, shares
from metakit.plots.forests.content import ForestContent, ForestGroup, ForestRow, ForestSummary
from metakit.plots.style import Type
from metakit.plots.text import TextWidth, clean_text, wrap

GAP = 9.0
TIGHT_GAP = 6.0
MARGIN = 7.0
NOT_ESTIMABLE = "not estimable"
MOST_HEADING_LINES = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """The words of one row before they are laid out; `weight` is "" where there is none."""

    label: str
    mark: str = ""
    estimate: str = ""
    interval: str = ""
    cells: tuple[str, ...] = ()
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


def _label_of_level(level: float) -> str:
    return f"{100 * level:.4g} %"


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
            numbers = (NOT_ESTIMABLE, "")
        else:
            estimate, lower, upper = row.interval
            numbers = (say(estimate), f"{say(lower)} to {say(upper)}")
        wording.studies.append(
            Words(
                label=clean_text(row.study), mark=mark, estimate=numbers[0], interval=numbers[1],
                cells=tuple(map(clean_text, row.cells)), weight=weight,
            )
        )  # fmt: skip

    def mean_words(mean: ForestSummary, index: int, total: str) -> Words:
        if mean.prediction is not None:
            low, high = mean.prediction
            wording.predictions[index] = Words(
                label=f"New centre, {_label_of_level(content.level)}",
                interval=f"{say(low)} to {say(high)}",
            )
        return Words(
            label=clean_text(mean.label), estimate=say(mean.estimate),
            interval=f"{say(mean.lower)} to {say(mean.upper)}", cells=tuple(map(clean_text, mean.cells)),
            weight=total,
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Widths and places in points. `stacked`: cells and weight stand under the study's name.

    `study`, `estimate`, each of `cells` and `weight` are (left, right); so is `panel`.
    """

    stacked: bool
    study: tuple[float, float]
    estimate: tuple[float, float]
    panel: tuple[float, float]
    cells: tuple[tuple[float, float], ...]
    weight: tuple[float, float] | None
    one_line_estimate: bool


def plan_columns(
    content: ForestContent, wording: Wording, *, width: float, type_: Type, measure: TextWidth
) -> Columns:
    """Place the columns: study, estimate, picture, cells, weight; stacked where they are too wide."""
    body = type_.body
    means = [mean for mean in (*wording.group_means, wording.mean) if mean is not None]
    numbered = [*wording.studies, *means, *wording.predictions.values()]

    def widest(texts: list[str], *, bold: bool = False) -> float:
        return max((measure(text, body, bold) for text in texts), default=0.0)

    level = measure(f"{_label_of_level(content.level)} interval", body, False)

    def heading_width(heading: str) -> float:
        longest = widest(clean_text(heading).replace("/", "/ ").split(), bold=True)
        return min(longest, 90.0)

    plain = widest([one_line(words) for words in wording.studies])
    bold = widest([one_line(words) for words in numbered], bold=True)
    estimate = max(plain, bold if means else 0.0, heading_width(content.estimate_heading), level)
    cells = [
        max(widest([words.cells[i] for words in numbered if words.cells], bold=True), heading_width(heading))
        for i, heading in enumerate(content.headings)
    ]
    weight = max(widest(["100.0"], bold=True), measure("Weight", body, True)) if wording.weighted else 0.0
    names = widest([words.label + words.mark for words in (*wording.studies, *wording.predictions.values())])
    names = max(names, 7 * body)
    labels = widest([words.label for words in means], bold=True)
    gaps = GAP * (2 + len(cells) + bool(weight))
    room = width - 2 * MARGIN - gaps - estimate - sum(cells) - weight
    study = min(names, 0.30 * width)
    if room - study < 130:  # names give way to the picture, down to a sixth of the figure
        study = max(min(study, room - 130), min(names, 0.17 * width))
    study = max(study, min(labels, 0.26 * width, room - 165))  # labels of means take only what is left over
    word = widest([word for words in means for word in words.label.split()], bold=True)
    study = max(study, min(word, 0.26 * width))  # but no word of theirs is broken
    if room - study >= 110:
        return _side_by_side(width, study, estimate, cells, weight)
    lined = widest([words.interval for words in numbered], bold=bool(means))
    estimate = min(max(lined, widest([NOT_ESTIMABLE]), heading_width(content.estimate_heading)), 0.30 * width)
    room = width - 2 * MARGIN - 2 * TIGHT_GAP - estimate
    under = max((measure(_joined(words), type_.small, False) for words in wording.studies), default=0.0)
    study = max(min(max(names, under), room - 70), 0.4 * room)
    left = MARGIN + study + TIGHT_GAP
    return Columns(
        stacked=True, study=(MARGIN, MARGIN + study), panel=(left, width - MARGIN - estimate - TIGHT_GAP),
        estimate=(width - MARGIN - estimate, width - MARGIN), cells=(), weight=None, one_line_estimate=False,
    )  # fmt: skip


def _joined(words: Words) -> str:
    """Return cells and weight in one line, as they stand under a stacked label."""
    joint = " v " if len(words.cells) == 2 else ", "
    texts = [joint.join(cell for cell in words.cells if cell), f"{words.weight} %" if words.weight else ""]
    return " · ".join(text for text in texts if text)


def _side_by_side(width: float, study: float, estimate: float, cells: list[float], weight: float) -> Columns:
    right = width - MARGIN
    weight_place = None
    if weight:
        weight_place = (right - weight, right)
        right -= weight + GAP
    places: list[tuple[float, float]] = []
    for cell in reversed(cells):
        places.insert(0, (right - cell, right))
        right -= cell + GAP
    start = MARGIN + study + GAP
    return Columns(
        stacked=False, study=(MARGIN, MARGIN + study), estimate=(start, start + estimate),
        panel=(start + estimate + GAP, right), cells=tuple(places), weight=weight_place,
        one_line_estimate=True,
    )  # fmt: skip


def one_line(words: Words) -> str:
    """Return estimate and interval in one line, as 'estimate (lower to upper)'."""
    if words.estimate and words.interval:
        return f"{words.estimate} ({words.interval})"
    return words.estimate or words.interval


def label_lines(
    words: Words, columns: Columns, *, type_: Type, measure: TextWidth, bold: bool, most: int
) -> tuple[str, ...]:
    """Return a row's label, wrapped, its footnote mark kept whole, and the stacked cells under it."""
    room = columns.study[1] - columns.study[0]
    for_mark = measure(words.mark, type_.body, bold)
    lines = list(wrap(words.label, type_.body, room - for_mark, measure, bold=bold, most=most))
    lines[-1] += words.mark
    return tuple(lines)


def under_label(words: Words, columns: Columns, *, type_: Type, measure: TextWidth) -> tuple[str, ...]:
    """Return what stands in quiet type under a stacked label: cells, then the weight."""
    if not columns.stacked:
        return ()
    whole = _joined(words)
    return wrap(whole, type_.small, columns.study[1] - columns.study[0], measure) if whole else ()


def estimate_lines(
    words: Words, columns: Columns, *, type_: Type, measure: TextWidth, bold: bool
) -> tuple[str, ...]:
    """Return a row's estimate and interval in as many lines as the column needs."""
    room = columns.estimate[1] - columns.estimate[0]
    if columns.one_line_estimate or not (words.estimate and words.interval):
        return wrap(one_line(words), type_.body, room, measure, bold=bold)
    return (words.estimate, *wrap(words.interval, type_.body, room, measure, bold=bold))


def group_label_lines(group: ForestGroup, width: float, type_: Type, measure: TextWidth) -> tuple[str, ...]:
    """Return a group's heading across the figure."""
    return wrap(clean_text(group.label), type_.body, width - 2 * MARGIN, measure, bold=True)


def heading_lines(
    heading: str, place: tuple[float, float], *, type_: Type, measure: TextWidth
) -> tuple[tuple[str, ...], bool]:
    """Return the lines of a column's heading, and whether its middle was cut for being too long.

    The beginning is the name of an arm, the end says what is counted: both stay.
    """
    lines = wrap(clean_text(heading), type_.body, place[1] - place[0], measure, bold=True)
    if len(lines) <= MOST_HEADING_LINES:
        return lines, False
    return (*lines[: MOST_HEADING_LINES - 4], "…", *lines[-3:]), True
