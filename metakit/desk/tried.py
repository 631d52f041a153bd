"""Answers that move: what a page asks to try, found again by the hash of what it rests on."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from metakit.desk.reviewing import Reviewed, reviewed
from metakit.desk.state import Desk
from metakit.errors import UsageError

if TYPE_CHECKING:
    from metakit.synthesis.findings import AnalysisFinding
    from metakit.synthesis.tried import Choice, Trials

FOREST_MM = 160.0
_EVENT = re.compile(r"(?P<study>[^|]+)\|(?P<arm>[^|]+)\|(?P<change>[+-]1)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """An answer as the page shows it: sentences, what set studies aside, forest plot as SVG and in words.

    `axis` are the ends of its axis in natural units; None without a picture.
    """

    sentences: tuple[str, ...]
    set_aside: tuple[tuple[str, str], ...]
    picture: str
    words: str
    axis: tuple[float, float] | None = None


def trials_of(desk: Desk, analysis: str) -> tuple[Trials, str]:
    """Return an analysis to be tried, and the hash of what it rests on.

    Raises
    ------
    UsageError
        When the plan has no such analysis.
    MetakitError
        Where files of the review hold errors.
    """
    found = reviewed(desk)
    plan = next((plan for plan in found.review.protocol.analyses if plan.id == analysis), None)
    if plan is None:
        raise UsageError(f"the plan has no analysis {analysis}")

    def make() -> Trials:
        from metakit.synthesis.gathering.arms import display_names
        from metakit.synthesis.returning.returns import with_return_outcomes
        from metakit.synthesis.tried import Trials

        studies = desk.keep(
            ("studies", found.digest), lambda: tuple(map(with_return_outcomes, found.review.studies))
        )
        return Trials(plan, found.review.protocol, studies, display_names(found.review.studies))

    return desk.keep(("trials", found.digest, analysis), make), found.digest


def choice_of(query: Mapping[str, str]) -> Choice:
    """Return what the form of a page asks for; several studies stand below each other.

    Raises
    ------
    UsageError
        When the event is not named as the page names it.
    """
    from metakit.synthesis.tried import Choice, OneEvent

    event = None
    if query.get("event"):
        found = _EVENT.fullmatch(query["event"])
        if found is None:
            raise UsageError("an event is named by study, arm and +1 or -1")
        event = OneEvent(study=found["study"], arm=found["arm"], change=int(found["change"]))
    left = frozenset(name for name in query.get("leave_out", "").split("\n") if name)
    return Choice(
        leave_out=left, model=query.get("model", ""), definition=query.get("definition", ""), event=event
    )


def shown_answer(desk: Desk, analysis: str, choice: Choice) -> Shown:
    """Return an answer as the page shows it, computed once for each choice and state of the files."""
    trials, digest = trials_of(desk, analysis)
    key = (
        "shown", digest, analysis, "\n".join(sorted(choice.leave_out)), choice.model, choice.definition,
        repr(choice.event),
    )  # fmt: skip
    beside = None if choice.is_plan else shown_answer(desk, analysis, type(choice)()).axis
    return desk.keep(key, lambda: _shown(trials.tried(choice), beside, planned=choice.is_plan))


def _shown(finding: AnalysisFinding, beside: tuple[float, float] | None, *, planned: bool) -> Shown:
    """Return an answer with its picture; a tried one says so in it, on the planned axis where it fits."""
    from metakit.plots.forests.forest import forest_text
    from metakit.plots.forests.layout import lay_out
    from metakit.plots.scene_svg import scene_svg
    from metakit.plots.text import text_width
    from metakit.report.drawing.figure_content import forest_of

    picture, words, axis = "", "", None
    if finding.table is not None and len(finding.table):
        content = forest_of(finding, finding.table)
        words = forest_text(content)
        ends = [end for mean in content.summaries for end in (mean.lower, mean.upper)]
        if not planned:  # a picture that leaves the page must not pass for the planned answer
            content = replace(content, title=f"Tried, not planned: {content.title}")
        if beside is not None and ends and beside[0] <= min(ends) and max(ends) <= beside[1]:
            content = replace(content, limits=beside)
        layout = lay_out(content, width_mm=FOREST_MM, measure=text_width)
        axis = (layout.panel.axis.low, layout.panel.axis.high)
        picture = scene_svg(layout.scene, content.title, words)
    aside = finding.result.set_aside if finding.result else ()
    return Shown(
        sentences=finding.sentences,
        set_aside=tuple(dict.fromkeys((item.study, item.reason) for item in (*finding.set_aside, *aside))),
        picture=picture,
        words=words,
        axis=axis,
    )


def planned_titles(found: Reviewed) -> list[tuple[str, str]]:
    """Return id and title of each analysis of the plan."""
    from metakit.synthesis.asking import comparison_of, task_of, title_of

    protocol = found.review.protocol
    return [
        (plan.id, title_of(task_of(plan, protocol).term, plan, comparison_of(plan, protocol)))
        for plan in protocol.analyses
    ]
