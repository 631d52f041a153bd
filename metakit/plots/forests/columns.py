"""The columns of a forest plot: what stands in each, how wide it is, whether they fit side by side. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, groupby, pairwise

from metakit.plots import style
from metakit.plots.forests.content import ForestContent, ForestGroup
from metakit.plots.forests.wording import NOT_ESTIMABLE, Wording, Words, label_of_level, one_line
from metakit.plots.style import Type
from metakit.plots.text import TextWidth, clean_text, wrap

GAP = 9.0
TIGHT_GAP = 6.0
MARGIN = 7.0
GAUGE = 26.0
"""Length of the track of a gauge in points."""
MOST_HEADING_LINES = 10
LEAST_PICTURE = 30 * style.MM
"""Narrowest picture part in which intervals can be told apart."""
SIDE_BY_SIDE = 110.0
"""Narrowest picture part, in points, beside which columns stand; below it, cells go under the names."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spanner:
    """A heading over neighbouring columns: its words, the first and last column, its ends in points."""

    text: str
    first: int
    last: int
    ends: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Widths and places in points. `stacked`: cells and weight stand under the study's name.

    `study`, `estimate`, each of `cells` and `weight` are (left, right); so is `panel`. A stacked figure has
    places for gauges alone. `under` holds, for each line under a stacked name, which of its pieces stand in
    it, out of those that `hidden` of the last cells are not among.
    """

    stacked: bool
    study: tuple[float, float]
    estimate: tuple[float, float]
    panel: tuple[float, float]
    cells: tuple[tuple[float, float] | None, ...]
    weight: tuple[float, float] | None
    one_line_estimate: bool
    spanners: tuple[Spanner, ...] = ()
    under: tuple[tuple[int, ...], ...] = ()
    versus: bool = False
    hidden: int = 0
    weight_right: bool = False
    """Whether a stacked row's weight stands below its interval, where it would stand alone below the name."""


