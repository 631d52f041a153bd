"""`metakit causes`: why thumbs come back, from one table."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.support.option_groups import File, Level, Save, TableOptions, grouped
from metakit.cli.support.running import answer_json, say

NAME = "causes"
HELP = """Pool why thumbs came back from one table (.csv or .xlsx).

Columns: study, cause, thumbs (that came back for it), total (thumbs operated); optional technique, time
(thumb-years), overlap (yes where a thumb may stand under several causes). One row a study and cause.
A cause is the id, name or synonym of one that metakit knows (a wrong one lists them);
not_stated counts thumbs without a stated cause, all_causes the thumbs that came back at all.

Example: metakit causes returns.csv --json
"""


@grouped
def command(
    file: File,
    table: TableOptions,
    level: Level = 0.95,
    review: Annotated[
        Path | None,
        typer.Option(help="A review whose forms name the causes, and what comes back.", show_default=False),
    ] = None,
    save: Save = None,
    json: Annotated[bool, typer.Option("--json", help="Answer as JSON: fractions, rates a thumb.")] = False,
) -> None:
    """Read, pool, answer."""
    from metakit.cli.support.tables import causes_table
    from metakit.synthesis.returning.causes_words import causes_text

    if review is not None:
        from metakit.forms.library import use_forms_of

        use_forms_of(review)
    found, told = causes_table(file, table, level=level)
    if save is not None:
        from metakit.report.answer_files import save_answer
        from metakit.report.exploring_tables import causes_tables

        say(f"metakit: saved {save_answer(save, causes_tables(found))}")
    if json:
        answer = found.to_json()
        answer["overall"]["notes"] = [*told, *answer["overall"]["notes"]]
        answer_json(answer)
    else:
        typer.echo(causes_text(found))
