"""Absolute effects, numbers needed to treat, chances beyond a threshold, expected events of a unit.

Sources, from memory: Cochrane Handbook 14.1.5 and 15.4 (risks from ratios at a baseline; hazard ratios through
1 - (1 - p)^HR); Altman 1998 (an interval of the number needed that passes through infinity); Higgins, Thompson &
Spiegelhalter 2009 (prediction of a new study, here of the log rate). A baseline that is uncertain is normal on
the logit, independent of the effect, which is normal on its own scale (log for ratios, plain for a risk difference).
"""

from __future__ import annotations

from mpmath import mp, mpf

from .precision import Number, bracketed_root, normal_cdf, normal_quantile, t_two_sided_p


def risk(measure: str, baseline: Number, effect: Number) -> Number:
    """Return the risk with the technique; effect as a log ratio or a risk difference; not cut at 0 or 1."""
    if measure == "risk_ratio":
        return baseline * mp.exp(effect)
    if measure == "odds_ratio":
        odds = baseline / (1 - baseline) * mp.exp(effect)
        return odds / (1 + odds)
    if measure == "hazard_ratio":
        return -mp.expm1(mp.exp(effect) * mp.log1p(-baseline))
    return baseline + effect


def effect_for(measure: str, baseline: Number, wanted: Number) -> Number:
    """Return the effect that takes the baseline to the wanted risk; infinite where none does."""
    if measure == "risk_difference":
        return wanted - baseline
    if wanted <= 0:
        return mp.ninf
    if measure == "risk_ratio":
        return mp.log(wanted / baseline)
    if wanted >= 1:
        return mp.inf
    if measure == "odds_ratio":
        return mp.log(wanted / (1 - wanted)) - mp.log(baseline / (1 - baseline))
    return mp.log(mp.log1p(-wanted) / mp.log1p(-baseline))


def logit(p: Number) -> Number:
    """Return log odds."""
    return mp.log(p / (1 - p))


def inverse_logit(x: Number) -> Number:
    """Return the risk with log odds x."""
    return 1 / (1 + mp.exp(-x))


def at_fixed_baseline(
    measure: str, baseline: Number, effect: Number, se: Number, level: Number
) -> dict[str, object]:
    """Return risks and differences with limits carried over from the effect's own limits."""
    half = normal_quantile((1 + level) / 2) * se
    risks = [risk(measure, baseline, item) for item in (effect, effect - half, effect + half)]
    return {
        "risk": risks[0],
        "risk_interval": risks[1:],
        "difference": risks[0] - baseline,
        "difference_interval": [item - baseline for item in risks[1:]],
    }


def slopes(measure: str, baseline: Number, effect: Number) -> tuple[Number, Number]:
    """Return the derivatives of the risk by the logit of the baseline and by the effect."""
    p, q = baseline, 1 - baseline
    r = risk(measure, p, effect)
    if measure == "risk_ratio":
        return r * q, r
    if measure == "odds_ratio":
        return r * (1 - r), r * (1 - r)
    if measure == "hazard_ratio":
        ratio = mp.exp(effect)
        left = mp.exp(ratio * mp.log1p(-p))
        return ratio * left * p, -left * mp.log1p(-p) * ratio
    return p * q, mpf(1)


def delta(
    measure: str, baseline: Number, spread: Number, effect: Number, se: Number, level: Number
) -> dict[str, object]:
    """Return symmetric limits of risk and difference by first derivatives; `spread` is of the logit."""
    by_baseline, by_effect = slopes(measure, baseline, effect)
    own = baseline * (1 - baseline)
    r, z = risk(measure, baseline, effect), normal_quantile((1 + level) / 2)
    se_risk = mp.sqrt((by_baseline * spread) ** 2 + (by_effect * se) ** 2)
    se_difference = mp.sqrt(((by_baseline - own) * spread) ** 2 + (by_effect * se) ** 2)
    # on the logit of the new risk, carried back: stays between 0 and 1
    answer: dict[str, object] = {
        "risk_standard_error": se_risk,
        "difference_standard_error": se_difference,
        "risk_interval": [r - z * se_risk, r + z * se_risk],
        "difference_interval": [r - baseline - z * se_difference, r - baseline + z * se_difference],
    }
    if 0 < r < 1:
        on_logit = se_risk / (r * (1 - r))
        answer["risk_interval_on_logit"] = [
            inverse_logit(logit(r) - z * on_logit),
            inverse_logit(logit(r) + z * on_logit),
        ]
    return answer


