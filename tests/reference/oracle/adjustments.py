"""Adjustments for small-study effects: PET and PEESE, and limit meta-analysis.

Sources, all from memory: Stanley & Doucouliagos 2014 (regress the effect on its standard error, or on its variance,
with weights 1/variance and estimated scale; the intercept is the effect of a study without error; PEESE is used
where PET rejects no effect); Rucker 2011 (y_i = beta + sqrt(v_i + tau2)(alpha + e_i): precision grown without bound
leaves beta + tau alpha on average; G2 is the share of the limit effects' variance that the radial line leaves).
"""

from __future__ import annotations

from mpmath import mp, mpf

from .precision import Number, Vector, normal_quantile, t_quantile, t_two_sided_p, total


def line(y: Vector, x: Vector, w: Vector) -> tuple[Vector, list[Vector], Number]:
    """Return (intercept, slope), the inverse of X'WX, and the weighted residual sum of squares."""
    s0, s1 = total(w), total(wi * xi for wi, xi in zip(w, x, strict=True))
    s2 = total(wi * xi * xi for wi, xi in zip(w, x, strict=True))
    t0 = total(wi * yi for wi, yi in zip(w, y, strict=True))
    t1 = total(wi * xi * yi for wi, xi, yi in zip(w, x, y, strict=True))
    det = s0 * s2 - s1 * s1
    inverse = [[s2 / det, -s1 / det], [-s1 / det, s0 / det]]
    a, b = (s2 * t0 - s1 * t1) / det, (s0 * t1 - s1 * t0) / det
    rest = total(wi * (yi - a - b * xi) ** 2 for wi, xi, yi in zip(w, x, y, strict=True))
    return [a, b], inverse, rest


def regression_to_no_error(y: Vector, v: Vector, level: Number) -> dict[str, object]:
    """Return PET and PEESE: intercept, slope, standard errors with estimated scale, t with k - 2 df."""
    answer: dict[str, object] = {}
    for name, x in (("pet", [mp.sqrt(vi) for vi in v]), ("peese", list(v))):
        (a, b), inverse, rest = line(y, x, [1 / vi for vi in v])
        df = len(y) - 2
        scale = rest / df
        rows = {}
        for term, value, spread in (("intercept", a, inverse[0][0]), ("slope", b, inverse[1][1])):
            se = mp.sqrt(scale * spread)
            half = t_quantile((1 + level) / 2, df) * se
            two_sided = t_two_sided_p(value / se, df)
            rows[term] = {
                "estimate": value,
                "standard_error": se,
                "statistic": value / se,
                "df": df,
                "p_value": two_sided,
                "interval": [value - half, value + half],
            }
        answer[name] = {**rows, "residual_variance": scale}
    p_value: Number = answer["pet"]["intercept"]["p_value"]  # type: ignore[index]
    answer["chosen"] = {
        level_name: "peese" if p_value < mpf(level_name) else "pet" for level_name in ("0.05", "0.1")
    }
    return answer


def limit_meta_analysis(y: Vector, v: Vector, tau2: Number, level: Number) -> dict[str, object]:
    """Return the limit line at a given tau2, the adjusted mean by expectation, and G2."""
    tau, x = mp.sqrt(tau2), [mp.sqrt(vi + tau2) for vi in v]
    (beta, alpha), inverse, rest = line(y, x, [1 / xi**2 for xi in x])
    # in the radial form y/x = beta/x + alpha the "intercept" of `line` is the slope beta
    variance = inverse[0][0] + tau2 * inverse[1][1] + 2 * tau * inverse[0][1]
    adjusted = beta + tau * alpha
    limits = [beta + tau / xi * (yi - beta) for xi, yi in zip(x, y, strict=True)]
    half = normal_quantile((1 + level) / 2) * mp.sqrt(variance)
    # common-effect Q, and the part of it that the line on the standard error explains
    w = [1 / vi for vi in v]
    mean = total(wi * yi for wi, yi in zip(w, y, strict=True)) / total(w)
    q = total(wi * (yi - mean) ** 2 for wi, yi in zip(w, y, strict=True))
    _, _, q_residual = line(y, [mp.sqrt(vi) for vi in v], w)
    # radial plot of the limit effects: limit/se against 1/se with a free intercept
    radial_y = [item / mp.sqrt(vi) for item, vi in zip(limits, v, strict=True)]
    radial_x = [1 / mp.sqrt(vi) for vi in v]
    _, _, left = line(radial_y, radial_x, [mpf(1)] * len(y))
    centre = total(radial_y) / len(y)
    whole = total((item - centre) ** 2 for item in radial_y)
    return {
        "tau2": tau2,
        "beta": beta,
        "alpha": alpha,
        "covariance": [inverse[0][0], inverse[0][1], inverse[1][1]],
        "residual_sum_of_squares": rest,
        "adjusted": {
            "estimate": adjusted,
            "standard_error": mp.sqrt(variance),
            "interval": [adjusted - half, adjusted + half],
        },
        "limit_effects": limits,
        "g2": left / whole if tau2 else mpf(0),
        "q": q,
        "q_residual": q_residual,
        "q_small_study": q - q_residual,
    }
