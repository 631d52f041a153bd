"""A script as a user writes it, with every public name; `mypy --strict` reads it, and the tests run it.

All numbers are invented.
"""

from __future__ import annotations

from pathlib import Path

import matplotlib.axes
import matplotlib.figure
import pandas as pd

import metakit

FRAME = pd.DataFrame(
    {
        "Paper": list("ABCDEFGHIJ"), "ev new": [4, 3, 1, 11, 7, 5, 6, 2, 9, 8],
        "n new": [29, 41, 22, 95, 60, 44, 52, 31, 70, 66], "ev old": [6, 9, 2, 17, 9, 8, 7, 5, 12, 11],
        "n old": [30, 40, 24, 90, 61, 45, 50, 30, 71, 64],
        "year": [2014, 2016, 2017, 2020, 2021, 2012, 2013, 2018, 2019, 2022], "design": ["trial", "cohort"] * 5,
    }
)  # fmt: skip
COLUMNS = {"events_1": "ev new", "total_1": "n new", "events_2": "ev old", "total_2": "n old"}


def effects_and_answers() -> metakit.PoolResult:
    effects: metakit.EffectTable = metakit.effect_sizes(
        FRAME, measure="risk_ratio", columns=COLUMNS, study="Paper"
    )
    answer: metakit.PoolResult = metakit.pool(effects)
    frame: pd.DataFrame = answer.to_frame(natural=True)
    text: str = answer.summary()
    compared: metakit.Answers = metakit.compare(effects, ["reml", "paule_mandel"])
    left_out: metakit.Answers = metakit.leave_one_out(effects, answer)
    grown: metakit.Answers = metakit.cumulative(effects, "year")
    names: list[str] = [item.name for found in (compared, left_out, grown) for item in found]
    groups = metakit.subgroups(effects, "design")
    line = metakit.meta_regression(effects, ["year"])
    pulled = metakit.influence(effects)
    tests = metakit.small_study_tests(effects, ["egger"], force=True)
    figure: matplotlib.figure.Figure = effects.forest(answer, subgroup="design", order_by="weight")
    axes: matplotlib.axes.Axes = answer.forest(order_by="effect", grey=True)
    other: matplotlib.axes.Axes = answer.funnel()
    print(frame, text, names, groups, line, pulled, tests, figure, axes, other)
    print(metakit.MEASURES["risk_ratio"].label, metakit.MODELS["half_normal"].label, metakit.__version__)
    print(metakit.reference("sterne_2011"))
    return answer


def other_questions(folder: Path) -> None:
    arms = pd.DataFrame(
        {"id": ["A", "A", "B", "B"], "technique": ["one", "two", "one", "two"], "events": [4, 6, 3, 9],
         "total": [29, 30, 41, 40]}
    )  # fmt: skip
    print(metakit.network(arms, measure="risk_ratio", columns={"study": "id"}, reference="two").to_json())
    returns = pd.DataFrame(
        {"study": ["A", "A", "B"], "cause": ["residual_bone", "mp_hyperextension", "residual_bone"],
         "thumbs": [4, 2, 3], "total": [80, 80, 60]}
    )  # fmt: skip
    print(metakit.causes(returns).to_json())
    path = folder / "printed.csv"
    path.write_text(
        "Author,LRTI n/N,Control n/N\nAlderwick,4/29,6/30\nBramhope,3/41,9/40\n", encoding="utf-8"
    )
    table: pd.DataFrame = metakit.read_table(path, measure="risk_ratio")
    print(table)


def errors(folder: Path) -> list[metakit.Problem]:
    problems: list[metakit.Problem] = []
    try:
        metakit.effect_sizes({"study": ["A"], "events": [5], "total": [3]}, measure="proportion")
    except metakit.DataError as error:
        problems += error.problems
    try:
        metakit.read_table(folder / "nowhere.csv")
    except metakit.UnreadableError as error:
        problems += error.problems
    for wrong in (metakit.ConvergenceError, metakit.NotEstimableError, metakit.ProblemsError):
        assert issubclass(wrong, metakit.MetakitError)
    try:
        metakit.MEASURES["risk_ration"]
    except metakit.UnknownNameError as error:
        print(error.valid)
    try:
        metakit.open_review(folder / "nowhere")
    except (metakit.UnreadableError, metakit.UsageError) as error:
        print(error)
    try:
        metakit.decide(folder / "nowhere", folder / "unit.yaml")
    except metakit.MetakitError as error:
        print(error)
    return problems
