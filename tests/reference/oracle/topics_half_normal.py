"""Topics of the half-normal spread: normal effects, counts, regressions and networks.

Tables `policy/...` repeat published shapes of trouble (an empty cell, two studies, an empty arm); the others are
drawn with a fixed seed or invented. Nothing here is a real study except where a published table is named.
"""

from __future__ import annotations

import math
import random
import sys
from collections.abc import Callable

from mpmath import mp, mpf

from . import bayes, cases, causes, half_normal_counts, half_normal_linear, network, one_stage, two_arms
from .precision import Vector, doubles, exact

Records = list[dict[str, object]]
Row = tuple[object, ...]
LEVEL = mpf("0.95")
SEED = 20261129
THRESHOLDS = ("0", "-0.2231435513")  # a log ratio of nothing and of about 0.80
MEAN_SD = "2.82"
PROBABILITIES = [(1 - LEVEL) / 2, mpf(1) / 2, (1 + LEVEL) / 2]


# --- the data ------------------------------------------------------------------------------------

TABLES: dict[str, list[tuple[int, int, int, int]]] = {
    "two large": [(30, 300, 60, 300), (25, 250, 45, 250)],
    "two large and an empty cell": [(30, 300, 60, 300), (25, 250, 45, 250), (0, 15, 1, 15)],
    "one empty cell of three": [(0, 40, 4, 40), (3, 60, 7, 58), (5, 80, 9, 82)],
    "one study": [(7, 61, 12, 58)],
    "one study with an empty cell": [(0, 25, 3, 27)],
    "empty arm": [(0, 20, 3, 20), (0, 30, 1, 30), (0, 25, 2, 25), (0, 25, 2, 25), (0, 40, 2, 40)],
    "far apart": [(1, 120, 30, 118), (28, 110, 2, 121), (6, 60, 7, 64)],
    "uneven arms and a giant": [(2, 10, 1, 30), (14, 480, 40, 500), (0, 12, 2, 36), (3, 45, 1, 15)],
}


def drawn_table(
    source: random.Random, k: int, risk: float, ratio: float, tau: float
) -> list[tuple[int, int, int, int]]:
    """Draw k informative studies; arms of 10 to 500, more small ones than large ones."""
    rows: list[tuple[int, int, int, int]] = []
    while len(rows) < k:
        n1, n2 = (int(10 * 50 ** source.random() ** 1.5) for _ in range(2))
        p2 = min(risk * math.exp(source.gauss(0, 0.5)), 0.6)
        p1 = min(p2 * math.exp(ratio + source.gauss(0, tau)), 0.8)
        a, c = (sum(source.random() < p for _ in range(n)) for p, n in ((p1, n1), (p2, n2)))
        if a + c and a < n1 and c < n2:
            rows.append((a, n1, c, n2))
    return rows


def pair_tables() -> dict[str, list[tuple[int, int, int, int]]]:
    """Return the named and the drawn tables of two arms."""
    source = random.Random(SEED)
    tables = dict(TABLES)
    for k, risk, ratio, tau in (
        (4, 0.02, -0.4, 0.3),
        (7, 0.015, 0.3, 0.6),
        (12, 0.03, -0.7, 0.2),
        (9, 0.12, -0.3, 0.5),
    ):
        tables[f"drawn, {k} studies at {100 * risk:g} %"] = drawn_table(source, k, risk, ratio, tau)
    return tables


ONE_ARM: dict[str, list[tuple[int, int]]] = {
    "none and nine of sixty": [(0, 60), (9, 60)],
    "no event at all": [(0, 40), (0, 25), (0, 60)],
    "one study": [(3, 44)],
    "all events": [(12, 12), (30, 30)],
}
RATES: dict[str, list[tuple[int, str]]] = {
    "two series": [(1, "61.5"), (8, "95")],
    "no event at all": [(0, "210"), (0, "55.5"), (0, "130")],
}
RATE_PAIRS: dict[str, list[tuple[int, str, int, str]]] = {
    "two studies": [(3, "220", 9, "205.5"), (1, "60", 4, "66")],
    "zeros on both sides": [
        (0, "45", 2, "40"),
        (3, "150.5", 5, "160"),
        (1, "80", 0, "85"),
        (2, "310", 7, "295"),
    ],
    "empty arm": [(0, "120", 4, "118"), (0, "66", 2, "70"), (0, "210", 3, "200")],
}


