"""`metakit certainty`: the worksheet of a review's judgements of certainty."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.support.running import answer_json, progress, say

NAME = "certainty"
HELP = """Propose the certainty of every answer, with reasons, in FOLDER/certainty.yaml for persons to sign.

Write a level under 'judged' for every domain, answer what is open, and sign with name and date. A signature
counts only for the numbers it was given on. Signed entries are never changed; run it again after new studies,
and give --renew ANALYSIS to judge an answer anew that was signed for something else.

Example: metakit certainty my_review
"""


def command(
    folder: Annotated[Path, typer.Argument(help="Review folder.", show_default=False)],
    renew: Annotated[
        list[str] | None,
        typer.Option("--renew", help="Analysis to judge anew; give it again for more.", show_default=False),
    ] = None,
    json: Annotated[
        bool, typer.Option("--json", help="Answer with all judgements as JSON and write nothing.")
    ] = False,
) -> None:
    """Propose, keep what was signed, write, and say what is to do."""
    from metakit.decision.certainty import (
        all_certainties,
        certainty_json,
        judged_anew,
        network_certainties,
        pair_certainties,
    )
    from metakit.decision.worksheet import worksheet
    from metakit.forms.library import shipped
    from metakit.review.certainty_update import saved_judgements, update_certainty
    from metakit.review.lock import review_lock
    from metakit.workbench import open_review

    with progress(json) as step:
        step("reading the records")
        findings = open_review(folder).synthesise(progress=step).findings
    answers, networks, pairs = (
        all_certainties(findings), network_certainties(findings), pair_certainties(findings),
    )  # fmt: skip
    if json:
        answer_json(certainty_json(answers, networks, pairs))
        return
    with review_lock(folder):
        # Somebody may have judged or signed while this was computing: what stands in the file now is kept.
        saved = saved_judgements(folder, shipped())
        certainties = judged_anew((*answers, *networks, *pairs), saved)
        sheet = worksheet(certainties, {item.analysis: item for item in saved}, renew=renew or ())
        path = update_certainty(folder, saved, sheet.judgements, invented=findings.protocol.invented)
    typer.echo(str(path))
    for words, names in (
        ("signed", sheet.signed),
        ("proposed, to be judged and signed", (*sheet.added, *sheet.unsigned, *sheet.renewed)),
        ("signed for something else (judge anew with --renew)", sheet.outdated),
        ("signed in part, does not count", sheet.partial),
        ("signed against its own numbers, does not count", sheet.contradicted),
    ):
        if names:
            say(f"{len(names)} {words}: {', '.join(names)}")
    for item in certainties:
        if item.why_not:
            say(f"{item.body.analysis}: {item.why_not}")
        if item.unanswered:
            say(f"{item.body.analysis}: open questions without an answer: {', '.join(item.unanswered)}")