def plan_columns(
    content: ForestContent, wording: Wording, *, width: float, type_: Type, measure: TextWidth
) -> Columns:
    """Place the columns: study, chosen cells, estimate, picture, cells, weight; stacked where too wide."""
    body = type_.body
    means = [mean for mean in (*wording.group_means, wording.mean) if mean is not None]
    numbered = [*wording.studies, *means, *wording.predictions.values()]

    def widest(texts: list[str], *, bold: bool = False) -> float:
        return max((measure(text, body, bold) for text in texts), default=0.0)

    level = measure(f"{label_of_level(content.level)} interval", body, False)

    def longest_word(heading: str) -> float:
        return widest(clean_text(heading).replace("/", "/ ").split(), bold=True)

    plain = widest([one_line(words) for words in wording.studies])
    bold = widest([one_line(words) for words in numbered], bold=True)
    estimate = max(plain, bold if means else 0.0, min(longest_word(content.estimate_heading), 90.0), level)
    cells = [
        max(
            GAUGE if content.place(i).gauge
            else widest([words.cells[i] for words in numbered if words.cells], bold=True),
            min(longest_word(heading), 90.0),
        )
        for i, heading in enumerate(content.headings)
    ]  # fmt: skip
    spanners = _spanners(content)
    for spanner in spanners:
        several = range(spanner.first, spanner.last + 1)
        joint = sum(cells[i] for i in several) + GAP * (len(several) - 1)
        lacking = min(longest_word(spanner.text), 90.0) - joint
        for i in several:
            cells[i] += max(lacking, 0.0) / len(several)
    weight = max(widest(["100.0"], bold=True), measure("Weight", body, True)) if wording.weighted else 0.0
    named = [words.label + words.mark for words in (*wording.studies, *wording.predictions.values())]
    names = max(widest(named), 7 * body)
    word = widest([part for text in named for part in text.split()])
    labels = widest([words.label for words in means], bold=True)
    label_word = widest([part for words in means for part in words.label.split()], bold=True)
    lined = widest([words.interval for words in numbered], bold=bool(means))
    heading = min(longest_word(content.estimate_heading), 90.0)
    narrow_estimate = max(lined, widest([NOT_ESTIMABLE]), heading, level)

    def room_of(estimate: float, gap: float) -> float:
        gaps = gap * (2 + len(cells) + bool(weight))
        return width - 2 * MARGIN - gaps - estimate - sum(cells) - weight

    room = room_of(estimate, GAP)
    study = min(names, 0.30 * width)
    if room - study < 130:  # names give way to the picture, down to a sixth of the figure
        study = max(min(study, room - 130), min(names, 0.17 * width))
    study = max(study, min(labels, 0.26 * width, room - 165))  # labels of means take only what is left over
    study = max(study, min(label_word, 0.26 * width))  # but no word of theirs is broken
    study = max(study, min(word, room - SIDE_BY_SIDE))  # nor one of a name, while the picture has its room
    if room - study > 0.45 * width:  # nor does a name break beside a picture that could spare the room
        study = max(study, min(names, room - 0.45 * width))
    put = _Table(content=content, width=width, cells=cells, weight=weight, spanners=spanners)
    if room - study >= SIDE_BY_SIDE:
        return put.placed(study, estimate, GAP, one_line=True)
    if len(cells) > 2 or any(content.place(i).side == "left" for i in range(len(cells))):
        # More columns than the usual: closer together, then with the interval below its estimate.
        least = max(min(names, 0.17 * width), label_word, min(word, 0.25 * width))
        for needed, whole in ((estimate, True), (narrow_estimate, False)):
            room = room_of(needed, TIGHT_GAP)
            if room - least >= LEAST_PICTURE:
                study = max(least, min(names, 0.30 * width, room - SIDE_BY_SIDE))
                return put.placed(study, needed, TIGHT_GAP, one_line=whole)
    estimate = min(max(lined, widest([NOT_ESTIMABLE]), heading), 0.30 * width)
    room = width - 2 * MARGIN - 2 * TIGHT_GAP - estimate
    gauges = [i for i in range(len(cells)) if content.place(i).gauge]
    held = sum(cells[i] + TIGHT_GAP for i in gauges)
    if room - held - LEAST_PICTURE < max(0.17 * width, 90.0):
        gauges, held = [], 0.0  # too narrow for marks: the judgements stand below the names in words
    room -= held
    most = room - LEAST_PICTURE
    hidden = len(gauges)
    under = _lines_under(wording, content.versus, hidden, most, type_.small, measure)
    alone = wording.weighted and len(under) > 1 and len(under[-1]) == 1
    under = under[:-1] if alone else under
    lines = _all_under(wording, content.versus, hidden, under)
    needed = max((measure(line, type_.small, False) for line in lines), default=0.0)
    study = min(max(min(names, 0.45 * room), word, needed, 0.4 * room), most)
    left = MARGIN + study + TIGHT_GAP
    places: list[tuple[float, float] | None] = [None] * len(cells)
    for i in gauges:
        places[i] = (left, left + cells[i])
        left += cells[i] + TIGHT_GAP
    return Columns(
        stacked=True, study=(MARGIN, MARGIN + study), panel=(left, width - MARGIN - estimate - TIGHT_GAP),
        estimate=(width - MARGIN - estimate, width - MARGIN), cells=tuple(places), weight=None,
        one_line_estimate=False, hidden=hidden, weight_right=alone,
        under=under, versus=content.versus,
    )  # fmt: skip


def _spanners(content: ForestContent) -> tuple[Spanner, ...]:
    """Return the headings that neighbours share."""
    found = []
    places = [(i, content.place(i)) for i in range(len(content.headings))]
    for (over, _), run in groupby(places, key=lambda item: (item[1].over, item[1].side)):
        some = [i for i, _ in run]
        if over:
            found.append(Spanner(text=over, first=some[0], last=some[-1]))
    return tuple(found)


def pieces_of(words: Words, hidden: int) -> tuple[str, ...]:
    """Return what stands under a stacked name, piece by piece: cells, then the weight.

    The last `hidden` cells stand beside it as marks.
    """
    weight = f"{words.weight} %" if words.weight else ""
    return (*words.narrow[: len(words.narrow) - hidden], weight)


def _lines_under(
    wording: Wording, versus: bool, hidden: int, room: float, size: float, measure: TextWidth
) -> tuple[tuple[int, ...], ...]:
    """Share the pieces under every name among as few lines as fit, none left alone if that can be helped."""
    pieces = max((len(pieces_of(words, hidden)) for words in wording.studies), default=0)
    best: tuple[tuple[int, ...], ...] = ()
    for lines in range(1, pieces + 1):
        splits = []
        for cuts in combinations(range(1, pieces), lines - 1):
            edges = (0, *cuts, pieces)
            split = tuple(tuple(range(start, end)) for start, end in pairwise(edges))
            widths = [measure(line, size, False) for line in _all_under(wording, versus, hidden, split)]
            splits.append(
                (max(widths, default=0.0) > room, len(split[-1]) == 1, max(widths, default=0.0), split)
            )
        best = min(splits)[-1]
        if not min(splits)[0]:
            break
    return best


