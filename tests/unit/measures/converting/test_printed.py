"""Invented tables as journals and spreadsheets have them: read rightly as they are, or asked about.

What each must give was written by hand beside it; the shapes (titles, merged headings, percentages, footnotes,
totals) are common practice in printed tables, no source.
"""

import pytest

from metakit.errors import MetakitError
from metakit.measures.converting.printed import effects_of_file, table_of_file

PLAIN = {"events_1": [4, 3, 0], "total_1": [29, 41, 22], "events_2": [6, 9, 2], "total_2": [30, 40, 24]}
NAMES = ["Alderwick", "Bramhope", "Cawdale"]
SERIES = {"events": [4, 3, 0], "total": [29, 41, 22]}
MEANS = {"mean_1": [18.2, 20.1], "sd_1": [2.9, 3.4], "total_1": [29, 41], "mean_2": [16.0, 19.5],
         "sd_2": [3.1, 2.7], "total_2": [30, 40]}  # fmt: skip
TWO = NAMES[:2]

READ = {
    "literal": ("risk_ratio", "study,events_1,total_1,events_2,total_2\nAlderwick,4,29,6,30\nBramhope,3,41,9,40\nCawdale,0,22,2,24\n", PLAIN),
    "capitals": ("risk_ratio", "Study,EVENTS_1,Total_1,Events_2,TOTAL_2\nAlderwick,4,29,6,30\nBramhope,3,41,9,40\nCawdale,0,22,2,24\n", PLAIN),
    "spaces": ("risk_ratio", "Study;Events 1;Total 1;Events 2;Total 2\nAlderwick;4;29;6;30\nBramhope;3;41;9;40\nCawdale;0;22;2;24\n", PLAIN),
    "title_rows": ("risk_ratio", "Table 2. Complications (invented)\n\nStudy,Events 1,N 1,Events 2,N 2\nAlderwick,4,29,6,30\nBramhope,3,41,9,40\nCawdale,0,22,2,24\n", PLAIN),
    "arms_by_technique": ("risk_ratio", "Author,LRTI events,LRTI n,Trapeziectomy events,Trapeziectomy n\nAlderwick,4,29,6,30\nBramhope,3,41,9,40\nCawdale,0,22,2,24\n", PLAIN),
    "control_first": ("risk_ratio", "Study,Control events,Control total,Intervention events,Intervention total\nAlderwick,6,30,4,29\nBramhope,9,40,3,41\nCawdale,2,24,0,22\n", PLAIN),
    "two_levels": ("risk_ratio", ",LRTI,,Trapeziectomy,\nStudy,Events,Total,Events,Total\nAlderwick,4,29,6,30\nBramhope,3,41,9,40\nCawdale,0,22,2,24\n", PLAIN),
    "two_levels_study_above": ("risk_ratio", "Study,LRTI,,Trapeziectomy,\n,Events,Total,Events,Total\nAlderwick,4,29,6,30\nBramhope,3,41,9,40\nCawdale,0,22,2,24\n", PLAIN),
    "repeated_headings": ("risk_ratio", "Study,Events,Total,Events,Total\nAlderwick,4,29,6,30\nBramhope,3,41,9,40\nCawdale,0,22,2,24\n", PLAIN),
    "n_of_N": ("risk_ratio", "Study,LRTI n/N,Trapeziectomy n/N\nAlderwick,4/29,6/30\nBramhope,3/41,9/40\nCawdale,0/22,2/24\n", PLAIN),
    "n_of_N_percent": ("risk_ratio", "Study,LRTI n/N (%),Trapeziectomy n/N (%)\nAlderwick,4/29 (13.8 %),6/30 (20 %)\nBramhope,3/41 (7.3 %),9/40 (22.5 %)\nCawdale,0/22 (0 %),2/24 (8.3 %)\n", PLAIN),
    "count_percent": ("risk_ratio", "Study,Patients (LRTI),Complications (LRTI),Patients (Trapeziectomy),Complications (Trapeziectomy)\nAlderwick,29,4 (13.8%),30,6 (20.0%)\nBramhope,41,3 (7.3%),40,9 (22.5%)\nCawdale,22,0 (0%),24,2 (8.3%)\n", PLAIN),
    "count_bracketed_percent": ("risk_ratio", '"Study","LRTI, n","LRTI, events n (%)","Control, n","Control, events n (%)"\nAlderwick,29,4 (13.8),30,6 (20.0)\nBramhope,41,3 (7.3),40,9 (22.5)\nCawdale,22,0 (0.0),24,2 (8.3)\n', PLAIN),
    "footnote_marks": ("risk_ratio", "Study,Events 1,Total 1,Events 2,Total 2\nAlderwick*,4²,29,6,30\nBramhope,3,41†,9,40\nCawdale,0,22,2,24ᵃ\n* Invented.\n", PLAIN),
    "totals_row": ("risk_ratio", "Study,events_1,total_1,events_2,total_2\nAlderwick,4,29,6,30\nBramhope,3,41,9,40\nCawdale,0,22,2,24\nTotal,7,92,17,94\n", PLAIN),
    "sum_without_name": ("risk_ratio", "Study,events_1,total_1,events_2,total_2\nAlderwick,4,29,6,30\nBramhope,3,41,9,40\nCawdale,0,22,2,24\nAltogether here,7,92,17,94\n", PLAIN),
    "headings_between": ("risk_ratio", "Study,events_1,total_1,events_2,total_2\nRandomised trials,,,,\nAlderwick,4,29,6,30\nCohorts,,,,\nBramhope,3,41,9,40\nCawdale,0,22,2,24\n", PLAIN),
    "blank_rows": ("risk_ratio", "study,events_1,total_1,events_2,total_2\n\nAlderwick,4,29,6,30\n,,,,\nBramhope,3,41,9,40\n\nCawdale,0,22,2,24\n", PLAIN),
    "unnamed_first_column": ("risk_ratio", ",Events 1,Total 1,Events 2,Total 2\nAlderwick,4,29,6,30\nBramhope,3,41,9,40\nCawdale,0,22,2,24\n", PLAIN),
    "windows_text": ("proportion", "Étude,Events,Total\nAlderwick,4,29\nBramhope,3,41\nCawdale,0,22\n".encode("cp1252"), SERIES),
    "thumbs": ("proportion", "First author,Year,No. of thumbs,Revisions (n)\nAlderwick,2014,29,4\nBramhope,2016,41,3\nCawdale,2017,22,0\n", SERIES),
    "percent_alone": ("proportion", "Study,Thumbs,Revisions (%)\nAlderwick,29,13.8 %\nBramhope,41,7.3 %\nCawdale,22,0 %\n", SERIES),
    "small_and_large_n": ("proportion", "Study\tn\tN\nAlderwick\t4\t29\nBramhope\t3\t41\nCawdale\t0\t22\n", SERIES),
    "n_of_N_in_words": ("risk_ratio", "Study,LRTI,Trapeziectomy\nAlderwick,4 of 29,6 of 30\nBramhope,3 of 41,9 of 40\nCawdale,0 of 22,2 of 24\n", PLAIN),
    "n_of_N_by_cells": ("risk_ratio", "Study,LRTI,Trapeziectomy\nAlderwick,4/29 (13.8%),6/30 (20.0%)\nBramhope,3/41 (7.3%),9/40 (22.5%)\nCawdale,0/22 (0%),2/24 (8.3%)\n", PLAIN),
    "implants": ("proportion", "Author,Year,Revisions,Implants\nAlderwick,2014,4,29\nBramhope,2016,3,41\nCawdale,2017,0,22\n", SERIES),
    "prostheses_as_arm": ("risk_ratio", "Study,Prostheses events,Prostheses n,Trapeziectomy events,Trapeziectomy n\nAlderwick,4,29,6,30\nBramhope,3,41,9,40\nCawdale,0,22,2,24\n", PLAIN),
    "patients_with": ("proportion", "Study,Patients with complication,Patients\nAlderwick,4,29\nBramhope,3,41\nCawdale,0,22\n", SERIES),
    "missing_row": ("proportion", "Study,Events,Total\nAlderwick,4,29\nBramhope,3,41\nDunmere,NR,90\nCawdale,0,22\n", SERIES),
    "thousands": ("rate", "Registry,Revisions,Thumb-years\nAlderwick,4,1 229\nBramhope,3,\"12,241.5\"\n", {"events": [4, 3], "time": [1229, 12241.5]}),
    "means_with_sd": ("mean_difference", "Study,LRTI n,LRTI mean ± SD,Control n,Control mean ± SD\nAlderwick,29,18.2 ± 2.9,30,16.0 ± 3.1\nBramhope,41,20.1 ± 3.4,40,19.5 ± 2.7\n", MEANS),
    "means_in_brackets": ("mean_difference", "Study,LRTI n,LRTI mean (SD),Control n,Control mean (SD)\nAlderwick,29,18.2 (2.9),30,16.0 (3.1)\nBramhope,41,20.1 (3.4),40,19.5 (2.7)\n", MEANS),
    "means_with_a_unit": ("mean_difference", 'Study,LRTI n,"LRTI mean (SD), kg",Control n,"Control mean (SD), kg"\nAlderwick,29,18.2 (2.9),30,16.0 (3.1)\nBramhope,41,20.1 (3.4),40,19.5 (2.7)\n', MEANS),
    "decimal_commas": ("mean_difference", "Study;mean_1;SD_1;n_1;mean_2;SD_2;n_2\nAlderwick;18,2;2,9;29;16,0;3,1;30\nBramhope;20,1;3,4;41;19,5;2,7;40\n", MEANS),
    "minus_signs": ("mean_difference", "study,mean_1,sd_1,total_1,mean_2,sd_2,total_2\nAlderwick,−18.2,2.9,29,–16.0,3.1,30\nBramhope,−20.1,3.4,41,−19.5,2.7,40\n", {**MEANS, "mean_1": [-18.2, -20.1], "mean_2": [-16.0, -19.5]}),
}  # fmt: skip

