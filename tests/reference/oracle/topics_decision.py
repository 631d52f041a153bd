"""Topics about sequential boundaries, absolute effects, a unit's events, design effects and agreement."""

from __future__ import annotations

import random

from mpmath import mp, mpf

from . import absolute, agreement_measures, sequential
from .precision import exact

Records = list[dict[str, object]]
LEVEL = mpf("0.95")
SEED = 20250317
EFFECTS: tuple[tuple[str, str, str], ...] = (
    ("risk_ratio", "-0.4", "0.25"),
    ("odds_ratio", "0.7514", "0.31"),
    ("hazard_ratio", "-0.2", "0.4"),
    ("risk_difference", "-0.03", "0.02"),
)


def sequential_boundaries() -> tuple[str, Records]:
    """Certify spending boundaries and information sizes."""
    records: Records = []
    even = {k: [mpf(i + 1) / k for i in range(k)] for k in (1, 2, 3, 5, 8)}
    uneven = [exact(item) for item in (("0.13", "0.2", "0.62"), ("0.3", "0.35", "0.36", "0.9", "1"))]
    for times in (*even.values(), *uneven):
        for alpha in ("0.05", "0.01"):
            for kind in ("obrien_fleming", "pocock"):
                for sides in ("each_side", "in_total"):
                    if kind == "pocock" and sides == "in_total":
                        continue  # the function is linear in alpha: both conventions are one
                    limits, errors = sequential.boundaries(times, mpf(alpha), kind, sides)
                    record: dict[str, object] = {
                        "times": times,
                        "alpha": alpha,
                        "spending": kind,
                        "sides": sides,
                        "limits": limits,
                        "spent": errors,
                    }
                    if len(times) in (1, 3, 5) and alpha == "0.05" and times[-1] == 1:
                        record["inflation_at_power_0.9"] = sequential.inflation(
                            times, limits, mpf(alpha), mpf("0.9")
                        )
                    records.append(record)
    sizes: Records = []
    for p2, p1 in (("0.1", "0.05"), ("0.2", "0.15"), ("0.02", "0.01"), ("0.6", "0.65"), ("0.001", "0.0005")):
        for alpha, power in (("0.05", "0.8"), ("0.05", "0.9"), ("0.01", "0.9")):
            given = [mpf(item) for item in (p1, p2, alpha, power)]
            sizes.append(
                {
                    "risk": p1,
                    "baseline": p2,
                    "alpha": alpha,
                    "power": power,
                    **{
                        rule: sequential.size_two_proportions(*given, rule)
                        for rule in ("unpooled", "average", "both")
                    },
                }
            )
    for difference, sd in (("10", "20"), ("0.5", "1"), ("1.2", "7.5")):
        sizes.append(
            {
                "difference": difference,
                "sd": sd,
                "alpha": "0.05",
                "power": "0.8",
                "means": sequential.size_two_means(mpf(difference), mpf(sd), mpf("0.05"), mpf("0.8")),
            }
        )
    records.append({"sizes": sizes})
    return "symmetric two-sided spending boundaries, and sizes of both arms together before rounding", records


def absolute_effects() -> tuple[str, Records]:
    """Certify risks per baseline with and without its uncertainty, numbers needed, chances beyond."""
    records: Records = []
    baselines = ("0.001", "0.02", "0.1", "0.35", "0.8")
    for measure, effect, se in EFFECTS:
        for baseline in baselines:
            given = exact((baseline, effect, se))
            fixed = absolute.at_fixed_baseline(measure, *given, LEVEL)
            lower, upper = fixed["difference_interval"]  # type: ignore[misc]
            low, high = min(lower, upper), max(lower, upper)
            record: dict[str, object] = {
                "measure": measure,
                "baseline": baseline,
                "effect": effect,
                "standard_error": se,
                "fixed": fixed,
                "number_needed": absolute.number_needed(fixed["difference"], low, high),  # type: ignore[arg-type]
                "delta": absolute.delta(measure, given[0], mpf("0.3"), given[1], given[2], LEVEL),
                "baseline_logit_error": "0.3",
            }
            if baseline in ("0.02", "0.1", "0.35"):
                record["exact_difference_interval"] = absolute.exact_interval(
                    measure, given[0], mpf("0.3"), given[1], given[2], LEVEL
                )
            records.append(record)
    chances = [
        {
            "estimate": estimate,
            "standard_error": se,
            "threshold": threshold,
            "df": df,
            "above": absolute.chance_beyond(*exact((estimate, se, threshold)), df),
        }
        for estimate, se, threshold in (
            ("0.3", "0.2", "0"),
            ("-8", "2.5", "-5"),
            ("1", "0.1", "0.2"),
            ("0", "1", "9"),
        )
        for df in (None, 1, 2, 5, 30)
    ]
    records.append({"chances": chances})
    return (
        "absolute effects; risks are cut at 0 and 1 only in the exact interval, which has about 15 digits; "
        "differences are technique minus baseline",
        records,
    )


