"""Topics about one-stage, Bayesian and dependent-effects models."""

from __future__ import annotations

import sys

from mpmath import mpf

from . import bayes, cases, dependent, one_stage, one_stage_two_arms
from .precision import doubles
from .tau2 import reml

Records = list[dict[str, object]]
LEVEL = mpf("0.95")


def one_stage_models() -> tuple[str, Records]:
    """Certify the binomial-normal, Poisson-normal and conditional hypergeometric-normal fits."""
    small = [(0, 40), (1, 55), (3, 31), (0, 12), (6, 48), (1, 120)]
    equal = [(2, 40), (3, 60), (1, 20), (4, 80)]
    sparse = [(1, 30, 4, 32), (0, 25, 2, 27), (3, 60, 3, 55), (0, 18, 0, 20), (1, 44, 7, 40)]
    jobs: list[tuple[str, str, list[tuple[object, ...]], list[one_stage.Kernel], str, str, bool]] = []
    for name, rows, mu, tau, profile in (
        (
            "surgical_mortality",
            cases.columns(cases.table("surgical_mortality"), "events", "total"),
            "-2.5",
            "0.4",
            True,
        ),
        ("invented: rare events with zeros", small, "-3.5", "1", True),
        ("invented: equal risks", equal, "-3", "0.5", False),
    ):
        jobs.append(
            (
                name,
                "binomial_normal",
                rows,
                [one_stage.binomial_kernel(*row) for row in rows],
                mu,
                tau,
                profile,
            )
        )  # type: ignore[misc]
    pumps = cases.columns(cases.table("pump_rates"), "events", "time")
    rates: list[tuple[object, ...]] = [(0, "120.5"), (1, "98"), (5, "140.25"), (0, "33"), (2, "210")]
    jobs.append(
        (
            "pump_rates",
            "poisson_normal",
            pumps,
            [one_stage.poisson_kernel(*row) for row in pumps],
            "-1",
            "1",
            True,
        )
    )
    jobs.append(
        (
            "invented: revisions over thumb-years",
            "poisson_normal",
            rates,
            [one_stage.poisson_kernel(*row) for row in rates],
            "-4",
            "0.8",
            False,
        )
    )
    for name, table_rows, mu in (
        ("lanza_smallk", cases.columns(cases.table("lanza_smallk"), *cases.TWO_COUNTS), "-3"),
        ("invented: sparse two-arm", sparse, "-1"),
    ):
        rows = [tuple(row) for row in table_rows]
        jobs.append(
            (
                name,
                "hypergeometric_normal",
                rows,
                [one_stage.hypergeometric_kernel(row) for row in rows],
                mu,
                "0.7",
                name.startswith("lanza"),
            )
        )
    doctors = cases.columns(cases.table("doctors_irr"), *cases.TWO_RATES)
    revisions: list[tuple[object, ...]] = [
        (1, "120", 4, "98"),
        (0, "77", 2, "80"),
        (6, "210", 3, "190"),
        (0, "30", 0, "25"),
        (1, "140", 9, "151"),
    ]
    for name, rate_rows, start in (
        ("doctors_irr", doctors, "0.4"),
        ("invented: revisions in two arms", revisions, "-0.5"),
    ):
        informative = [row for row in rate_rows if int(str(row[0])) + int(str(row[2])) > 0]
        kernels = [one_stage.shared_events_kernel(row) for row in informative]
        jobs.append((name, "rate_ratio_binomial_normal", list(rate_rows), kernels, start, "0.3", False))
    records: Records = []
    for name, model, rows, kernels, mu, tau, profile in jobs:
        print("  ", name, model, file=sys.stderr, flush=True)
        answer = one_stage.fit(kernels, mpf(mu), mpf(tau))
        if profile and not answer["boundary"]:
            answer["profile_likelihood_interval"] = one_stage.profile_interval(kernels, answer, LEVEL)
        records.append({"name": name, "model": model, "rows": rows, **answer})
    uneven: list[tuple[object, ...]] = [
        (5, 40, 1, 38),
        (0, 25, 0, 30),
        (0, 18, 4, 20),
        (9, 35, 4, 36),
        (1, 60, 0, 55),
        (2, 44, 14, 40),
    ]
    name = "invented: uneven arms, one study without events"
    informative = [row for row in uneven if (row[0], row[2]) != (0, 0)]
    for halves in (False, True):
        print("  ", name, "fixed intercepts", file=sys.stderr, flush=True)
        answer = one_stage_two_arms.fixed_intercepts(informative, mpf("-0.3"), mpf("0.5"), halves=halves)
        records.append(
            {"name": name, "model": "fixed_study_intercepts", "halves": halves, "rows": uneven, **answer}
        )
    eight = cases.columns(cases.table("nicotine_gum"), *cases.TWO_COUNTS)[:8]
    for label, rows in ((name, uneven), ("nicotine_gum, first eight", eight)):
        records.append(
            {"name": label, "model": "beta_binomial", "rows": rows, **one_stage_two_arms.beta_binomial(rows)}
        )
    return "one-stage models by quadrature on the whole line; log-likelihoods keep all constants", records


PROBABILITIES = [mpf(text) for text in ("0.025", "0.25", "0.5", "0.75", "0.975")]


