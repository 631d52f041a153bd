"""A long forest plot cut into parts that fit a page: between rows, all on one axis, means at the end."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from metakit.errors import UsageError
from metakit.plots import style
from metakit.plots.forests.content import ForestContent, ForestGroup
from metakit.plots.forests.layout import lay_out
from metakit.plots.text import text_width

LEAST_MM = 80.0


def in_pages(
    content: ForestContent, *, width_mm: float, page_height_mm: float | None
) -> tuple[ForestContent, ...]:
    """Return the content itself, or as many parts as a page height asks for.

    A group that goes on keeps its label on the next part; its mean stands after its last study. Weights stay
    those of the whole.

    Raises
    ------
    UsageError
        For a page that is too low for a few rows.
    """
    if page_height_mm is None:
        return (content,)
    if page_height_mm < LEAST_MM:
        raise UsageError(f"a page {page_height_mm:g} mm high holds too little; at least {LEAST_MM:g} mm")
    limit = page_height_mm * style.MM
    height = partial(_height, width_mm=width_mm)
    if height(content) <= limit:
        return (content,)
    studies = len(content.rows)
    parts: list[ForestContent] = []
    start = 0
    while start < studies:
        fits, fails = start + 1, studies + 1
        while fails - fits > 1:
            middle = (fits + fails) // 2
            if height(_part(content, start, middle)) <= limit:
                fits = middle
            else:
                fails = middle
        parts.append(_part(content, start, fits))
        start = fits
    titled = [
        replace(part, title=f"{content.title} ({number} of {len(parts)})".strip())
        for number, part in enumerate(parts, 1)
    ]
    return tuple(titled)


def _height(content: ForestContent, *, width_mm: float) -> float:
    return lay_out(content, width_mm=width_mm, measure=text_width).scene.height


def _part(content: ForestContent, start: int, end: int) -> ForestContent:
    """Return studies `start` to `end` of the whole, with the means that belong after them."""
    groups: list[ForestGroup] = []
    first = 0
    for group in content.groups:
        last = first + len(group.rows)
        rows = group.rows[max(start - first, 0) : max(end - first, 0)]
        if rows:
            label = f"{group.label} (continued)" if group.label and start > first else group.label
            summary = group.summary if end >= last else None
            groups.append(ForestGroup(label=label, rows=rows, summary=summary))
        first = last
    whole = end >= len(content.rows)
    return replace(
        content, groups=tuple(groups), summary=content.summary if whole else None, part_of=content,
        first_row=start, footnotes=content.footnotes if whole else (),
        between=content.between if whole else "",
    )  # fmt: skip
