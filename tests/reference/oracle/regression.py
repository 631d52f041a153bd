"""Meta-regression: residual tau2, coefficients, Wald and Knapp-Hartung inference, predictions.

Sources: DerSimonian & Kacker 2007 and Jackson 2013 (moments); Viechtbauer 2007 (likelihoods, Q-profile of residual
tau2); Knapp & Hartung 2003 (tests); van Houwelingen, Arends & Stijnen 2002.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from mpmath import mp, mpf

from .precision import (
    Number,
    Vector,
    bracketed_root,
    chi2_quantile,
    chi2_sf,
    normal_quantile,
    normal_two_sided_p,
    sign_changes,
    t_quantile,
    t_two_sided_p,
    total,
)
from .tau2 import tau2_grid


@dataclass(frozen=True)
class Fit:
    """Weighted least squares with weights 1/(v + tau2)."""

    beta: mp.matrix
    covariance: mp.matrix
    projector: mp.matrix  # W - W X (X'WX)^-1 X'W
    q: Number  # y' P y


class Regression:
    """Effects y with variances v on a design matrix x (rows are studies, an intercept included)."""

    def __init__(self, y: Vector, v: Vector, x: list[Vector]) -> None:
        self.y, self.v, self.x = mp.matrix(y), list(v), mp.matrix(x)
        self.k, self.p = self.x.rows, self.x.cols

    def fit(self, weights: Vector) -> Fit:
        """Return the fit for given weights."""
        w = mp.diag(weights)
        covariance = (self.x.T * w * self.x) ** -1
        beta = covariance * self.x.T * w * self.y
        projector = w - w * self.x * covariance * self.x.T * w
        residual = self.y - self.x * beta
        q = total(wi * ri**2 for wi, ri in zip(weights, residual, strict=True))
        return Fit(beta, covariance, projector, q)

    def at(self, tau2: Number) -> Fit:
        """Return the fit at a residual tau2."""
        return self.fit([1 / (vi + tau2) for vi in self.v])

    # --- residual tau2 ---

    def moment(self, weights: Vector) -> Number:
        """Return the truncated moment estimate for fixed weights."""
        fit = self.fit(weights)
        trace = total(fit.projector[i, i] for i in range(self.k))
        # E[y'Py] = tr(P V) + tau2 tr(P)
        drop = total(fit.projector[i, i] * self.v[i] for i in range(self.k))
        return max(mpf(0), (fit.q - drop) / trace)

    def solve_q(self, target: Number) -> Number:
        """Return the tau2 at which the residual Q equals the target, or zero."""
        if self.at(mpf(0)).q <= target:
            return mpf(0)
        low, high = mpf(0), max(self.v)
        while self.at(high).q > target:
            low, high = high, high * 4
        return bracketed_root(lambda t: self.at(t).q - target, low, high)

    def log_likelihood(self, tau2: Number, *, restricted: bool) -> Number:
        """Return the profile log-likelihood; the restricted one without the constant of X'X."""
        fit = self.at(tau2)
        free = self.k - self.p if restricted else self.k
        value = free * mp.log(2 * mp.pi) + total(mp.log(vi + tau2) for vi in self.v) + fit.q
        if restricted:
            value -= mp.log(mp.det(fit.covariance))
        return -value / 2

    def score(self, tau2: Number, *, restricted: bool) -> Number:
        """Return its derivative."""
        fit = self.at(tau2)
        image = fit.projector * self.y
        squares = total(item**2 for item in image)
        if restricted:
            return (squares - total(fit.projector[i, i] for i in range(self.k))) / 2
        return (squares - total(1 / (vi + tau2) for vi in self.v)) / 2

    def likelihood_estimate(self, *, restricted: bool) -> Number:
        """Return the global maximum on [0, infinity)."""
        grid = tau2_grid(list(self.y), self.v)
        points = [mpf(0), *sign_changes(lambda t: self.score(t, restricted=restricted), grid)]
        return max(points, key=lambda t: self.log_likelihood(t, restricted=restricted))

    def tau2(self, name: str) -> Number:
        """Return the residual tau2 of the named estimator."""
        rules: dict[str, Callable[[], Number]] = {
            "common_effect": lambda: mpf(0),
            "dersimonian_laird": lambda: self.moment([1 / vi for vi in self.v]),
            "hedges_olkin": lambda: self.moment([mpf(1)] * self.k),
            "paule_mandel": lambda: self.solve_q(mpf(self.k - self.p)),
            "reml": lambda: self.likelihood_estimate(restricted=True),
            "maximum_likelihood": lambda: self.likelihood_estimate(restricted=False),
        }
        return rules[name]()

    # --- answers ---

    def certify(self, name: str, level: Number, tau2_without: Number | None) -> dict[str, object]:
        """Return everything for one estimator; `tau2_without` is the tau2 of the model without moderators."""
        tau2 = self.tau2(name)
        fit, fixed = self.at(tau2), self.at(mpf(0))
        df = self.k - self.p
        factor = fit.q / df
        z, t = normal_quantile((1 + level) / 2), t_quantile((1 + level) / 2, df)
        coefficients = []
        for j in range(self.p):
            beta, wald = fit.beta[j], mp.sqrt(fit.covariance[j, j])
            scaled, floored = wald * mp.sqrt(factor), wald * mp.sqrt(max(factor, mpf(1)))
            coefficients.append(
                {
                    "estimate": beta,
                    "wald": {
                        "standard_error": wald,
                        "interval": [beta - z * wald, beta + z * wald],
                        "p_value": normal_two_sided_p(beta / wald),
                    },
                    "knapp_hartung": {
                        "standard_error": scaled,
                        "interval": [beta - t * scaled, beta + t * scaled],
                        "p_value": t_two_sided_p(beta / scaled, mpf(df)),
                    },
                    "knapp_hartung_floor": {
                        "standard_error": floored,
                        "interval": [beta - t * floored, beta + t * floored],
                    },
                }
            )
        trace = total(fixed.projector[i, i] for i in range(self.k))
        typical = df / trace
        tail = (1 - level) / 2
        answer: dict[str, object] = {
            "tau2": tau2,
            "i2": tau2 / (tau2 + typical),
            "coefficients": coefficients,
            "knapp_hartung_factor": factor,
            "q_residual": {"value": fixed.q, "df": df, "p_value": chi2_sf(fixed.q, mpf(df))},
            "tau2_interval_q_profile": [
                self.solve_q(chi2_quantile(1 - tail, df)),
                self.solve_q(chi2_quantile(tail, df)),
            ],
        }
        if self.p > 1:
            inner = mp.matrix(self.p - 1, self.p - 1)
            for i in range(1, self.p):
                for j in range(1, self.p):
                    inner[i - 1, j - 1] = fit.covariance[i, j]
            slopes = mp.matrix([fit.beta[j] for j in range(1, self.p)])
            wald = (slopes.T * inner**-1 * slopes)[0]
            m = self.p - 1
            f = wald / (m * factor)
            answer["omnibus"] = {
                "wald": {"value": wald, "df": m, "p_value": chi2_sf(wald, mpf(m))},
                "knapp_hartung": {
                    "value": f,
                    "df": [m, df],
                    "p_value": mp.betainc(mpf(df) / 2, mpf(m) / 2, 0, df / (df + m * f), regularized=True),
                },
            }
        if tau2_without is not None:
            answer["r2"] = max(mpf(0), 1 - tau2 / tau2_without) if tau2_without > 0 else None
        return answer