# --- normal effects ------------------------------------------------------------------------------


def drawn_effects() -> list[tuple[str, tuple[str, ...], tuple[str, ...]]]:
    """Return named effects with variances: k = 1 to 12, precision over up to six orders, identical and distant."""
    source = random.Random(SEED + 1)
    found: list[tuple[str, tuple[str, ...], tuple[str, ...]]] = [
        ("one study", ("-0.41",), ("0.09",)),
        ("eight identical", ("-0.2231435513",) * 8, ("0.25",) * 8),
        ("near-equal", ("0.30", "0.31", "0.29"), ("0.04", "0.05", "0.06")),
        ("ten errors apart", ("-1.5", "1.5"), ("0.09", "0.0625")),
        ("one precise among vague", ("0.1", "-0.8", "0.9", "0.4"), ("0.0001", "0.5", "0.8", "1.2")),
        (
            "six orders of precision",
            ("0.02", "-0.3", "1.1", "0.6", "-0.9"),
            ("1e-5", "0.001", "0.1", "1", "10"),
        ),
        ("two trials after transplantation", ("-2.3097", "-1.2585"), ("0.35937", "0.41216")),
    ]
    for k in (2, 4, 6, 12):
        tau = source.choice((0.0, 0.2, 0.5, 1.0))
        v = [10 ** source.uniform(-2.3, 0.3) for _ in range(k)]
        y = [source.gauss(-0.3, math.sqrt(tau**2 + vi)) for vi in v]
        found.append(
            (f"drawn, {k} effects, tau {tau:g}", tuple(f"{x:.6g}" for x in y), tuple(f"{x:.6g}" for x in v))
        )
    return found


def normal_answer(posterior: bayes.Posterior) -> dict[str, object]:
    """Return what a headline needs."""
    here, new = posterior.mixture("mu"), posterior.mixture("new")
    tau = posterior.tau_summary(PROBABILITIES)
    low, median, high = (bayes.mixture_quantile(here, p) for p in PROBABILITIES)
    thresholds = exact(THRESHOLDS)
    return {
        "mean": sum(mass * m for mass, m, _ in here),
        "median": median,
        "interval": [low, high],
        "prediction": [bayes.mixture_quantile(new, p) for p in (PROBABILITIES[0], PROBABILITIES[2])],
        "above": [[t, 1 - bayes.mixture_cdf(here, t), 1 - bayes.mixture_cdf(new, t)] for t in thresholds],
        "tau_mean": tau["mean"],
        "tau_median": tau["quantiles"][1],  # type: ignore[index]
        "tau_interval": [tau["quantiles"][0], tau["quantiles"][2]],  # type: ignore[index]
    }


