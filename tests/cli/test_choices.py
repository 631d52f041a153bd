"""Help and completion list the names of the registries; a wrong one is answered with the nearest."""

import pytest

from metakit.cli.support.choices import PLAIN, REGISTRIES, entries_of


@pytest.mark.parametrize("kind", [*REGISTRIES, *PLAIN])
def test_every_kind_has_names(kind):
    names = [name for name, _ in entries_of(kind)]
    assert names and len(set(names)) == len(names)


@pytest.mark.parametrize(
    ("command", "options"),
    [("pool", ("measure", "model", "tau2", "interval", "zero_cells")), ("draw", ("figure", "preset")),
     ("network", ("network_measure", "network_figure"))],
)  # fmt: skip
def test_the_help_lists_every_name(metakit_command, command, options):
    said = metakit_command(command, "--help").out
    for kind in options:
        for name, label in entries_of(kind):
            assert name in said and label[:30] in " ".join(said.split())


def test_completion_offers_names_with_labels():
    from metakit.cli.support.choices import name_option

    complete = name_option("tau2", "").autocompletion
    assert dict(complete("paule")) == {"paule_mandel": "Paule and Mandel"}


def test_show_tells_how_a_table_is_read_and_stops(metakit_command, tmp_path):
    table = tmp_path / "printed.csv"
    table.write_text(
        "Author,Revisions (n),No. of thumbs\nAlderwick,4,29\nBramhope,3,41\nTotal,7,70\n", "utf-8"
    )
    said = metakit_command("pool", table, "--measure", "proportion", "--show")
    assert said.status == 0 and "Row 4 ('Total') is a total and left out." in said.out
    assert "study | events | total" in said.out and "proportion:" not in said.out.casefold()
    answered = metakit_command("pool", table, "--measure", "proportion", "--json").answer
    assert answered["k"] == 2 and any("a total and left out" in note for note in answered["notes"])


def test_what_cannot_be_known_is_asked_with_the_command_to_run(metakit_command, tmp_path):
    table = tmp_path / "printed.csv"
    table.write_text("Study,Complications,Revisions,Thumbs\nAlderwick,4,1,29\nBramhope,3,2,41\n", "utf-8")
    said = metakit_command("pool", table, "--measure", "proportion")
    assert said.status == 2 and "Traceback" not in said.err
    assert "2 columns could hold events" in said.err and "row 2: Alderwick | 4 | 1 | 29" in said.err
    assert "--columns" in said.err
    named = metakit_command(
        "pool", table, "--measure", "proportion", "--columns", "events=Revisions,total=Thumbs", "--json"
    )
    assert named.status == 0 and named.answer["k"] == 2


def test_abbreviations_are_understood_and_told(metakit_command, tmp_path):
    table = tmp_path / "two.csv"
    table.write_text(
        "study,events_1,total_1,events_2,total_2\nAlderwick,4,29,6,30\nBramhope,3,41,9,40\nDunmere,11,95,17,90\n",
        "utf-8",
    )
    said = metakit_command("pool", table, "--measure", "RR", "--tau2", "DL", "--json")
    assert said.status == 0
    assert said.answer["measure"] == "risk_ratio" and said.answer["tau2_estimator"] == "dersimonian_laird"
    assert "--measure RR is read as risk_ratio" in said.err
    assert "--tau2 DL is read as dersimonian_laird" in said.err
    assert "risk ratio" in metakit_command("explain", "RR").out
    wrong = metakit_command("pool", table, "--measure", "risk_ratioo")
    assert wrong.status == 2 and "did you mean risk_ratio" in wrong.err


def test_the_same_method_has_one_prediction_interval(metakit_command, tmp_path):
    table = tmp_path / "three.csv"
    table.write_text(
        "study,events_1,total_1,events_2,total_2\nAlderwick,4,29,6,30\nBramhope,3,41,9,40\nDunmere,25,95,7,90\n",
        "utf-8",
    )
    beside = metakit_command("pool", table, "--measure", "risk_ratio", "--json").answer["beside"]
    (companion,) = [item for item in beside if item["name"] == "hartung_knapp"]
    for asked in (("--tau2", "reml"), ("--inference", "hartung_knapp"), ("--model", "random_effects")):
        named = metakit_command(
            "pool", table, "--measure", "risk_ratio", "--zero-cells", "none", *asked, "--json"
        )
        answer = named.answer
        assert answer["prediction_interval"] == pytest.approx(companion["prediction_interval"], rel=1e-9)
        assert answer["interval"] == pytest.approx(companion["interval"], rel=1e-9)
    told = metakit_command("pool", table, "--measure", "risk_ratio").out
    assert "a prediction interval from 3 studies is hardly more than a guess" in told
