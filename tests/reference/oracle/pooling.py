"""Everything that pooling answers about one set of effects and variances, gathered into one record."""

from __future__ import annotations

from mpmath import mp, mpf

from . import henmi_copas, mean
from . import heterogeneity as het
from .precision import Number, Vector, chi2_sf
from .tau2 import ESTIMATORS, local_maxima, q_statistic, weights


def certify(y: Vector, v: Vector, level: Number) -> dict[str, object]:
    """Return the certified answers of all estimators and intervals."""
    k = len(y)
    q = q_statistic(y, v)
    h = het.h_interval(q, k, level, centre_at_one=True)
    record: dict[str, object] = {
        "level": level,
        "k": k,
        "common_effect": _common(y, v, level),
        "q": {"value": q, "df": k - 1, "p_value": chi2_sf(q, mpf(k - 1))},
        "i2_from_q": het.i2_from_q(q, k),
        "h_interval": h,
        "h_interval_centred_at_raw_h": het.h_interval(q, k, level, centre_at_one=False),
        "i2_interval_from_h": None if h is None else [het.i2_from_h(limit) for limit in h],
        "typical_variance": het.typical_variance(v),
        "random_effects": {
            name: random_effects(y, v, rule(y, v), level) for name, rule in ESTIMATORS.items()
        },
        "likelihood_maxima": {
            "reml": [point for point, _ in local_maxima(y, v, restricted=True)],
            "maximum_likelihood": [point for point, _ in local_maxima(y, v, restricted=False)],
        },
    }
    profile = het.q_profile(y, v, level)
    record["tau2_intervals"] = {
        "q_profile": profile,
        "generalised_q_inverse_variance": het.generalised_q(y, v, weights(v, mpf(0)), level),
        "generalised_q_inverse_standard_error": het.generalised_q(y, v, [1 / mp.sqrt(x) for x in v], level),
        "profile_likelihood": het.profile_likelihood(y, v, level, restricted=False),
        "profile_likelihood_restricted": het.profile_likelihood(y, v, level, restricted=True),
    }
    record["i2_interval_q_profile"] = [het.i2_from_tau2(v, limit) for limit in profile]
    estimate, lower, upper = henmi_copas.interval(y, v, level)
    record["henmi_copas"] = {"estimate": estimate, "interval": [lower, upper]}
    record["profile_likelihood"] = {"interval": mean.profile_interval(y, v, level)}
    return record


def _common(y: Vector, v: Vector, level: Number) -> dict[str, object]:
    zero = mpf(0)
    return {"estimate": mean.estimate(y, v, zero)[0], **mean.wald(y, v, zero, level).as_dict()}


def random_effects(y: Vector, v: Vector, tau2: Number, level: Number) -> dict[str, object]:
    k = len(y)
    centre, se = mean.estimate(y, v, tau2)
    plain = mean.hartung_knapp(y, v, tau2, level, floor=False)
    floored = mean.hartung_knapp(y, v, tau2, level, floor=True)
    return {
        "tau2": tau2,
        "i2": het.i2_from_tau2(v, tau2),
        "estimate": centre,
        "wald": mean.wald(y, v, tau2, level).as_dict(),
        "t": mean.student(y, v, tau2, level).as_dict(),
        "hartung_knapp": plain.as_dict(),
        "hartung_knapp_floor": floored.as_dict(),
        "hartung_knapp_factor": mean.hartung_knapp_factor(y, v, tau2),
        "prediction": {
            "wald_k_minus_2": mean.prediction(centre, se, tau2, k - 2, level) if k > 2 else None,
            "hartung_knapp_k_minus_1": mean.prediction(centre, plain.standard_error, tau2, k - 1, level),
            "hartung_knapp_floor_k_minus_1": mean.prediction(
                centre, floored.standard_error, tau2, k - 1, level
            ),
        },
    }
