"""Topics about single studies: effects with every zero-cell policy, and conversions of reported figures."""

from __future__ import annotations

from mpmath import mpf

from . import cases, means, one_arm, two_arms
from .precision import Vector, normal_quantile, t_quantile, total

Records = list[dict[str, object]]
LEVEL = mpf("0.95")

ZERO_CELL_ROWS: tuple[tuple[int, int, int, int], ...] = (
    (0, 20, 4, 25), (3, 20, 0, 60), (0, 12, 0, 15), (12, 12, 15, 15), (12, 12, 9, 15), (5, 9, 15, 15),
    (0, 1, 1, 1), (1, 1, 0, 1), (0, 30, 30, 30), (1, 2, 1, 3), (7, 1000000, 1, 3),
    (1, 100000000, 3, 100000000), (499999, 1000000, 500001, 1000000),
)  # fmt: skip
MEAN_ROWS: tuple[tuple[str, str, int, str, str, int], ...] = (
    ("5.1", "2.2", 12, "4.0", "2.9", 15),
    ("100.5", "15", 2, "98", "14", 2),
    ("0.001", "0.0004", 30, "0.0012", "0.0005", 41),
    ("-3.5", "1", 10, "2.5", "1.5", 11),
    ("1e6", "3", 50, "999999", "4", 60),
    ("12", "3", 100000, "11.99", "3", 100000),
)


def _pair(pair: tuple[object, object] | None) -> dict[str, object]:
    return (
        {"estimable": False} if pair is None else {"estimable": True, "effect": pair[0], "variance": pair[1]}
    )


def effects() -> tuple[str, Records]:
    """Certify every measure on every published table and on awkward single rows."""
    records: Records = []
    for row in ZERO_CELL_ROWS:
        answers = {
            measure: {
                policy: _pair(two_arms.effect(measure, row, policy))
                for policy in ("none", "constant", "treatment_arm")
            }
            for measure in ("risk_ratio", "odds_ratio", "risk_difference")
        }
        for measure in ("peto_odds_ratio", "arcsine_difference"):
            answers[measure] = {"none": _pair(two_arms.effect(measure, row))}
        records.append({"family": "two_arm_counts", "row": row, "answers": answers})
    tables = (
        "bcg",
        "betablockers",
        "borenstein_or",
        "china_smoking",
        "magnesium",
        "nicotine_gum",
        "rabbits_zero_cells",
    )
    for name in tables:
        for row in cases.columns(cases.table(name), *cases.TWO_COUNTS):
            answers = {
                measure: {"constant": _pair(two_arms.effect(measure, row, "constant"))}
                for measure in ("risk_ratio", "odds_ratio")
            }
            for measure in ("risk_difference", "peto_odds_ratio", "arcsine_difference"):
                answers[measure] = {"none": _pair(two_arms.effect(measure, row))}
            records.append({"family": "two_arm_counts", "table": name, "row": row, "answers": answers})
    for row in (
        *MEAN_ROWS,
        *(
            r
            for name in ("borenstein_smd", "toothpaste_md")
            for r in cases.columns(cases.table(name), *cases.TWO_MEANS)
        ),
    ):
        measures = ["mean_difference", "standardized_mean_difference"]
        measures += ["ratio_of_means"] if float(row[0]) * float(row[3]) > 0 else []  # type: ignore[arg-type]
        records.append(
            {
                "family": "two_arm_means",
                "row": [str(item) for item in row],
                "answers": {measure: {"none": _pair(means.effect(measure, row))} for measure in measures},
            }
        )
    for row in (
        (0, 47),
        (18, 148),
        (1, 1),
        (5, 5),
        (1, 1000000),
        (3, 11),
        (99, 100),
        *cases.columns(cases.table("surgical_mortality"), "events", "total"),
    ):
        scales = {
            scale: {
                policy: _pair(one_arm.proportion(scale, *row, policy))
                for policy in (("none", "constant") if scale in ("logit", "log", "raw") else ("none",))
            }
            for scale in ("logit", "log", "raw", "arcsine", "double_arcsine")
        }
        intervals = {
            "clopper_pearson": one_arm.clopper_pearson(*row, LEVEL),
            "wilson": one_arm.wilson(*row, LEVEL),
        }
        records.append({"family": "one_arm_counts", "row": row, "scales": scales, "intervals": intervals})
    for row in (
        ("0", "12.5"),
        ("1", "0.004"),
        ("2500", "1e7"),
        *((str(x), str(t)) for x, t in cases.columns(cases.table("pump_rates"), "events", "time")),
    ):
        scales = {
            scale: {policy: _pair(one_arm.rate(scale, *row, policy)) for policy in ("none", "constant")}
            for scale in ("log", "square_root")
        }
        records.append(
            {
                "family": "one_arm_rates",
                "row": row,
                "scales": scales,
                "intervals": {"garwood": one_arm.garwood(*row, LEVEL)},
            }
        )
    invented_rates = [(0, "120.5", 2, "98"), (1, "40", 0, "55.25"), (0, "10", 0, "12")]
    for row in (*invented_rates, *cases.columns(cases.table("doctors_irr"), *cases.TWO_RATES)):
        records.append(
            {
                "family": "two_arm_rates",
                "row": row,
                "answers": {
                    "rate_ratio": {
                        policy: _pair(one_arm.rate_ratio(*row, policy)) for policy in ("none", "constant")
                    }
                },
            }
        )
    return "effect and variance of single studies, with every zero-cell policy", records