def half_normal_effects() -> tuple[str, Records]:
    """Certify normal effects: half-normal spread of scale 0.25 to 1, flat or normal mean."""
    records: Records = []
    jobs: list[tuple[dict[str, object], Vector, Vector]] = []
    for name, y, v in drawn_effects():
        jobs.append(({"name": name, "doubles": True, "effect": y, "variance": v}, doubles(y), doubles(v)))
    for name in ("two large", "one empty cell of three", "empty arm", "uneven arms and a giant"):
        rows = TABLES[name]
        for measure in ("risk_ratio", "odds_ratio") if len(rows) == 3 else ("risk_ratio",):
            pairs = [two_arms.effect(measure, row, "treatment_arm") for row in rows]
            y, v = [pair[0] for pair in pairs if pair], [pair[1] for pair in pairs if pair]
            jobs.append(
                ({"name": name, "measure": measure, "rows": rows, "correction": "treatment_arm"}, y, v)
            )
    for number, (record, y, v) in enumerate(jobs):
        for scale in ("0.5", "1.0") if record["name"].startswith("two") else ("0.5",):  # type: ignore[attr-defined]
            for mean_sd in (None, MEAN_SD) if number % 6 == 0 else (None,):
                print("  ", record["name"], scale, mean_sd, file=sys.stderr, flush=True)
                location = None if mean_sd is None else (mpf(0), mpf(mean_sd))
                posterior = bayes.Posterior(y, v, bayes.half_normal(mpf(scale)), location)
                records.append(
                    {**record, "scale": scale, "mean_sd": mean_sd, "answer": normal_answer(posterior)}
                )
    return (
        "normal effects, half-normal tau of the given scale, mean flat or normal(0, mean_sd); `above` holds threshold, "
        "probability that the mean lies above, probability that the effect in a new centre does",
        records,
    )


# --- counts --------------------------------------------------------------------------------------


def width(first: object, second: object) -> mpf:
    """Return about the standard error of a logit of `first` successes and `second` failures."""
    x, y = exact((first, second))
    return 1 / mp.sqrt(x * y / (x + y) + 1)


def risk_ratio_study(row: Row) -> half_normal_counts.Study:
    """Events of arm 1 given all events, with totals as exposure (Cai, Parast & Ryan 2010)."""
    return half_normal_counts.Study(one_stage.shared_events_kernel(row), width(row[0], row[2]))


def odds_ratio_study(row: Row) -> half_normal_counts.Study:
    """Fisher's non-central hypergeometric distribution."""
    return half_normal_counts.Study(one_stage.hypergeometric_kernel(row), width(row[0], row[2]))


def logit_study(row: Row) -> half_normal_counts.Study:
    """Binomial on the logit."""
    x, n = exact(row)
    return half_normal_counts.Study(one_stage.binomial_kernel(x, n), width(x, n - x))


def log_rate_study(row: Row) -> half_normal_counts.Study:
    """Poisson on the log."""
    return half_normal_counts.Study(one_stage.poisson_kernel(*row), 1 / mp.sqrt(exact(row)[0] + 1))


Family = tuple[Callable[[Row], half_normal_counts.Study], half_normal_counts.LogPrior, str, str]


Job = tuple[str, str, list[Row], Family]


def count_jobs() -> list[Job]:
    """Return measure, name, rows and model of every table of counts that is certified."""
    normal = half_normal_counts.normal_mean(mpf(MEAN_SD))
    pairs = pair_tables()
    ratio = (normal, "0.5", f"normal(0, {MEAN_SD})")
    risk_ratios = (
        "two large and an empty cell",
        "one empty cell of three",
        "one study with an empty cell",
        "empty arm",
        "uneven arms and a giant",
        "drawn, 7 studies at 1.5 %",
    )
    odds_ratios = ("one empty cell of three", "one study", "far apart", "drawn, 4 studies at 2 %")
    jobs: list[Job] = []
    jobs += [("risk_ratio", name, list(pairs[name]), (risk_ratio_study, *ratio)) for name in risk_ratios]
    jobs += [("odds_ratio", name, list(pairs[name]), (odds_ratio_study, *ratio)) for name in odds_ratios]
    jobs += [
        ("rate_ratio", name, list(rows), (risk_ratio_study, *ratio)) for name, rows in RATE_PAIRS.items()
    ]
    one_arm = (logit_study, half_normal_counts.jeffreys_logit(), "1.0", "jeffreys")
    jobs += [("proportion", name, list(rows), one_arm) for name, rows in ONE_ARM.items()]
    rate = (log_rate_study, half_normal_counts.jeffreys_log(), "1.0", "jeffreys")
    jobs += [("rate", name, list(rows), rate) for name, rows in RATES.items()]
    return jobs


