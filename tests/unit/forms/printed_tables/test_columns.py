"""Which row is the header and which column gives what: literal names first, then headings with one reading."""

from __future__ import annotations

from metakit.forms.printed_tables.columns import HIGHEST_HEADER, choose_columns, find_header
from metakit.forms.printed_tables.grid import Grid

TWO_ARMS = [("events_1", "total_1", "events_2", "total_2")]
ONE_ARM = [("events", "total")]


def grid(*rows: str) -> Grid:
    cells = tuple((line, tuple(row.split(","))) for line, row in enumerate(rows, start=1))
    return Grid(file="t.csv", rows=cells)


def chosen(wanted, *rows: str, **named: str):  # type: ignore[no-untyped-def]
    header = find_header(grid(*rows), wanted)
    body = [tuple(row.split(",")) for row in rows[header.below :]]
    return choose_columns(header, wanted, named, body)


def test_the_header_is_the_row_with_most_headings_that_say_something() -> None:
    found = find_header(grid("Table 2", "Study,Events,Total", "A,4,29"), ONE_ARM)
    assert (found.below, found.lines, found.titles) == (2, (2,), 1)
    assert [heading.role for heading in found.headings] == ["study", "events", "total"]
    first = find_header(grid("Study,Events,Total", "Study,Events,Total", "A,4,29"), ONE_ARM)
    assert first.below == 1  # of equals the first
    assert find_header(grid("a,b,c", "A,4,29"), ONE_ARM).below == 1
    titles = ["Invented"] * (HIGHEST_HEADER - 1)
    assert find_header(grid(*titles, "Study,Events,Total", "A,4,29"), ONE_ARM).below == HIGHEST_HEADER
    assert find_header(grid("Invented", *titles, "Study,Events,Total", "A,4,29"), ONE_ARM).below == 1


def test_headings_over_two_rows_are_taken_together() -> None:
    found = find_header(grid(",LRTI,,Control,", "Study,Events,Total,Events,Total", "A,4,29,6,30"), TWO_ARMS)
    assert (found.below, found.lines, found.titles) == (2, (1, 2), 0)
    assert [heading.arm for heading in found.headings] == ["", "lrti", "lrti", "2", "2"]
    titled = find_header(grid("Table,,,,", "Study,Events,Total,Events 2,Total 2", "A,4,29,6,30"), TWO_ARMS)
    assert (titled.lines, titled.titles) == ((2,), 1)


def test_cells_that_spell_out_all_give_their_column_a_role() -> None:
    rows = ("Study,LRTI,Button", "A,4 of 29,6 of 30", "B,3 of 41,9 of 40")
    found = find_header(grid(*rows), TWO_ARMS)
    assert [heading.role for heading in found.headings] == ["study", "events/total", "events/total"]
    one_row = find_header(grid(*rows[:2]), TWO_ARMS)
    assert [heading.role for heading in one_row.headings][1:] == ["", ""]
    mixed = find_header(grid(*rows[:2], "B,3 of 41,9"), TWO_ARMS)
    assert [heading.role for heading in mixed.headings][1:] == ["events/total", ""]


def test_a_column_with_our_own_name_comes_before_a_heading() -> None:
    found = chosen(ONE_ARM, "study,events,Revisions,total", "A,4,5,29")
    assert {name: column.index for name, column in found.columns.items()} == {
        "study": 0,
        "events": 1,
        "total": 3,
    }
    twice = chosen(ONE_ARM, "study,events,events,total", "A,4,5,29")
    assert twice.question == "2 columns have the name events"


def test_a_column_named_by_the_user_must_stand_there_once() -> None:
    rows = ("Who,Broke,Broke again,All", "A,4,5,29", "B,3,2,41")
    found = chosen(ONE_ARM, *rows, study="Who", events="Broke again", total="All")
    assert {name: column.index for name, column in found.columns.items()} == {
        "study": 0,
        "events": 2,
        "total": 3,
    }
    assert (
        "no column has the heading 'Bruk', which was named for events"
        in chosen(ONE_ARM, *rows, events="Bruk").question
    )
    double = chosen(ONE_ARM, "Who,Broke,Broke,All", "A,4,5,29", events="Broke")
    assert "2 columns have the heading 'Broke'" in double.question


def test_studies_are_named_by_the_first_column_only_where_it_holds_names() -> None:
    assert chosen(ONE_ARM, "Where,Events,Total", "A,4,29", "B,3,41").columns["study"].index == 0
    numbered = chosen(ONE_ARM, "Where,Events,Total", "1,4,29", "2,3,41")
    assert numbered.question == "no column is known to hold the names of the studies"
    several = chosen(ONE_ARM, "Author,Study,Events,Total", "A,x,4,29", "B,y,3,41")
    assert several.columns["study"].index == 0
    assert several.told[0] == "Studies are named by the first of 2 such columns, 'Author'."


def test_a_small_n_beside_a_large_one_is_the_events() -> None:
    found = chosen(ONE_ARM, "Study,n,N", "A,4,29")
    assert (found.columns["events"].index, found.columns["total"].index) == (1, 2)
    assert chosen(ONE_ARM, "Study,n,N,N", "A,4,29,30").question
    assert "events" not in chosen(ONE_ARM, "Study,n,Place", "A,4,x").columns


def test_more_than_two_arms_are_asked_about() -> None:
    head = "Study,LRTI events,LRTI n,Fusion events,Fusion n,Button events,Button n"
    found = chosen(TWO_ARMS, head, "A,4,29,6,30,1,30")
    assert found.question.startswith("more than two arms give all numbers: 'lrti', 'fusion', 'button'")
    incomplete = chosen(TWO_ARMS, head.replace("Button n", "Place"), "A,4,29,6,30,1,x")
    assert [incomplete.columns[name].index for name in TWO_ARMS[0]] == [1, 2, 3, 4]
