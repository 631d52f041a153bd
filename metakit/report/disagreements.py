"""The page of disagreements: both people's values side by side, each with its page and its place."""

from __future__ import annotations

from itertools import groupby
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from metakit.review.reconciling.agreement_words import overall_words
from metakit.review.reconciling.reconcile_agreement import FieldAgreement, OverallAgreement
from metakit.review.reconciling.reconcile_decisions import in_words, read_rows, shown
from metakit.review.reconciling.reconcile_review import Comparison

POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
"""No script, no request, no form: the page is a document."""


def disagreement_page(
    comparison: Comparison, fields: tuple[FieldAgreement, ...], overall: OverallAgreement, decisions: Path
) -> str:
    """Return one self-contained HTML page without script.

    Parameters
    ----------
    comparison : Comparison
        Both people's records.
    fields : tuple of FieldAgreement
        Worst first.
    overall : OverallAgreement
        Of everything.
    decisions : Path
        The decisions file; what is filled in there is shown.
    """
    decided = {(row["study"], row["field"]): row for _, row in read_rows(decisions) if row["decision"]}
    environment = Environment(
        loader=PackageLoader("metakit.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["words"] = lambda name: str(name).replace("_", " ")
    style = environment.loader.get_source(environment, "style.css")[0] if environment.loader else ""
    studies = [
        (study, rows[0].people, rows)
        for study, found in groupby(comparison.asked, key=lambda one: one.item.study)
        if (rows := list(found))
    ]
    return environment.get_template("disagreements.html.j2").render(
        studies=studies,
        single=comparison.single,
        compared=len(comparison.pairs),
        fields=[field for field in fields if field.same < field.n],
        perfect=sum(field.same == field.n for field in fields),
        overall=overall,
        overall_words=overall_words(fields, overall),
        shown=shown,
        field_words=in_words,
        decided=decided,
        needed=sum(one.item.needs_decision for one in comparison.asked),
        settled=sum(
            one.item.needs_decision and (one.item.study, one.item.address) in decided
            for one in comparison.asked
        ),
        asked_arms=any(one.item.question for one in comparison.asked),
        file=decisions,
        folder=comparison.folder,
        policy=POLICY,
        style=Markup(style),  # noqa: S704 - our own style sheet
    )