def count_record(job: Job) -> dict[str, object]:
    """Certify one table."""
    measure, name, rows, (make, prior, scale, mean) = job
    print("  ", measure, name, file=sys.stderr, flush=True)
    posterior = half_normal_counts.CountPosterior([make(row) for row in rows], mpf(scale), prior)
    thresholds = exact(THRESHOLDS) if "ratio" in measure else exact(("-3",))
    return {
        "measure": measure,
        "name": name,
        "rows": rows,
        "scale": scale,
        "mean": mean,
        "answer": posterior.summary(thresholds, LEVEL),
    }


def half_normal_count_models() -> tuple[str, Records]:
    """Certify the four count likelihoods under a half-normal spread."""
    return (
        "counts with normal effects, half-normal tau; about 13 of the printed digits hold. risk_ratio: binomial given a "
        "study's events with totals as exposure; odds_ratio: non-central hypergeometric; rate_ratio: binomial given a "
        "study's events with times as exposure; proportion: binomial on the logit, mean with Jeffreys' density of the "
        "risk of a median centre, sqrt(p (1 - p)) on the logit; rate: Poisson on the log, mean with Jeffreys' density of "
        "the rate of a median centre, exp(mu / 2) on the log",
        [count_record(job) for job in count_jobs()],
    )


# --- regressions and networks --------------------------------------------------------------------

NETWORK = [
    ("one", (("A", 14, 60), ("B", 21, 62))),
    ("two", (("A", 9, 45), ("C", 6, 47))),
    ("three", (("A", 19, 80), ("B", 15, 78), ("C", 12, 81))),
    ("four", (("B", 17, 55), ("C", 9, 51))),
    ("five", (("A", 5, 33), ("B", 11, 30))),
    ("six", (("C", 8, 64), ("D", 13, 66))),
]
PAIR = [
    ("one", (("A", 14, 60), ("B", 21, 62))),
    ("two", (("A", 9, 45), ("B", 6, 47))),
    ("three", (("A", 19, 80), ("B", 31, 78))),
]


def half_normal_linear_models() -> tuple[str, Records]:
    """Certify regressions and networks of risk ratios."""
    records: Records = []
    half = mpf("0.5")
    table = cases.table("bcg_latitude")
    latitude = [mpf(str(item[0])) for item in cases.columns(table, "latitude")]
    pairs = [two_arms.effect("risk_ratio", row) for row in cases.columns(table, *cases.TWO_COUNTS)]
    y, v = [p[0] for p in pairs if p], [p[1] for p in pairs if p]
    group = ("0", "0", "0", "1", "1", "1", "1")
    effects, variances = (
        ("-0.41", "-0.12", "-0.66", "0.2", "-0.05", "0.31", "0.6"),
        ("0.11", "0.06", "0.2", "0.09", "0.15", "0.04", "0.3"),
    )
    for name, ys, vs, x, texts in (
        ("bcg_latitude", y, v, [[mpf(1), item] for item in latitude], None),
        (
            "two groups, invented",
            doubles(effects),
            doubles(variances),
            [[mpf(1), mpf(item)] for item in group],
            {"effect": effects, "variance": variances, "moderator": group},
        ),
    ):
        print("  ", name, file=sys.stderr, flush=True)
        posterior = half_normal_linear.LinearPosterior(
            mp.matrix(ys),
            half_normal_linear.diagonal(vs),
            half_normal_linear.diagonal([mpf(1)] * len(ys)),
            mp.matrix(x),
            half,
        )
        at = mpf(33) if texts is None else mpf(1)
        records.append(
            {
                "name": name,
                "kind": "regression",
                **(texts or {"table": "bcg_latitude", "measure": "risk_ratio"}),
                "scale": "0.5",
                "intercept": posterior.summary([mpf(1), mpf(0)], LEVEL),
                "slope": posterior.summary([mpf(0), mpf(1)], LEVEL),
                "at": at,
                "fitted": posterior.summary([mpf(1), at], LEVEL),
                "tau_mean": posterior.tau_mean(),
            }
        )
    for name, rows in (("four techniques, invented", NETWORK), ("one pair, invented", PAIR)):
        print("  ", name, file=sys.stderr, flush=True)
        studies = [
            network.Study(
                study,
                tuple(t for t, _, _ in arms),
                [mp.log(mpf(a) / n) for _, a, n in arms],
                [1 / mpf(a) - 1 / mpf(n) for _, a, n in arms],
            )
            for study, arms in rows
        ]
        net = network.Network(studies, "A")
        posterior = half_normal_linear.LinearPosterior(net.y, net.s, net.b, net.x, half)
        place = {"A": None, **{t: i for i, t in enumerate(net.names)}}
        unit = {t: [mpf(1) if i == j else mpf(0) for j in range(len(net.names))] for t, i in place.items()}
        comparisons = []
        for i, first in enumerate(unit):
            for second in list(unit)[i + 1 :]:
                contrast = [a - b for a, b in zip(unit[second], unit[first], strict=True)]
                comparisons.append(
                    {"technique": second, "comparator": first, **posterior.summary(contrast, LEVEL)}
                )
        records.append(
            {
                "name": name,
                "kind": "network",
                "measure": "risk_ratio",
                "studies": [{"study": study, "arms": arms} for study, arms in rows],
                "scale": "0.5",
                "comparisons": comparisons,
                "p_scores_smaller_is_better": half_normal_linear.p_scores(posterior, unit),
                "tau_mean": posterior.tau_mean(),
            }
        )
    return (
        "regressions and networks of log risk ratios, flat coefficients, half-normal tau of the given scale; every "
        "contrast of a network has spread tau, contrasts of one study covariance tau^2 / 2",
        records,
    )


