"""Why thumbs come back as a table for spreadsheets: one row a cause and technique, per 100."""

from __future__ import annotations

import csv
import io

from metakit.core.causes import CauseAnswer, CausesResult, Estimate
from metakit.forms.sheets.csv_tables import guarded
from metakit.synthesis.findings import Findings

NAME = "why_thumbs_come_back.csv"
_ESTIMATES = (
    ("share", "share"),
    ("share_beside", "share by the second model"),
    ("share_with_overlapping", "share with studies whose causes overlap"),
    ("share_if_none", "share if none of those without a stated cause"),
    ("share_if_all", "share if all of those without a stated cause"),
    ("per_thumb", "per 100 operated thumbs"),
    ("per_thumb_year", "per 100 thumb-years"),
)
_PARTS = ("median", "mean", "lower", "upper", "new centre lower", "new centre upper")


def causes_csv(findings: Findings) -> str:
    """Return the causes of return as CSV, empty where none are pooled.

    Means of the parts add up to the mean of the whole; medians need not.
    """
    trouble = findings.trouble
    if trouble is None or trouble.returns.causes is None:
        return ""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    if findings.protocol.invented:
        writer.writerow(["INVENTED DEMONSTRATION DATA"])
    header = ["technique", "cause", "thumbs", "studies", "model", "second model"]
    writer.writerow([*header, *(f"{label}, {part}" for _, label in _ESTIMATES for part in _PARTS)])
    causes = trouble.returns.causes
    for result in (causes.overall, *causes.by_technique):
        for answer in result.causes:
            writer.writerow(_row(result, answer))
    return stream.getvalue()


def _row(result: CausesResult, answer: CauseAnswer) -> list[str]:
    row = [
        guarded(result.technique or "all techniques"),
        guarded(answer.label),
        str(answer.thumbs),
        str(answer.studies),
        result.model.replace("_", " "),
        (result.model_beside or "").replace("_", " "),
    ]
    for name, _ in _ESTIMATES:
        row += _cells(getattr(answer, name))
    return row


def _cells(estimate: Estimate | None) -> list[str]:
    if estimate is None:
        return [""] * len(_PARTS)
    ahead = estimate.prediction or (None, None)
    values = (estimate.median, estimate.mean, *estimate.interval, *ahead)
    return ["" if value is None else f"{100 * value:.6g}" for value in values]