def _all_under(wording: Wording, versus: bool, hidden: int, split: tuple[tuple[int, ...], ...]) -> list[str]:
    means = [mean for mean in (*wording.group_means, wording.mean) if mean is not None]
    some = [pieces_of(words, hidden) for words in (*wording.studies, *means)]
    return [line for pieces in some for line in joined(pieces, split, versus)]


def joined(pieces: Sequence[str], split: tuple[tuple[int, ...], ...], versus: bool) -> tuple[str, ...]:
    """Write pieces in lines; of two arms the first ends with 'v'."""
    lines = []
    for line in split:
        text = ""
        for i in line:
            if i >= len(pieces) or not pieces[i]:
                continue
            first = versus and i == 0 and len(pieces) > 1 and bool(pieces[1])
            text += (
                (" " if text.endswith(" v") else " · " if text else "") + pieces[i] + (" v" if first else "")
            )
        if text:
            lines.append(text)
    return tuple(lines)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Table:
    """Columns that stand side by side, with the widths of their cells."""

    content: ForestContent
    width: float
    cells: list[float]
    weight: float
    spanners: tuple[Spanner, ...]

    def placed(self, study: float, estimate: float, gap: float, *, one_line: bool) -> Columns:
        """Return the places of all columns; what is left over is the picture's."""
        cells, right = self.cells, self.width - MARGIN
        weight = None
        if self.weight:
            weight = (right - self.weight, right)
            right -= self.weight + gap
        places: dict[int, tuple[float, float]] = {}
        at_right = [i for i in range(len(cells)) if self.content.place(i).side == "right"]
        for i in reversed(at_right):
            places[i] = (right - cells[i], right)
            right -= cells[i] + gap
        start = MARGIN + study + gap
        for i in range(len(cells)):
            if i not in places:
                places[i] = (start, start + cells[i])
                start += cells[i] + gap
        return Columns(
            stacked=False, study=(MARGIN, MARGIN + study), estimate=(start, start + estimate),
            panel=(start + estimate + gap, right), cells=tuple(places[i] for i in range(len(cells))),
            weight=weight, one_line_estimate=one_line,
            spanners=tuple(
                replace(spanner, ends=(places[spanner.first][0], places[spanner.last][1]))
                for spanner in self.spanners
            ),
        )  # fmt: skip


def label_lines(
    words: Words, columns: Columns, *, type_: Type, measure: TextWidth, bold: bool, most: int
) -> tuple[str, ...]:
    """Return a row's label, wrapped, its footnote mark kept whole.

    The label of a mean runs on over columns that are empty in its row, up to its estimate.
    """
    room = columns.study[1] - columns.study[0]
    beside = [
        cell
        for cell, place in zip(words.cells, columns.cells, strict=False)
        if cell and place is not None and place[1] <= columns.estimate[0]
    ]
    if bold and columns.one_line_estimate and not beside:
        numbers = measure(one_line(words), type_.body, bold)
        room = max(room, columns.estimate[1] - numbers - GAP - columns.study[0])
    for_mark = measure(words.mark, type_.body, bold)
    if breaks_words(words, columns, type_=type_, measure=measure, bold=bold):
        room = columns.estimate[1] - columns.study[0]
    lines = list(wrap(words.label, type_.body, room - for_mark, measure, bold=bold, most=most))
    lines[-1] += words.mark
    return tuple(lines)


def breaks_words(words: Words, columns: Columns, *, type_: Type, measure: TextWidth, bold: bool) -> bool:
    """Return whether a stacked name has a word wider than its column: it then has lines of its own."""
    room = columns.study[1] - columns.study[0] - measure(words.mark, type_.body, bold)
    return columns.stacked and any(
        measure(word, type_.body, bold) > room + 0.01 for word in words.label.split()
    )


def under_label(words: Words, columns: Columns, *, type_: Type, measure: TextWidth) -> tuple[str, ...]:
    """Return what stands in quiet type under a stacked label: cells, then the weight."""
    if not columns.stacked:
        return ()
    room = columns.study[1] - columns.study[0]
    lines = joined(pieces_of(words, columns.hidden), columns.under, columns.versus)
    return tuple(part for line in lines for part in wrap(line, type_.small, room, measure))


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
