"""The long folds of a large page, moved into an appendix beside it: what nobody opens need not be loaded.

A page of hundreds of figures holds thousands of rows behind folds. They stand in one more page, in their
order, each under the heading that it had, and the page links to them; nothing is left out.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

APPENDIX = "report_appendix.html"
LONGEST_FOLD = 1_500
"""Characters of a fold that the page itself keeps."""
_FOLD = re.compile(
    r"<details>\n<summary([^>]*)>(?!<h\d)((?:(?!</summary>).)*)</summary>\n"
    r"((?:(?!<details>).)*?)\n</details>",
    re.DOTALL,
)
"""A fold that holds no other; a whole article, whose summary is a heading, is none."""
_HEADING = re.compile(r'<h[3-6][^>]*>(.*?)</h[3-6]>(?:<span class="what">(.*?)</span>)?', re.DOTALL)
_LINKED = re.compile(r'href="#([^"]+)"')
_NAMED = re.compile(r'\bid="([^"]+)"')


@dataclass(frozen=True, slots=True, kw_only=True)
class Fold:
    """A fold in the appendix: section and heading that it stood under, its own title, and what it holds."""

    name: str
    section: str
    heading: str
    title: str
    html: str


def apart(sections: Sequence[tuple[str, str, bool]], home: str) -> tuple[list[str], list[Fold]]:
    """Take the long folds out of sections; a fold that links of the page lead into stays.

    Parameters
    ----------
    sections : sequence of (str, str, bool)
        Title and HTML of each, all texts escaped, and whether all of it stays (the brief and its cautions).
    home : str
        The page, which links of the appendix lead to.

    Returns
    -------
    list of str, list of Fold
        The sections with a link in the place of each fold, and the folds in their order.
    """
    led_to = {found for _, html, _ in sections for found in _LINKED.findall(html)}
    folds: list[Fold] = []
    kept = []
    for section, html, stays in sections:
        kept.append(html if stays else "".join(_parts(html, section, led_to, folds, home)))
    return kept, folds


def _parts(html: str, section: str, led_to: set[str], folds: list[Fold], home: str) -> Iterator[str]:
    """Yield the HTML of a section piece by piece, collecting its long folds."""
    done, heading = 0, ""
    for found in _FOLD.finditer(html):
        before = html[done : found.start()]
        for title, about in _HEADING.findall(before)[-1:]:
            heading = f'{title}<span class="sub">{about}</span>' if about else title
        yield before
        done = found.end()
        if len(found[3]) <= LONGEST_FOLD or led_to & set(_NAMED.findall(found[3])):
            yield found[0]
            continue
        name = f"fold-{len(folds) + 1}"
        moved = found[3].replace(
            'href="#', f'href="{home}#'
        )  # ours alone: in a typed text the signs are escaped
        folds.append(Fold(name=name, section=section, heading=heading, title=found[2], html=moved))
        yield (
            f'<p class="quiet apart"{found[1]}><a href="{APPENDIX}#{name}">{found[2]}</a>, '
            "in the appendix beside this page</p>"
        )
    yield html[done:]
