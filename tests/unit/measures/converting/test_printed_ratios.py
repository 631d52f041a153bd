"""Printed ratios. Expected logs and errors by Handbook 6.3 with scipy.stats (z = 1.959964), written out here."""

import math

import pytest

from metakit.errors import DataError
from metakit.forms.sheets.tables import read_table
from metakit.measures.converting.printed import effects_of_file
from metakit.measures.converting.printed_ratios import ratio_effects
from metakit.models.pool import pool

Z = 1.959963984540054


def _file(tmp_path, text):
    path = tmp_path / "ratios.csv"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "text",
    [
        "Study,RR (95 % CI)\nAlderwick,0.52 (0.28 to 0.98)\nBramhope,0.85 (0.71 to 1.02)\n",
        "Author;Risk ratio;95% CI\nAlderwick;0.52;0.28–0.98\nBramhope;0.85;0.71–1.02\n",
        "study,ratio,interval_lower,interval_upper\nAlderwick,0.52,0.28,0.98\nBramhope,0.85,0.71,1.02\n",
        "Study,RR,Lower limit,Upper limit,Year\nAlderwick,0.52,0.28,0.98,2014\nBramhope,0.85,0.71,1.02,2016\n",
    ],
)
def test_a_ratio_with_its_interval(tmp_path, text):
    effects = effects_of_file(_file(tmp_path, text), measure="risk_ratio")
    assert effects.effect.tolist() == pytest.approx([math.log(0.52), math.log(0.85)], rel=1e-12)
    errors = [math.log(0.98 / 0.28) / (2 * Z), math.log(1.02 / 0.71) / (2 * Z)]
    assert effects.variance.tolist() == pytest.approx([error**2 for error in errors], rel=1e-12)
    assert len(effects.assumptions) == 2 and not effects.data
    assert pool(effects).k == 2


def test_a_ratio_with_its_p_value_or_error(tmp_path):
    by_p = effects_of_file(
        _file(tmp_path, "Study,OR,p\nAlderwick,0.52,0.04\nBramhope,0.85,0.2\n"), measure="odds_ratio"
    )
    z = 2.0537489106318225  # scipy.stats.norm.isf(0.02)
    assert by_p.variance[0] == pytest.approx((math.log(0.52) / z) ** 2, rel=1e-9)
    by_error = effects_of_file(
        _file(tmp_path, "Study,OR,SE\nAlderwick,0.52,0.3\nBramhope,0.85,0.2\n"), measure="odds_ratio"
    )
    assert by_error.variance.tolist() == pytest.approx([0.09, 0.04])


def test_counts_come_before_ratios(tmp_path):
    text = "Study,Events 1,N 1,Events 2,N 2,RR (95 % CI)\nAlderwick,4,29,6,30,0.69 (0.22 to 2.19)\n"
    assert "events_1" in effects_of_file(_file(tmp_path, text), measure="risk_ratio").data


def test_adjusted_ratios_are_named(tmp_path):
    text = "Study,OR,Lower,Upper,adjusted\nAlderwick,0.52,0.28,0.98,yes\nBramhope,0.85,0.71,1.02,no\n"
    notes = effects_of_file(_file(tmp_path, text), measure="odds_ratio").notes
    assert any("Adjusted ratios: Alderwick. Crude ratios: Bramhope." in note for note in notes)


def test_every_impossible_ratio_is_told_at_once(tmp_path):
    text = "study,ratio,interval_lower,interval_upper\nAlderwick,-0.52,0.28,0.98\nBramhope,0.1,0.71,1.02\nCawdale,0.9,1.2,0.8\n"
    with pytest.raises(DataError) as raised:
        effects_of_file(_file(tmp_path, text), measure="odds_ratio")
    assert [problem.line for problem in raised.value.problems] == [2, 3, 4]


def test_columns_that_are_no_ratio_describe_the_studies(tmp_path):
    text = "study,ratio,standard_error,interval_level,year,design\nAlderwick,0.52,0.3,0.9,2014,trial\nBramhope,0.85,0.2,0.9,2016,cohort\n"
    effects = ratio_effects(read_table(_file(tmp_path, text)), "odds_ratio", ("ratio", "standard_error"))
    assert effects.moderators == {"year": ("2014", "2016"), "design": ("trial", "cohort")}


def test_two_rows_of_one_ratio_are_an_error_until_somebody_says_that_they_differ(tmp_path):
    form = ("ratio", "interval_lower", "interval_upper")
    text = f"study,{','.join(form)}\nAlderwick,0.52,0.28,0.98\nBramhope,0.52,0.28,0.98\n"
    table = read_table(_file(tmp_path, text))
    with pytest.raises(DataError, match="Alderwick"):
        ratio_effects(table, "odds_ratio", form)
    assert ratio_effects(table, "odds_ratio", form, rows_differ=True).study == ("Alderwick", "Bramhope")


@pytest.mark.parametrize(
    ("cells", "note"),
    [
        (("yes", "yes"), ["All ratios are adjusted ones: Alderwick, Bramhope."]),
        (("no", "no"), []),
        (("", ""), []),
        (("yes", ""), ["All ratios are adjusted ones: Alderwick."]),
    ],
)
def test_only_a_mixture_of_adjusted_and_crude_ratios_is_warned_of(tmp_path, cells, note):
    text = (
        f"study,ratio,standard_error,adjusted\nAlderwick,0.52,0.3,{cells[0]}\nBramhope,0.85,0.2,{cells[1]}\n"
    )
    table = read_table(_file(tmp_path, text))
    notes = ratio_effects(table, "odds_ratio", ("ratio", "standard_error")).notes
    assert [line for line in notes if "djusted" in line] == note