# --- causes --------------------------------------------------------------------------------------

CAUSES: dict[str, list[list[int]]] = {
    "three causes, three studies": [[6, 3, 1], [2, 4, 1], [0, 1, 2]],
    "two causes, two studies": [[5, 1], [2, 7]],
    "a cause that nobody saw": [[4, 3], [2, 6], [0, 0]],
    "one return a study": [[1, 0, 1, 1], [0, 1, 0, 0]],
    "four causes, two studies": [[3, 1], [1, 2], [0, 2], [1, 0]],
    "opposite centres": [[12, 0], [0, 11]],
    "eight studies": [[2, 5, 0, 1, 3, 0, 1, 2], [1, 1, 2, 0, 4, 1, 0, 3]],
}


def causes_of_return() -> tuple[str, Records]:
    """Certify the Dirichlet-multinomial of causes, and its log probability with known parameters."""
    records: Records = []
    for name, counts in CAUSES.items():
        print("  ", name, file=sys.stderr, flush=True)
        posterior = causes.CausesPosterior(counts, mpf(1))
        records.append({"name": name, "counts": counts, "scale": "1.0", **posterior.summary(LEVEL)})
    # where the cause of some returns is not stated: as if none of them, or all of them, were for the first cause
    stated, missing = [[5, 1, 2], [2, 3, 0]], [1, 0, 2]
    none = causes.CausesPosterior([*stated, missing], mpf(1)).share(0, LEVEL)
    most = causes.CausesPosterior(
        [[a + m for a, m in zip(stated[0], missing, strict=True)], stated[1]], mpf(1)
    ).share(0, LEVEL)
    records.append(
        {"name": "bounds", "counts": stated, "not_stated": missing, "scale": "1.0", "none": none, "all": most}
    )
    for y, alpha in (
        ((1, 2, 3), ("3", "4", "5")),
        ((0, 4, 1, 7), ("0.25", "1.5", "0.03", "2")),
        ((9, 0), ("0.5", "0.5")),
    ):
        value = causes.log_probability(y, exact(alpha))
        records.append({"name": "log probability", "counts": y, "alpha": alpha, "log_probability": value})
    return (
        "Dirichlet-multinomial of invented counts (causes, then studies): shares Dirichlet(1/C), tau = 2 / sqrt(s) "
        "half-normal; log_marginal without the multinomial coefficients",
        records,
    )