def bayesian() -> tuple[str, Records]:
    """Certify posteriors of the normal-normal model under several priors."""
    half = mpf("0.5")
    blockers = [
        pair for pair in cases.table_effects("betablockers", "odds_ratio", "none") if pair is not None
    ]
    bcg = [pair for pair in cases.table_effects("bcg", "risk_ratio", "none") if pair is not None]
    two = ("0.2", "-0.6"), ("0.05", "0.09")
    three = ("0.30", "0.31", "0.29"), ("0.04", "0.05", "0.06")
    jobs = (
        (
            "betablockers",
            None,
            [p[0] for p in blockers],
            [p[1] for p in blockers],
            "uniform",
            (),
            bayes.flat(),
            None,
        ),
        (
            "betablockers",
            None,
            [p[0] for p in blockers],
            [p[1] for p in blockers],
            "half_normal",
            ("0.5",),
            bayes.half_normal(half),
            None,
        ),
        (
            "bcg",
            None,
            [p[0] for p in bcg],
            [p[1] for p in bcg],
            "half_normal",
            ("0.5",),
            bayes.half_normal(half),
            None,
        ),
        (
            "two studies",
            two,
            doubles(two[0]),
            doubles(two[1]),
            "half_normal",
            ("0.5",),
            bayes.half_normal(half),
            None,
        ),
        (
            "two studies",
            two,
            doubles(two[0]),
            doubles(two[1]),
            "half_cauchy",
            ("0.5",),
            bayes.half_cauchy(half),
            None,
        ),
        (
            "two studies",
            two,
            doubles(two[0]),
            doubles(two[1]),
            "log_normal",
            ("-1", "1"),
            bayes.log_normal(mpf(-1), mpf(1)),
            None,
        ),
        (
            "three near-equal effects",
            three,
            doubles(three[0]),
            doubles(three[1]),
            "half_normal",
            ("0.5",),
            bayes.half_normal(half),
            ("0", "4"),
        ),
    )
    records: Records = []
    for name, texts, y, v, prior, parameters, log_prior, mean_prior in jobs:
        print("  ", name, prior, file=sys.stderr, flush=True)
        location = None if mean_prior is None else (mpf(mean_prior[0]), mpf(mean_prior[1]))
        posterior = bayes.Posterior(y, v, log_prior, location, {"uniform": 0, "half_cauchy": 2}.get(prior))
        record: dict[str, object] = {
            "name": name,
            "doubles": texts is not None,
            "effect": texts[0] if texts else y,
            "variance": texts[1] if texts else v,
            "tau_prior": {"family": prior, "parameters": parameters},
            "mean_prior": mean_prior,
            "probabilities": PROBABILITIES,
            "tau": posterior.tau_summary(PROBABILITIES),
            "mu": posterior.summary("mu", PROBABILITIES),
            "new_study": posterior.summary("new", PROBABILITIES),
            "first_study": posterior.summary("study", PROBABILITIES, 0),
        }
        if len(y) < 4:
            record["mu_shortest_interval"] = posterior.shortest_mu(LEVEL)
        records.append(record)
    return (
        "normal-normal posteriors by integration over tau; flat mean unless mean_prior (mean, SD) is given",
        records,
    )


def dependent_effects() -> tuple[str, Records]:
    """Certify CR2 and the three-level model on a small invented set."""
    y_text = ("0.12", "0.30", "-0.05", "0.44", "0.51", "0.38", "0.02", "0.61", "0.20", "-0.11", "0.33")
    v_text = ("0.03", "0.05", "0.04", "0.06", "0.02", "0.05", "0.08", "0.04", "0.03", "0.07", "0.05")
    cluster = ("a", "a", "b", "c", "c", "c", "d", "e", "e", "f", "f")
    moderator = ("0", "1", "0", "1", "1", "0", "0", "1", "2", "0", "1")
    y, v, x = doubles(y_text), doubles(v_text), doubles(moderator)
    data = {"doubles": True, "effect": y_text, "variance": v_text, "cluster": cluster, "moderator": moderator}
    spread = ("1.2", "0.30", "-0.9", "0.44", "2.1", "1.4", "-1.3", "0.61", "0.9", "-0.4", "0.7")
    records: Records = []
    for texts, correlation in ((y_text, "0"), (spread, "0"), (spread, "0.6")):
        effects, rho = doubles(texts), mpf(float(correlation))
        answer = dependent.three_level_reml(effects, v, cluster, rho)
        phi = dependent.three_level_covariance(v, cluster, answer["tau2_between"], answer["tau2_within"], rho)
        robust = dependent.cr2(effects, [[mpf(1)] for _ in effects], phi, cluster)[0]
        records.append(
            {
                "name": "three_level_reml",
                **data,
                "effect": texts,
                "sampling_correlation": correlation,
                "answer": answer,
                "cluster_robust": robust,
            }
        )
    ones = [[mpf(1)] for _ in y]
    line = [[mpf(1), item] for item in x]
    for name, between, within in (
        ("variances only", "0", "0"),
        ("between 0.04, within 0.01", "0.04", "0.01"),
    ):
        phi = dependent.three_level_covariance(v, cluster, mpf(float(between)), mpf(float(within)))
        common = {**data, "tau2_between": between, "tau2_within": within}
        records.append(
            {
                "name": "cr2",
                "working_model": name,
                "terms": ["intercept"],
                **common,
                "answer": dependent.cr2(y, ones, phi, cluster),
            }
        )
        records.append(
            {
                "name": "cr2",
                "working_model": name,
                "terms": ["intercept", "moderator"],
                **common,
                "answer": dependent.cr2(y, line, phi, cluster),
            }
        )
    singles = tuple(str(i) for i in range(len(y)))
    tau2 = reml(y, v)
    phi = dependent.three_level_covariance(v, singles, mpf(0), tau2)
    records.append(
        {
            "name": "cr2",
            "working_model": "every study its own cluster, REML tau2 within",
            "terms": ["intercept"],
            **data,
            "cluster": singles,
            "tau2_between": "0",
            "tau2_within": tau2,
            "answer": dependent.cr2(y, ones, phi, singles),
        }
    )
    return "dependent effects, invented: three-level REML and CR2 with Satterthwaite df", records
