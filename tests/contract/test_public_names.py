"""Everything public: documented, loaded on first use, typed, survives another process."""

import ast
import inspect
import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import metakit
from tests.contract import public_names

ROOT = Path(__file__).resolve().parents[2]
FRAME = pd.DataFrame(
    {"study": list("ABCDE"), "events_1": [4, 3, 0, 11, 7], "total_1": [29, 41, 22, 95, 60],
     "events_2": [6, 9, 2, 17, 9], "total_2": [30, 40, 24, 90, 61], "year": [2014, 2016, 2017, 2020, 2021],
     "design": ["trial", "cohort", "trial", "cohort", "trial"]}
)  # fmt: skip


@pytest.fixture(scope="module")
def effects():
    return metakit.effect_sizes(FRAME, measure="risk_ratio", zero_cells="treatment_arm")


@pytest.mark.parametrize("name", [name for name in metakit.__all__ if name != "__version__"])
def test_every_name_is_documented(name):
    found = getattr(metakit, name)
    if not inspect.isclass(found) and not callable(found):
        return
    text = inspect.getdoc(found) or ""
    assert len(text) > 20, name
    if inspect.isfunction(found):
        hints = inspect.signature(found)
        assert hints.return_annotation is not inspect.Signature.empty
        # 'table' and 'effects' alone explain themselves; all other parameters stand in the docstring.
        missing = [p for p in hints.parameters if p.strip("*") not in text]
        assert not missing, (name, missing)


def test_answers_of_a_script_are_those_of_pool(effects):
    whole = metakit.pool(effects)
    left_out = metakit.leave_one_out(effects)
    assert len(left_out) == 5 and left_out.to_frame().index.name == "without"
    keep = np.array([name != "C" for name in effects.study])
    named = {"inference": whole.inference, "likelihood": whole.likelihood}
    frozen = named if whole.inference else {"model": whole.model}
    assert left_out.answers[2].result.interval == metakit.pool(effects.select(keep), **frozen).interval
    grown = metakit.cumulative(effects, "year")
    assert grown.answers[-1].result.interval == whole.interval
    compared = metakit.compare(effects, {"REML": {"tau2": "reml"}, "PM": {"tau2": "paule_mandel"}})
    assert compared.answers[0].result.estimate == metakit.pool(effects, tau2="reml").estimate
    frame = compared.to_frame(natural=True)
    assert list(frame.index) == ["REML", "PM"] and frame.index.name == "method"
    assert len(repr(left_out).splitlines()) <= 30


def test_results_and_errors_survive_another_process(effects):
    again = pickle.loads(pickle.dumps(metakit.pool(effects)))  # noqa: S301 - our own bytes
    assert again.to_frame().equals(metakit.pool(effects).to_frame())
    assert pickle.loads(pickle.dumps(effects)).study == effects.study  # noqa: S301 - our own bytes
    with pytest.raises(metakit.DataError) as raised:
        metakit.effect_sizes({"study": ["A"], "events": [5], "total": [3]}, measure="proportion")
    back = pickle.loads(pickle.dumps(raised.value))  # noqa: S301 - our own bytes
    assert back.problems == raised.value.problems and str(back) == str(raised.value)
    with pytest.raises(metakit.UnknownNameError) as unknown:
        metakit.pool(effects, model="random_efects")
    back = pickle.loads(pickle.dumps(unknown.value))  # noqa: S301 - our own bytes
    assert back.valid == unknown.value.valid and "valid: " in str(back)


def test_arrays_are_read_only_and_the_owner_keeps_his(effects):
    with pytest.raises(ValueError, match="read-only"):
        effects.effect[0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        effects.data["events_1"][0] = 1.0


def test_importing_costs_next_to_nothing():
    code = "import sys, metakit; print(sorted({'numpy', 'pandas', 'scipy'} & set(sys.modules)))"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"


def test_a_network_from_a_frame():
    rows = pd.DataFrame(
        {"id": ["A", "A", "B", "B"], "technique": ["one", "two", "one", "two"], "events": [4, 6, 3, 9],
         "total": [29, 30, 41, 40]}
    )  # fmt: skip
    found = metakit.network(rows, measure="risk_ratio", columns={"study": "id"}, reference="two")
    assert found.parts[0].reference == "two"


def test_a_printed_table_as_a_frame(tmp_path):
    path = tmp_path / "printed.csv"
    path.write_text("Author,LRTI n/N,Control n/N\nAlderwick,4/29,6/30\nBramhope,NR,9/40\n", encoding="utf-8")
    frame = metakit.read_table(path, measure="risk_ratio")
    assert frame.loc[0, ["events_1", "total_1", "events_2", "total_2"]].tolist() == [4, 29, 6, 30]
    assert frame.attrs["left_out"] == [["Bramhope", "events_1 and total_1 not reported"]]


@pytest.mark.walk
def test_a_strict_type_checker_passes_a_script_that_uses_every_name(tmp_path):
    script = Path(__file__).with_name("public_names.py")
    used = {
        node.attr
        for node in ast.walk(ast.parse(script.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute)
    }
    assert set(metakit.__all__) <= used
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--strict", "--cache-dir", str(tmp_path), str(script)],
        capture_output=True, text=True, cwd=ROOT,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout


def test_that_script_runs(tmp_path, capsys):
    answer = public_names.effects_and_answers()
    assert answer.k == 10
    public_names.other_questions(tmp_path)
    assert len(public_names.errors(tmp_path)) == 2


def test_figures_of_a_script_are_those_of_the_command_line(effects, tmp_path):
    answer = metakit.pool(effects)
    figure = effects.forest(
        answer, subgroup="design", order_by="weight", preset="single_column", caption=True
    )
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(85)
    assert any(text.startswith("Bubble: estimate of a study") for text in figure.caption)
    said = [text.get_text() for text in figure.axes[0].texts]
    assert "Design: trial" in said and not any(text.startswith("Bubble:") for text in said)
    ax = answer.forest(order_by="weight", limits=(0.3, 2.0), ticks=(0.5, 1.0, 2.0), grey=True)
    assert ax.get_xlim() == pytest.approx((np.log(0.3), np.log(2.0)))
    assert [label.get_text() for label in ax.get_xticklabels()] == ["0.5", "1", "2"]
    weights = {row.study: row.weight for row in answer.studies}
    shown = [label.get_text() for label in ax.get_yticklabels()][: answer.k]
    assert shown == sorted(weights, key=lambda name: -weights[name])
    with pytest.raises(metakit.UnknownNameError):
        answer.forest(order_by="year")


def test_answers_come_back_from_a_pool_of_processes(effects):
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(max_workers=1) as workers:
        there = workers.submit(metakit.pool, effects).result()
    here = metakit.pool(effects)
    assert there.interval == here.interval and there.studies == here.studies
    assert there.to_frame(natural=True).equals(here.to_frame(natural=True))


def test_pictures_honour_the_settings_of_a_script(effects):
    import matplotlib

    with matplotlib.rc_context({"font.size": 17.0, "axes.labelsize": 17.0, "font.family": "serif"}):
        ax = metakit.pool(effects).forest()
        assert ax.xaxis.label.get_fontsize() == 17.0
        assert ax.get_yticklabels()[0].get_fontfamily() == ["serif"]
