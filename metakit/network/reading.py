"""Network tables: long rows of arms, or ready contrasts."""

from __future__ import annotations

from metakit.errors import Problem, UnknownNameError, UnreadableError, nearest_names
from metakit.forms.tables import Table, numeric_columns, text_of
from metakit.network.arms import ARM_MEASURES, NetworkArms, arms_from_counts_or_means
from metakit.network.contrasts import arms_from_contrasts

CONTRAST_COLUMNS = ("technique_1", "technique_2", "effect", "standard_error")


def arms_of_table(table: Table, measure: str) -> NetworkArms:
    """Return the network arms of a table of arms or of contrasts.

    Raises
    ------
    UnreadableError
        If columns are missing.
    DataError
        With every cell that cannot be used.
    """
    if measure not in ARM_MEASURES:
        raise UnknownNameError("network measure", measure, ARM_MEASURES)
    contrasts = "technique_1" in table.columns
    numbers = CONTRAST_COLUMNS[2:] if contrasts else ARM_MEASURES[measure].columns
    words = ("study", *CONTRAST_COLUMNS[:2]) if contrasts else ("study", "technique")
    missing = [name for name in (*words, *numbers) if name not in table.columns]
    if missing:
        raise UnreadableError(
            [
                Problem(
                    file=table.file,
                    line=1,
                    field=name,
                    what="this column is missing",
                    found=", ".join(table.columns),
                    hint=nearest_names(name, table.columns),
                )
                for name in missing
            ]
        )
    text = {name: [text_of(cell).strip() for cell in table.columns[name]] for name in words}
    empty = [
        Problem(
            file=table.file, line=table.lines[row], field=name, what="this cell is empty", allowed="a name"
        )
        for name, cells in text.items()
        for row, cell in enumerate(cells)
        if not cell
    ]
    if empty:
        raise UnreadableError(empty)
    data = numeric_columns(table, numbers)
    if contrasts:
        return arms_from_contrasts(
            measure, text["study"], text["technique_1"], text["technique_2"],
            data["effect"], data["standard_error"], file=table.file,
        )  # fmt: skip
    return arms_from_counts_or_means(measure, text["study"], text["technique"], data, file=table.file)


def better_words(better: str | None) -> bool | None:
    """Turn 'lower' or 'higher' into whether lower is better."""
    if better is None:
        return None
    if better not in ("lower", "higher"):
        raise UnknownNameError("direction", better, ("lower", "higher"))
    return better == "lower"
