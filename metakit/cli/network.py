"""`metakit network`: every technique against every other, and what each part of an operation adds."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.running import answer_json

NAME = "network"
HELP = """Compare all techniques of a network of studies, and their components.

Long rows, one a study's arm: study technique events total (or mean sd total, or events time); or ready
contrasts: study technique_1 technique_2 effect standard_error. Parts of an operation are joined with
'+', as in trapeziectomy+suspension. Ranks are never shown without intervals and never mean certainty.

Example: metakit network arms.csv --measure odds_ratio --reference trapeziectomy --json
"""


def command(
    file: Annotated[Path, typer.Argument(help="Table with a header: .csv or .xlsx.", show_default=False)],
    measure: Annotated[
        str, typer.Option(help="odds_ratio, risk_ratio, risk_difference, rate_ratio or mean_difference.")
    ],
    model: Annotated[
        str,
        typer.Option(
            help="random_effects, common_effect; for rare events mantel_haenszel, one_stage, "
            "one_stage_common_effect."
        ),
    ] = "random_effects",
    tau2: Annotated[str, typer.Option(help="Estimator of the between-study variance.")] = "reml",
    reference: Annotated[str | None, typer.Option(help="Technique that others are compared with.")] = None,
    components: Annotated[
        bool, typer.Option("--components", help="Also estimate what each component adds.")
    ] = False,
    interactions: Annotated[
        str | None, typer.Option(help="Interactions declared beforehand: one*two,one*three.")
    ] = None,
    better: Annotated[str | None, typer.Option(help="For ranks: lower or higher.")] = None,
    level: Annotated[float, typer.Option(help="Level of the intervals.")] = 0.95,
    json: Annotated[bool, typer.Option("--json", help="Answer as JSON on the analysis scale.")] = False,
) -> None:
    """Read, analyse every connected part, answer."""
    from metakit.forms.tables import read_table
    from metakit.network.analysis import analyse_network
    from metakit.network.reading import arms_of_table, better_words
    from metakit.network.text import network_text

    found = analyse_network(
        arms_of_table(read_table(file), measure),
        model=model,
        tau2=tau2,
        reference=reference,
        components=components,
        interactions=tuple(part.strip() for part in interactions.split(",")) if interactions else (),
        lower_is_better=better_words(better),
        level=level,
    )
    if json:
        answer_json(found.to_json())
    else:
        typer.echo(network_text(found))