ASKED = {
    "three_arms": ("risk_ratio", "Study,LRTI events,LRTI n,Trapeziectomy events,Trapeziectomy n,Button events,Button n\nAlderwick,4,29,6,30,1,30\n", "more than two arms"),
    "no_totals": ("risk_ratio", "Study,LRTI events,Trapeziectomy events\nAlderwick,4,6\nBramhope,3,9\n", "--columns"),
    "wrong_percent": ("proportion", "Study,Thumbs,Revisions\nAlderwick,29,1 (4.3 %)\nBramhope,41,3 (7.3 %)\n", "1 of 29 is 3.4 %"),
    "percent_of_many": ("proportion", "Study,Thumbs,Revisions\nAlderwick,1000,2 %\nBramhope,41,3\n", "which count is meant"),
    "n_of_N_wrong": ("risk_ratio", "Study,LRTI n/N,Control n/N\nAlderwick,40/29,6/30\nBramhope,3/41,9/40\n", "more than all"),
    "two_event_columns": ("proportion", "Study,Complications,Revisions,Thumbs\nAlderwick,4,1,29\nBramhope,3,2,41\n", "2 columns could hold events"),
    "bare_slashes": ("risk_ratio", "Study,LRTI,Trapeziectomy\nAlderwick,4/29,6/30\nBramhope,3/41,9/40\n", "--columns"),
    "comma_of_two_meanings": ("mean_difference", "study;mean_1;sd_1;total_1;mean_2;sd_2;total_2\nAlderwick;1,234;2.9;29;16.0;3.1;30\n", "1.234"),
}  # fmt: skip


