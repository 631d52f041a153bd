"""Printed tables, read whole: every column, what was told, what was set aside; or asked, with what to type.

All invented; each expected reading was judged by hand against the table beside it.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.errors import DataError, UsageError
from metakit.forms.printed_tables.understand import read_printed_table

TWO_ARMS = ("events_1", "total_1", "events_2", "total_2")
ONE_ARM = ("events", "total")
HEAD = "Study,events_1,total_1,events_2,total_2\n"
A, B = "A,4,29,6,30\n", "B,3,41,9,40\n"
BOTH = {"study": ("A", "B"), "events_1": ("4", "3"), "total_1": ("29", "41"), "events_2": ("6", "9"), "total_2": ("30", "40")}  # fmt: skip
NAMED = "Studies are named by the column 'Study'."


def read(folder: Path, text: str, wanted: tuple[str, ...] = TWO_ARMS):  # type: ignore[no-untyped-def]
    path = folder / "t.csv"
    path.write_text(text, encoding="utf-8")
    return read_printed_table(path, [wanted])


def test_two_numbers_in_a_row_above_the_header_may_be_a_study_and_one_may_not(tmp_path: Path) -> None:
    titled = read(tmp_path, "Table 2,,,,\n" + HEAD + A + B)
    assert titled.columns == BOTH
    assert titled.told == ("1 row above the header left out.", NAMED)
    assert (
        read(tmp_path, "Table,2,,,\nof 3,,,,\n" + HEAD + A + B).told[0] == "2 rows above the header left out."
    )
    for above in ("1,2,,,\n", "Z,5,31,,\n"):
        with pytest.raises(DataError, match="a row of numbers above the header") as error:
            read(tmp_path, above + HEAD + A + B)
        assert [problem.line for problem in error.value.problems] == [1]


def test_a_last_row_is_a_sum_only_where_every_count_adds_up(tmp_path: Path) -> None:
    whole = read(tmp_path, HEAD + A + B + "C,7,70,15,70\n")
    assert whole.columns == BOTH and whole.lines == (2, 3)
    assert whole.told == (NAMED, "Row 4 ('C') equals the sums above: a total, left out.")
    for kept in ("C,7,70,15,71\n", "C,7,70,14,70\n", "C,8,70,15,70\n"):
        assert read(tmp_path, HEAD + A + B + kept).columns["study"] == ("A", "B", "C")
    twice = read(tmp_path, HEAD + A + A.replace("A", "B"))  # two equal rows are no sum of one
    assert twice.columns["study"] == ("A", "B") and twice.told == (NAMED,)


def test_a_single_column_of_counts_is_no_proof_of_a_sum(tmp_path: Path) -> None:
    text = "study,mean,sd,total\nA,1.2,3,20\nB,1.4,3,21\nC,1.3,3,41\n"
    assert read(tmp_path, text, ("mean", "sd", "total")).columns["study"] == ("A", "B", "C")
    text = "study,events,total\nA,4,29\nB,3,41\nC,7,70\n"
    assert read(tmp_path, text, ONE_ARM).columns["study"] == ("A", "B")


def test_other_columns_keep_their_headings_and_two_of_one_name_are_told_apart(tmp_path: Path) -> None:
    found = read(tmp_path, "Study,Year,Year,,Events,Total\nA,2001,2002,x,4,29\nB,2003,2004,y,3,41\n", ONE_ARM)
    assert found.columns == {
        "study": ("A", "B"), "events": ("4", "3"), "total": ("29", "41"), "Year": ("2001", "2003"),
        "Year (3)": ("2002", "2004"),
    }  # fmt: skip


def test_a_study_without_its_number_is_set_aside_and_the_reason_is_told(tmp_path: Path) -> None:
    found = read(tmp_path, "Study,Events,Total\nA,4,29\nB,NR,41\nC,3,–\n", ONE_ARM)
    assert (found.columns["study"], found.lines) == (("A",), (2,))
    assert found.left_out == (("B", "events not reported"), ("C", "total not reported"))
    assert found.told[2:] == (
        "Row 3: NR is read as no number (not reported).",
        "Row 3 ('B') is set aside: events not reported.",
        "Row 4: – is read as no number (a dash).",
        "Row 4 ('C') is set aside: total not reported.",
    )


def test_rows_that_are_no_studies_are_left_out_and_named(tmp_path: Path) -> None:
    text = HEAD + "Randomised trials,,,,\n" + A + B + "Total,7,70,15,70\n* Invented.\n"
    found = read(tmp_path, text)
    assert found.columns == BOTH and found.lines == (3, 4)
    assert set(found.told) == {
        NAMED,
        "Row 2 ('Randomised trials') holds no numbers and is taken for a heading.",
        "Row 5 ('Total') is a total and left out.",
        "Row 6 below the studies is a footnote and left out.",
    }


def test_more_cells_than_headings_are_refused_and_fewer_are_empty(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="6 cells in a table of 5 columns") as error:
        read(tmp_path, HEAD.replace(",", ";") + A.replace(",", ";") + "B;3;41;9;40;7\n")
    assert [problem.line for problem in error.value.problems] == [3]
    assert read(tmp_path, HEAD + A + "B,3,41,9\n").columns["total_2"] == ("30", "")
    for empty in (HEAD, "Study,Events,Total\n"):
        with pytest.raises(DataError, match="a header and no rows"):
            read(tmp_path, empty, TWO_ARMS if empty is HEAD else ONE_ARM)


@pytest.mark.parametrize(
    ("head", "told"),
    [
        ("Study,Arm 1 events,Arm 1 n,Arm 2 events,Arm 2 n\n", "Arm 1 and arm 2 are told apart by their headings."),
        ("Study,Arm 1 events,Arm 1 n,Control events,Control n\n", "Arm 1 and arm 2 are told apart by their headings."),
        ("Study,Events,Total,Events,Total\n", "Each number stands twice; the first of the two is taken for arm 1."),
        ("Study,LRTI events,LRTI n,Button events,Button n\n", "Arm 1 is 'lrti', arm 2 is 'button', in the order of the columns."),
        ("Study,LRTI events,LRTI n,Control events,Control n\n", "Arm 1 is 'lrti', arm 2 is the one so named (2), by their headings."),
    ],
)  # fmt: skip
def test_which_arm_is_the_first_is_told(tmp_path: Path, head: str, told: str) -> None:
    found = read(tmp_path, head + A + B)
    assert found.columns == BOTH
    assert told in found.told


def test_what_cannot_be_known_is_asked_with_the_first_rows_and_what_to_type(tmp_path: Path) -> None:
    with pytest.raises(UsageError) as error:
        read(tmp_path, "Study,Complications,Revisions,Thumbs\nA,4,1,29\nB,3,2,41\n", ONE_ARM)
    assert str(error.value).splitlines()[1:] == [
        "  needed: study, events, total",
        "  headings (row 1): Study | Complications | Revisions | Thumbs",
        "  row 2: A | 4 | 1 | 29",
        "  row 3: B | 3 | 2 | 41",
        "  name the columns: --columns study=Study,events=Complications,total=Thumbs",
    ]
    assert "2 columns could hold events: 'Complications', 'Revisions'" in str(error.value)
    with pytest.raises(UsageError) as error:
        read(tmp_path, "Who,Where,Count\nA,x,4\nB,y,3\n", ONE_ARM)
    *_, typed = str(error.value).splitlines()
    assert typed.endswith("--columns study=Who,events=Where,total=Where")  # never what is named already


def test_a_percentage_alone_becomes_the_only_count_that_it_can_stand_for(tmp_path: Path) -> None:
    found = read(tmp_path, "Study,Thumbs,Revisions (%)\nA,29,13.8 %\nB,41,7.3 %\n", ONE_ARM)
    assert found.columns["events"] == ("4", "3")
    assert found.told[2:] == (
        "Row 2: 13.8 % of 29 is read as 4 events.",
        "Row 3: 7.3 % of 41 is read as 3 events.",
    )
    with pytest.raises(DataError, match=r"1 of 29 is 3\.4 %") as error:
        read(tmp_path, "Study,Thumbs,Revisions\nA,29,1 (4.3 %)\nB,41,3 (7.3 %)\n", ONE_ARM)
    assert [(problem.line, problem.field) for problem in error.value.problems] == [(2, "Revisions")]


def test_commas_are_decimal_where_no_point_stands_and_thousands_do_not_fit(tmp_path: Path) -> None:
    text = "study;mean;sd;total\nA;18,2;2,9;29\nB;20,1;3,4;1,229\n"
    found = read(tmp_path, text, ("mean", "sd", "total"))
    assert found.columns == {"study": ("A", "B"), "mean": ("18.2", "20.1"), "sd": ("2.9", "3.4"), "total": ("29", "1229")}  # fmt: skip
    assert "The column 'mean' has decimal commas." in found.told
    assert "1,229 is read as 1229: a count has no decimals." in " ".join(found.told)
    mixed = "study;mean;sd;total\nA;18.2;2,9;29\nB;20,1;3,4;41\n"
    with pytest.raises(DataError, match="is 20,1 the number"):
        read(tmp_path, mixed, ("mean", "sd", "total"))