def unit_events() -> tuple[str, Records]:
    """Certify expected events of a yearly cohort and the mixture distribution of their number."""
    records: Records = []
    for volume, years in (("60", "1"), ("60", "5"), ("250", "10")):
        for rate, scale, df in (
            ("0.024", "0.5", None),
            ("0.0049", "0.9", 4),
            ("0.0023", "0.4", 1),
            ("0.024", "0.25", 15),
        ):
            v, t, r, s = exact((volume, years, rate, scale))
            highest = 40 if volume == "60" else 120
            distribution = absolute.mixture_cdf(v, t, mp.log(r), s, df, highest)
            quantiles = {}
            for p in ("0.025", "0.1", "0.5", "0.9", "0.975"):
                at = next((n for n, item in enumerate(distribution) if item >= mpf(p)), None)
                quantiles[p] = at
            records.append(
                {
                    "volume": volume,
                    "years": years,
                    "rate": rate,
                    "log_scale": scale,
                    "df": df,
                    "expected_at_rate": absolute.expected_events(v, r, t),
                    "quantiles": quantiles,
                    "cumulative": distribution[:41],
                }
            )
    return (
        "events of a yearly cohort: V (1 - exp(-rate years)); number Poisson given the rate, log rate normal (df null) "
        "or scaled Student t; a quantile beyond the table is null",
        records,
    )


def unit_closed_forms() -> tuple[str, Records]:
    """Certify events of a cohort and of a calendar year at everyday and at tiny rates; sizes for rates."""
    records: Records = []
    for rate in ("0", "1e-12", "1e-6", "0.0023", "0.024", "0.9", "40"):
        r, v = mpf(rate), mpf(60)
        records.append(
            {
                "volume": 60,
                "rate": rate,
                "within": {years: absolute.expected_events(v, r, mpf(years)) for years in ("0.5", "5", "20")},
                "calendar_year": {
                    year: absolute.expected_in_year(v, r, mpf(year)) for year in ("1", "2", "10", "40")
                },
            }
        )
    return "expected events of 60 thumbs a year at constant rates", records


def design_and_agreement() -> tuple[str, Records]:
    """Certify design effects, kappa, jackknife, limits of agreement, weighted means, exact shares."""
    source = random.Random(SEED)
    designs: Records = []
    for patients, thumbs in (
        (637, 686),
        (35, 45),
        (215, 242),
        (69, 79),
        (728, 823),
        (175, 184),
        (179, 200),
        (40, 40),
        (12, 24),
    ):
        for icc in ("0", "0.3", "0.5", "1"):
            designs.append(
                {
                    "patients": patients,
                    "thumbs": thumbs,
                    "icc": icc,
                    **agreement_measures.design_effect(patients, thumbs, icc),
                }
            )
    tables: list[list[list[int]]] = [
        [[40, 9], [6, 45]],
        [[90, 3], [4, 3]],
        [[20, 0], [0, 5]],
        [[75, 1, 4], [5, 4, 1], [0, 0, 10]],
        [[10, 2, 0, 1], [3, 8, 1, 0], [0, 1, 12, 2], [0, 0, 1, 9]],
        [[1, 5], [6, 2]],
    ]
    kappas: Records = [{"table": table, **agreement_measures.kappa(table, LEVEL)} for table in tables]
    groups = []
    for _ in range(12):
        n = source.randint(3, 40)
        groups.append((sum(source.random() < 0.88 for _ in range(n)), n))
    jackknives: Records = [
        {"groups": part, **agreement_measures.jackknife(part, agreement_measures.share_of, LEVEL)}  # type: ignore[arg-type]
        for part in (groups, groups[:3], [(4, 5), (7, 7)])
    ]
    studies: list[dict[str, tuple[str, str]]] = []
    for number in range(14):
        study = {}
        for field, names, agree in (
            ("design", ("trial", "cohort", "series"), 0.4),
            ("blinded", ("yes", "no"), 0.3),
            ("always", ("same",), 1.0),
        ):
            if field == "blinded" and number % 4 == 3:
                continue
            one = source.choice(names)
            study[field] = (one, one if source.random() < agree else source.choice(names))
        studies.append(study)
    stratified: Records = [
        {
            "studies": part,
            **agreement_measures.jackknife(part, agreement_measures.stratified_kappa, LEVEL),  # type: ignore[arg-type]
        }
        for part in (studies, studies[:6])
    ]
    p_values = ["0.2", "0.011", "0.74", "0.0003", "0.5"]
    statistic, combined = agreement_measures.fisher_combination(p_values)
    first = [f"{source.gauss(30, 8):.1f}" for _ in range(15)]
    second = [f"{float(item) + source.gauss(0.3, 1):.1f}" for item in first]
    shares: Records = [
        {
            "favourable": x,
            "total": n,
            "interval": agreement_measures.clopper_pearson(x, n, LEVEL),
            "sign_test": agreement_measures.sign_test(x, n),
        }
        for x, n in ((0, 5), (5, 5), (1, 8), (9, 14), (10, 20), (61, 100), (0, 20), (0, 40), (0, 60))
    ]
    values = [f"{source.uniform(40, 75):.2f}" for _ in range(9)]
    sizes = [source.randint(9, 200) for _ in range(9)]
    pairs: Records = [
        {
            "values": values[i : i + 2],
            "weights": sizes[i : i + 2],
            "weighted_mean": agreement_measures.weighted_mean(values[i : i + 2], sizes[i : i + 2]),
        }
        for i in range(0, 8, 2)
    ]
    records: Records = [
        {"weighted_pairs": pairs},
        {"design_effects": designs},
        {"kappas": kappas},
        {"jackknives": jackknives},
        {"stratified": stratified},
        {"p_values": p_values, "statistic": statistic, "df": 2 * len(p_values), "combined": combined},
        {
            "first": first,
            "second": second,
            "limits_of_agreement": agreement_measures.limits_of_agreement(exact(first), exact(second), LEVEL),
        },
        {"shares": shares},
    ]
    return "design effects of bilateral cases; agreement; exact shares; weighted means", records