def _file(tmp_path, content):
    path = tmp_path / "table.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.parametrize("name", READ)
def test_a_table_is_read_as_it_is(tmp_path, name):
    measure, content, expected = READ[name]
    table = table_of_file(_file(tmp_path, content), measure)
    found = {ours: [float(str(cell).replace("−", "-")) for cell in table.columns[ours]] for ours in expected}
    assert found == expected, table.told
    names = [str(cell).rstrip("*") for cell in table.columns["study"]]
    assert names == (NAMES if len(next(iter(expected.values()))) == 3 else TWO)
    assert bool(table.told) == (name not in ("literal", "blank_rows"))


@pytest.mark.parametrize("name", ASKED)
def test_what_has_two_readings_is_asked(tmp_path, name):
    measure, content, words = ASKED[name]
    with pytest.raises(MetakitError, match=words):
        effects_of_file(_file(tmp_path, content), measure=measure)


def test_at_least_five_in_six_are_answered():
    ratios = 6  # tables of printed ratios that test_printed_ratios.py answers as they are
    answered = len(READ) + ratios
    assert len(READ) >= 28 and 6 * answered >= 5 * (answered + len(ASKED))


def test_a_study_without_numbers_is_named(tmp_path):
    measure, content, _ = READ["missing_row"]
    assert table_of_file(_file(tmp_path, content), measure).left_out == (("Dunmere", "events not reported"),)


def test_columns_can_be_named(tmp_path):
    measure, content, _ = ASKED["two_event_columns"]
    table = table_of_file(_file(tmp_path, content), measure, columns={"events": "Revisions"})
    assert list(table.columns["events"]) == ["1", "2"] and "Complications" in table.columns