def chance_below(
    measure: str, baseline: Number, spread: Number, effect: Number, se: Number, x: Number
) -> Number:
    """Return P(new risk - baseline <= x) by integration over the baseline's logit, the new risk cut at 0 and 1."""
    centre = logit(baseline)

    def integrand(z: Number) -> Number:
        p = inverse_logit(centre + spread * z)
        if x >= 1 - p:
            return mp.npdf(z)
        if x < -p:
            return mpf(0)
        cut = effect_for(measure, p, x + p)
        if mp.isinf(cut):
            return mpf(0) if cut < 0 else mp.npdf(z)
        return mp.npdf(z) * normal_cdf((cut - effect) / se)

    with mp.workdps(26):
        breaks = {mpf(-11), mpf(-4), mpf(0), mpf(4), mpf(11)}
        if 0 < abs(x) < 1:
            # where the wanted risk reaches 0 or 1 the integrand jumps or changes its form
            breaks.add(min(max((logit(abs(x) if x < 0 else 1 - x) - centre) / spread, mpf(-10)), mpf(10)))
        return mp.quad(integrand, sorted(breaks))


def exact_interval(
    measure: str, baseline: Number, spread: Number, effect: Number, se: Number, level: Number
) -> list[Number]:
    """Return quantiles of the difference under both uncertainties, to about 15 digits."""
    width: Number = delta(measure, baseline, spread, effect, se, level)["difference_standard_error"]  # type: ignore[assignment]
    centre = risk(measure, baseline, effect) - baseline
    limits = []
    for tail in ((1 - level) / 2, (1 + level) / 2):

        def height(x: Number, tail: Number = tail) -> Number:
            return chance_below(measure, baseline, spread, effect, se, x) - tail

        low, high = centre - width, centre + width
        while height(low) > 0:
            low -= width
        while height(high) < 0:
            high += width
        limits.append(bracketed_root(height, low, high, digits=17))
    return limits


def number_needed(difference: Number, lower: Number, upper: Number) -> dict[str, object]:
    """Return 1 / |difference| and how its interval runs: benefit (fewer events) is a negative difference."""
    answer: dict[str, object] = {
        "number": mp.inf if difference == 0 else 1 / abs(difference),
        "of": "neither" if difference == 0 else "benefit" if difference < 0 else "harm",
        "through_infinity": bool(lower < 0 < upper),
    }
    for name, limit in (("lower", lower), ("upper", upper)):
        answer[f"at_{name}_difference"] = mp.inf if limit == 0 else 1 / abs(limit)
    return answer


def chance_beyond(estimate: Number, se: Number, threshold: Number, df: int | None) -> Number:
    """Return P(effect > threshold) by the normal or Student's t."""
    t = (threshold - estimate) / se
    if df is None:
        return normal_cdf(-t)
    tail = t_two_sided_p(t, mpf(df)) / 2
    return tail if t > 0 else 1 - tail


# --- a unit's events -----------------------------------------------------------------------------


def expected_events(volume: Number, rate: Number, years: Number) -> Number:
    """Return volume x (1 - exp(-rate x years)), rate per thumb-year (constant hazard)."""
    return -volume * mp.expm1(-rate * years)


def expected_in_year(volume: Number, rate: Number, year: Number) -> Number:
    """Return the integral of volume (1 - exp(-rate s)) over s from year - 1 to year: thumbs come evenly."""
    if rate == 0:
        return mpf(0)
    return volume * (1 - (mp.exp(-rate * (year - 1)) - mp.exp(-rate * year)) / rate)


def mixture_cdf(
    volume: Number, years: Number, log_rate: Number, scale: Number, df: int | None, highest: int
) -> list[Number]:
    """Return P(N <= n), n = 0..highest: Poisson given the rate, the log rate normal or scaled t about its mean."""

    def density(z: Number) -> Number:
        if df is None:
            return mp.npdf(z)
        nu = mpf(df)
        top = mp.gamma((nu + 1) / 2) / (mp.gamma(nu / 2) * mp.sqrt(nu * mp.pi))
        return top * (1 + z * z / nu) ** (-(nu + 1) / 2)

    # t has heavy tails: z = sinh(u) makes them fall off fast; the trapezoid rule on the line
    def sums(step: Number) -> list[Number]:
        found = [mpf(0)] * (highest + 1)
        reach = 6 if df is None else 90
        count = int(reach / step)
        for i in range(-count, count + 1):
            u = i * step
            z = mp.sinh(u)
            weight = density(z) * mp.cosh(u) * step
            if weight < mpf(10) ** (-34):
                continue
            exponent = log_rate + scale * z
            mean = expected_events(volume, mp.exp(exponent), years) if exponent < 5000 else volume
            term = mp.exp(-mean)
            running = mpf(0)
            for n in range(highest + 1):
                running += term
                found[n] += weight * running
                term = term * mean / (n + 1)
        return found

    with mp.workdps(34):
        step, before = mpf(1) / 8, None
        for _ in range(6):
            now = sums(step)
            if before is not None and max(abs(a - b) for a, b in zip(now, before, strict=True)) < mpf(10) ** (
                -22
            ):
                return now
            before, step = now, step / 2
    raise ArithmeticError("the mixture did not settle")
