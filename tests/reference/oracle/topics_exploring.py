"""Topics of exploring: regression, leave-one-out, cumulative, small-study effects, networks."""

from __future__ import annotations

from mpmath import mp, mpf

from . import cases, mean, small_study
from .network import Network, Study
from .precision import Number, Vector, exact
from .regression import Regression
from .tau2 import dersimonian_laird, q_statistic, reml

Records = list[dict[str, object]]
LEVEL = mpf("0.95")
ESTIMATORS = (
    "common_effect",
    "dersimonian_laird",
    "hedges_olkin",
    "paule_mandel",
    "reml",
    "maximum_likelihood",
)


def _pairs(table: str, measure: str, policy: str) -> tuple[Vector, Vector]:
    pairs = [pair for pair in cases.table_effects(table, measure, policy) if pair is not None]
    return [pair[0] for pair in pairs], [pair[1] for pair in pairs]


def meta_regression() -> tuple[str, Records]:
    """Certify the BCG regressions."""
    content = cases.table("bcg")
    records: Records = []
    for measure in ("odds_ratio", "risk_ratio"):
        y, v = _pairs("bcg", measure, "none")
        plain = Regression(y, v, [[mpf(1)] for _ in y])
        for moderators in (("latitude",), ("latitude", "year")):
            x = [[mpf(1), *exact(row)] for row in cases.columns(content, *moderators)]
            model = Regression(y, v, x)
            answers = {}
            for name in ESTIMATORS:
                without = None if name == "common_effect" else plain.tau2(name)
                answers[name] = model.certify(name, LEVEL, without)
            records.append(
                {
                    "table": "bcg",
                    "measure": measure,
                    "moderators": moderators,
                    "effect": y,
                    "variance": v,
                    "answers": answers,
                }
            )
    return "meta-regression of the BCG trials on latitude and year", records


SMALL_STUDY_TABLES = (
    ("bcg", "odds_ratio", "none"),
    ("magnesium", "odds_ratio", "constant"),
    ("nicotine_gum", "odds_ratio", "none"),
    ("borenstein_smd", "standardized_mean_difference", ""),
    ("toothpaste_md", "mean_difference", ""),
)


def small_study_effects() -> tuple[str, Records]:
    """Certify Egger, Begg, Peters, Harbord and trim and fill."""
    records: Records = []
    for table, measure, policy in SMALL_STUDY_TABLES:
        y, v = _pairs(table, measure, policy)
        record: dict[str, object] = {
            "table": table,
            "measure": measure,
            "effect": y,
            "variance": v,
            "egger": small_study.egger(y, v),
            "begg": small_study.begg(y, v),
        }
        if measure == "odds_ratio":
            rows = cases.columns(cases.table(table), *cases.TWO_COUNTS)
            record["peters"] = small_study.peters(rows, y)
            record["harbord"] = small_study.harbord(rows)
        record["trim_and_fill"] = [
            {
                "estimator": estimator,
                "model": "random_effects" if random_effects else "common_effect",
                **small_study.trim_and_fill(y, v, estimator, random_effects=random_effects, side=side),
            }
            for estimator in ("l0", "r0")
            for random_effects in (False, True)
            for side in ("left", "right")
        ]
        records.append(record)
    return (
        "small-study effects; trim and fill with the DerSimonian-Laird tau2, Wald errors, both sides",
        records,
    )


def _row(y: Vector, v: Vector, tau2: Number) -> dict[str, object]:
    centre, _ = mean.estimate(y, v, tau2)
    wald = mean.wald(y, v, tau2, LEVEL)
    return {"estimate": centre, **wald.as_dict(), "tau2": tau2, "q": q_statistic(y, v)}


def leave_one_out_and_cumulative() -> tuple[str, Records]:
    """Certify every set less one study, and every set of the first studies in the order of the table."""
    records: Records = []
    for table, measure, policy in (
        ("bcg", "risk_ratio", "none"),
        ("lanza_smallk", "risk_difference", "none"),
    ):
        y, v = _pairs(table, measure, policy)
        record: dict[str, object] = {"table": table, "measure": measure, "effect": y, "variance": v}
        for name, rule in (("dersimonian_laird", dersimonian_laird), ("reml", reml)):
            parts = [(y[:i] + y[i + 1 :], v[:i] + v[i + 1 :]) for i in range(len(y))]
            record[f"leave_one_out/{name}"] = [_row(a, b, rule(a, b)) for a, b in parts]
            firsts = [(y[:i], v[:i]) for i in range(2, len(y) + 1)]
            record[f"cumulative_from_two/{name}"] = [_row(a, b, rule(a, b)) for a, b in firsts]
        records.append(record)
    return "leave-one-out and cumulative pooling, Wald intervals", records


def networks() -> tuple[str, Records]:
    """Certify the Parkinson network and an invented heterogeneous one with a three-arm study."""
    parkinson = [
        Study(
            str(name),
            tuple(techniques),
            exact(effects),
            [item**2 for item in exact(errors)],
        )
        for name, techniques, effects, errors in cases.table("parkinson_nma")["rows"]  # type: ignore[attr-defined]
    ]
    invented_rows = [
        ("one", ("A", "B"), ("0", "0.9"), ("0.04", "0.05")),
        ("two", ("A", "B"), ("0.1", "0.1"), ("0.03", "0.06")),
        ("three", ("A", "C"), ("0", "1.4"), ("0.05", "0.02")),
        ("four", ("B", "C"), ("0.2", "-0.3"), ("0.04", "0.03")),
        ("five", ("A", "B", "C"), ("0", "0.5", "0.2"), ("0.06", "0.05", "0.07")),
        ("six", ("C", "D"), ("0.3", "0.5"), ("0.05", "0.04")),
        ("seven", ("A", "D"), ("-0.1", "1.1"), ("0.02", "0.03")),
    ]
    invented = [Study(n, t, exact(e), exact(s)) for n, t, e, s in invented_rows]
    records: Records = []
    for name, studies, reference in (("parkinson_nma", parkinson, "1"), ("invented", invented, "A")):
        net = Network(studies, reference)
        tau2s = {
            "common_effect": mpf(0),
            "dersimonian_laird": net.moment_tau2(),
            "reml": net.likelihood_tau2(restricted=True),
            "maximum_likelihood": net.likelihood_tau2(restricted=False),
        }
        records.append(
            {
                "name": name,
                "reference": reference,
                "studies": [
                    {
                        "study": study.name,
                        "techniques": study.techniques,
                        "means": study.effects,
                        "standard_errors": [mp.sqrt(item) for item in study.variances],
                    }
                    for study in studies
                ],
                "answers": {label: net.certify(tau2) for label, tau2 in tau2s.items()},
                "q_by_design": net.q_by_design(),
            }
        )
    return (
        "networks with multi-arm studies, arm-level means; estimates are technique minus comparator",
        records,
    )
