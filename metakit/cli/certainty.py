"""`metakit certainty`: the worksheet of a review's judgements of certainty."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.running import answer_json, progress, say

NAME = "certainty"
HELP = """Propose the certainty of every answer, with reasons, in FOLDER/certainty.yaml for persons to sign.

Signed entries are never changed; run it again after new studies, and give --renew ANALYSIS to judge an answer
anew whose signature is outdated.

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
    from metakit.decision.certainty import all_certainties, certainty_json
    from metakit.decision.worksheet import worksheet
    from metakit.review.certainty import write_certainty
    from metakit.workbench import open_review

    with progress(json) as step:
        step("reading the records")
        findings = open_review(folder).synthesise(progress=step).findings
    certainties = all_certainties(findings)
    if json:
        answer_json(certainty_json(certainties))
        return
    existing = {item.analysis: item for item in findings.judgements}
    sheet = worksheet(certainties, existing, renew=renew or ())
    path = write_certainty(folder, sheet.judgements, invented=findings.protocol.invented)
    typer.echo(str(path))
    for words, names in (
        ("signed", sheet.signed),
        ("proposed, to be judged and signed", (*sheet.added, *sheet.unsigned, *sheet.renewed)),
        ("signature outdated: the answer has changed (judge anew with --renew)", sheet.outdated),
    ):
        if names:
            say(f"{len(names)} {words}: {', '.join(names)}")
