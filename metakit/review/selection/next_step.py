"""What comes next between the exports of searches and the flow diagram, in one sentence."""

from __future__ import annotations

from pathlib import Path

from metakit.review.selection.files import CONFLICTS, SAME, SEARCHES, SELECTION
from metakit.review.selection.lists import due
from metakit.review.selection.reading import Selection
from metakit.review.selection.reconciling import open_conflicts
from metakit.review.selection.screening import STAGE_WORDS, STAGES, Stage

RECONCILE = "reconcile"
OTHER_PERSON = "INITIALS"


def next_step(review: Path, selection: Selection) -> str:
    """Say what is to be done next; the sentence names the command.

    The order: which records are one report, both people's titles, their disagreements, both people's full
    texts, their disagreements, the description of the searches, the flow.
    """
    if any(removal.asked for removal in selection.removals):
        path = review / RECONCILE / SAME
        return f"next: answer y or n in {path}, then 'metakit collect {path} --into {review}'"
    alone = ""
    if len(selection.people) == 1:
        alone = f"; a second person screens too: --person {OTHER_PERSON} in place of {selection.people[0]}"
    conflicts = {stage for stage, _ in open_conflicts(selection)}
    waiting = {stage: waiting_at(selection, stage) for stage in STAGES}
    for stage in STAGES:
        if waiting[stage]:
            people = " ".join(f"--person {person}" for person in waiting[stage])
            return (
                f"next: 'metakit sheet lists --screening {review} {people}' writes the lists of "
                f"{STAGE_WORDS[stage]}; fill them in, then 'metakit collect lists --into {review}'{alone}"
            )
        if stage in conflicts:
            path = review / RECONCILE / CONFLICTS
            return (
                f"next: settle the disagreements in {path}, then "
                f"'metakit reconcile {review} --decisions {path}'"
            )
    if any(not (search.kind and search.date and search.strategy) for search in selection.searches):
        return (
            f"next: fill in kind, date and strategy of each search in {review / SELECTION / SEARCHES}, then "
            f"'metakit reconcile {review}' draws the flow diagram"
        )
    if selection.flow is None:
        return f"next: 'metakit check {review}' names what is left"
    return "next: one record for each study in included.csv ('metakit sheet', 'metakit collect')"


def waiting_at(selection: Selection, stage: Stage) -> list[str]:
    """Return the initials of everybody who has still to decide at a stage.

    Before anybody has decided, two people are asked for, by initials that stand for theirs. What one person
    alone was unsure about waits for another.
    """
    people = list(selection.people) or ["AB", "CD"]
    waiting = [person for person in people if any(at == stage for at, _ in due(selection, person))]
    settled = {*selection.screening.outcomes[stage], *selection.screening.conflicts[stage]}
    if (
        not waiting
        and len(people) == 1
        and any(at == stage and n not in settled for at, n in due(selection, ""))
    ):
        return [OTHER_PERSON]
    return waiting
