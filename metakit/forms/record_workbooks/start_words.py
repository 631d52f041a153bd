"""The words of the sheet that explains a workbook."""

from __future__ import annotations

from metakit.forms.record_workbooks.layout import CHOICES, EXAMPLE, Layout

Lines = tuple[tuple[str, str], ...]
HOW: Lines = (
    (
        "Required cells",
        "Their name ends with * and is set in bold with a thick line. The others may stay empty.",
    ),
    (
        "Say what the report says",
        ("Type numbers as the report prints them; nothing is filled in from silence. A blank is not a zero."),
    ),
    (
        "No value in the report",
        (
            "Choose or type not_reported (silent), not_measured or not_applicable, wherever the form "
            "allows it."
        ),
    ),
    (
        "One thing a cell",
        ("Not '3/40' and not '52 ± 12': each number has a cell of its own. Units have cells of their own."),
    ),
    (
        "Decimals that end in 0",
        ("A spreadsheet drops the last 0 of 12.0. Where it matters, format the cell as text before typing."),
    ),
    (
        "Dates",
        (
            "Year-month-day, such as 2024-05-31. If a spreadsheet turns an entry into a date, format "
            "the cell as text first."
        ),
    ),
    (
        "Limits",
        (
            "Impossible numbers are stopped. Unusual ones are allowed: the cell turns bold, italic and "
            "shaded, and you will be asked."
        ),
    ),
    ("Lists in one cell", "Separate entries with semicolons; (none) says that there are none."),
    ("Your own notes", "Columns and sheets of your own do no harm; they are not read."),
)
NEXT: Lines = (
    ("Collect", "metakit collect THIS_FILE --into REVIEW_FOLDER checks every cell and writes the record."),
    (
        "If something is wrong",
        (
            "Nothing is written. A copy named ...problems.xlsx has a comment on each cell in question; "
            "this file is never changed."
        ),
    ),
)
CAUTIONS: Lines = (
    ("Patients", "Study-level numbers only: never enter data of identifiable patients."),
    (
        "Use",
        ("Decision support for licensed clinicians; it does not replace judgement, local codes or policy."),
    ),
)
ONE = "This workbook holds one record, which is named after the file."
SEVERAL = (
    "This workbook holds several records. Each has its column on the sheets of single fields; on the tables "
    "the column 'record' says to which one a row belongs."
)


def start_words(layout: Layout, *, batch: bool) -> tuple[tuple[str, Lines], ...]:
    """Return the parts of the sheet: a heading, then pairs of catchword and text."""
    sheets = tuple((sheet.name, _about(sheet.about, table=sheet.table)) for sheet in layout.sheets)
    return (
        ("How to fill it in", (("What goes where", SEVERAL if batch else ONE), *HOW)),
        ("What happens next", NEXT),
        ("Cautions", CAUTIONS),
        (
            "Sheets",
            (
                *sheets,
                (EXAMPLE, "An invented record, to look at; it is not read."),
                (CHOICES, "Everything that may be chosen, with its meaning."),
            ),
        ),
    )


def _about(about: str, *, table: bool) -> str:
    shape = "A table: one entry a row." if table else "Single fields below each other."
    return f"{about} {shape}" if about else shape
