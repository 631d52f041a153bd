"""A pooled result as a frame, as a paragraph, as a picture; what results offer in a notebook."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

MOST_LINES = 30


def frame_of(result: Any, *, natural: bool = False) -> pd.DataFrame:
    """Return one row a study, one for the mean and one for a new centre; see `PoolResult.to_frame`."""
    import pandas as pd

    rows: list[dict[str, Any]] = [
        {
            "study": row.study, "estimate": row.effect, "lower": row.interval.lower if row.interval else None,
            "upper": row.interval.upper if row.interval else None,
            "standard_error": None if row.variance is None else row.variance**0.5, "weight": row.weight,
        }
        for row in result.studies
    ]  # fmt: skip
    rows.append(
        {
            "study": "Mean", "estimate": result.estimate, "lower": result.interval.lower,
            "upper": result.interval.upper, "standard_error": result.standard_error,
            "p_value": result.mean.p_value, "tau2": result.heterogeneity.tau2,
        }
    )  # fmt: skip
    prediction = getattr(result, "prediction", None)
    if prediction is not None:
        low, high = prediction.interval
        rows.append({"study": "New centre", "lower": low, "upper": high})
    columns = ["study", "estimate", "lower", "upper", "standard_error", "weight", "p_value", "tau2"]
    frame = pd.DataFrame(rows, columns=columns).set_index("study")
    if natural:
        back = result.back_transform
        for name in ("estimate", "lower", "upper"):
            frame[name] = [None if pd.isna(value) else back(float(value)) for value in frame[name]]
        frame[["lower", "upper"]] = frame[["lower", "upper"]].apply(sorted, axis=1, result_type="expand")
    numbers = ["estimate", "lower", "upper", "standard_error", "weight", "p_value", "tau2"]
    return frame.astype(dict.fromkeys(numbers, float))


def journal_forest(table: Any, result: Any, **asked: Any) -> Any:
    """Draw the forest plot of a table and its result at its final size; see `EffectTable.forest`."""
    return importlib.import_module("metakit.plots.forests.forest").journal_forest(table, result, **asked)


def drawn(picture: str, result: Any, ax: Any, **options: Any) -> Any:
    """Draw a picture of a result on an Axes, or on a new one; pictures lie above results, hence by name."""
    if ax is None:
        from matplotlib.figure import Figure

        figure = Figure(figsize=(7.0, 1.2 + 0.28 * (result.k + 2)), layout="constrained")
        ax = figure.add_subplot()
    return getattr(importlib.import_module("metakit.plots.on_axes"), picture)(result, ax, **options)


def shortened(text: str, most: int = MOST_LINES) -> str:
    """Return a text of at most so many lines, saying how many were left out."""
    lines = text.splitlines()
    if len(lines) <= most:
        return text
    return "\n".join(
        [*lines[: most - 1], f"... and {len(lines) - most + 1} lines more; print(result.summary())"]
    )


def tidy_of(result: Any) -> pd.DataFrame:
    """Return one row a study and one for the mean, on the analysis scale."""
    import pandas as pd

    rows = [
        {
            "row": "study",
            "study": row.study,
            "estimate": row.effect,
            "lower": row.interval.lower if row.interval else None,
            "upper": row.interval.upper if row.interval else None,
            "weight": row.weight,
        }
        for row in result.studies
    ]
    rows.append(
        {
            "row": "mean",
            "study": result.model,
            "estimate": result.estimate,
            "lower": result.interval.lower,
            "upper": result.interval.upper,
            "weight": None,
        }
    )
    return pd.DataFrame(rows)


def said(result: Any) -> str:
    """Return a pooled answer as a paragraph, in the very words and digits that terminal and files use.

    The words of answers lie above results, hence by name.
    """
    text = str(importlib.import_module("metakit.telling.pooled_words").pooled_sentence(result))
    if result.set_aside:
        text += " Set aside: " + "; ".join(f"{i.study} ({i.reason})" for i in result.set_aside) + "."
    return text