def conversions() -> tuple[str, Records]:
    """Certify the conversions of reported figures."""
    five = {"smallest": "2", "q1": "7", "median": "10", "q3": "14", "largest": "30"}
    records: Records = [
        {"name": "combine_groups", "groups": groups, "answer": means.combine_groups(groups)}
        for groups in (
            [("30", "12.5", "4.1"), ("45", "15.2", "5.3")],
            [("30", "12.5", "4.1"), ("45", "15.2", "5.3"), ("25", "14.0", "3.9")],
            [("2", "1000000.5", "0.25"), ("3", "1000000.25", "0.5")],
        )
    ]
    records.append(
        {"name": "sd_from_se", "standard_error": "1.2", "n": 50, "answer": means.sd_from_se("1.2", 50)}
    )
    for n, t in ((120, False), (25, True), (2, True)):
        answer = means.sd_from_interval("12.1", "17.3", n, LEVEL, t=t)
        records.append(
            {"name": "sd_from_interval", "interval": ["12.1", "17.3"], "n": n, "t": t, "answer": answer}
        )
    t, se, sd = means.sd_from_p("3.8", "0.008", 25, 22)
    records.append(
        {
            "name": "sd_from_p",
            "difference": "3.8",
            "p": "0.008",
            "n": [25, 22],
            "answer": {"t": t, "standard_error": se, "sd": sd},
        }
    )
    for n in (10, 25, 60, 400):
        for scenario, names in (
            ("range", ("smallest", "median", "largest")),
            ("quartiles", ("q1", "median", "q3")),
            ("five_numbers", tuple(five)),
        ):
            given = {name: five[name] for name in names}
            records.append(
                {
                    "name": "median_and_range",
                    "scenario": scenario,
                    "n": n,
                    "given": given,
                    "mean": means.luo_mean(scenario, n, **given),
                    "sd": means.wan_sd(scenario, n, **given),
                }
            )
    for n in (2, 3, 5, 10, 25, 50):
        records.append({"name": "expected_range", "n": n, "answer": means.expected_range(n)})
    records.append(
        {
            "name": "quantiles",
            "t_24": t_quantile(mpf("0.975"), 24),
            "normal_975": normal_quantile(mpf("0.975")),
        }
    )
    arcs = [
        one_arm.freeman_tukey(*(mpf(item) for item in row))
        for row in cases.columns(cases.table("miller_1978"), "events", "total")
    ]  # type: ignore[arg-type]
    sizes: Vector = [mpf(row[0]) for row in cases.columns(cases.table("miller_1978"), "total")]  # type: ignore[arg-type]
    mean, n = total(arcs) / len(arcs), one_arm.harmonic_mean(sizes)
    records.append(
        {
            "name": "miller_inverse",
            "arcs": arcs,
            "mean": mean,
            "harmonic_mean": n,
            "answer": one_arm.miller_inverse(mean, n),
        }
    )
    return "conversions of reported figures; inputs invented unless a source is named", records
