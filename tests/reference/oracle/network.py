"""Networks of techniques: contrast-based generalised least squares with multi-arm covariance.

Sources: Higgins 2012 and White 2012 (model, design-by-treatment); Jackson 2012 (moment tau2); Rucker & Schwarzer 2015
(P-scores). Arms of a study share its first arm: the contrasts y_j - y_1 have covariance v_1 off and v_1 + v_j on the
diagonal, and tau2/2 off and tau2 on it between studies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mpmath import mp, mpf

from .precision import Number, Vector, chi2_sf, normal_cdf, sign_changes, total


@dataclass(frozen=True)
class Study:
    """One study: technique, effect and variance of each arm."""

    name: str
    techniques: tuple[str, ...]
    effects: Vector
    variances: Vector


class Network:
    """All contrasts stacked, with the design matrix of basic parameters against the first technique."""

    def __init__(self, studies: Sequence[Study], reference: str) -> None:
        self.studies = list(studies)
        names = sorted({technique for study in studies for technique in study.techniques})
        names.remove(reference)
        self.reference, self.names = reference, names
        sizes = [len(study.techniques) - 1 for study in studies]
        self.n = sum(sizes)
        self.y = mp.matrix(self.n, 1)
        self.s = mp.matrix(self.n, self.n)
        self.b = mp.matrix(self.n, self.n)
        self.x = mp.matrix(self.n, len(names))
        row = 0
        for study, size in zip(self.studies, sizes, strict=True):
            base = study.techniques[0]
            for j in range(size):
                self.y[row + j] = study.effects[j + 1] - study.effects[0]
                for i in range(size):
                    self.s[row + i, row + j] = study.variances[0]
                    self.b[row + i, row + j] = mpf(1) / 2
                self.s[row + j, row + j] += study.variances[j + 1]
                self.b[row + j, row + j] = mpf(1)
                for technique, direction in ((study.techniques[j + 1], 1), (base, -1)):
                    if technique != reference:
                        self.x[row + j, names.index(technique)] += direction
            row += size

    def pieces(self, tau2: Number) -> tuple[mp.matrix, mp.matrix, mp.matrix, Number, mp.matrix]:
        """Return estimates, covariance, projector, Q and the weight matrix at tau2."""
        w = (self.s + tau2 * self.b) ** -1
        covariance = (self.x.T * w * self.x) ** -1
        beta = covariance * self.x.T * w * self.y
        projector = w - w * self.x * covariance * self.x.T * w
        return beta, covariance, projector, (self.y.T * projector * self.y)[0], w

    def moment_tau2(self) -> Number:
        """Return (Q - df) / tr(P B), not below zero."""
        _, _, projector, q, _ = self.pieces(mpf(0))
        df = self.n - self.x.cols
        if df == 0:
            return mpf(0)
        trace = total(projector[i, j] * self.b[j, i] for i in range(self.n) for j in range(self.n))
        return max(mpf(0), (q - df) / trace)

    def score(self, tau2: Number, *, restricted: bool) -> Number:
        """Return the derivative of the (restricted) log-likelihood."""
        _, _, projector, _, w = self.pieces(tau2)
        image = projector * self.y
        middle = projector if restricted else w
        trace = total(middle[i, j] * self.b[j, i] for i in range(self.n) for j in range(self.n))
        return ((image.T * self.b * image)[0] - trace) / 2

    def likelihood_tau2(self, *, restricted: bool) -> Number:
        """Return the maximum; the score must change sign at most once on the grid."""
        spread = max(abs(item) for item in self.y) ** 2 * 4
        grid = [mpf(0)] + [spread * mp.power(10, mpf(i) / 6 - 10) for i in range(61)]
        roots = sign_changes(lambda t: self.score(t, restricted=restricted), grid)
        if len(roots) > 1:
            raise ArithmeticError("several stationary points")
        return roots[0] if roots else mpf(0)

    def certify(self, tau2: Number) -> dict[str, object]:
        """Return every pair of techniques, Q, and P-scores for 'smaller is better'."""
        beta, covariance, _, q, _ = self.pieces(tau2)
        place = {self.reference: None, **{name: i for i, name in enumerate(self.names)}}
        comparisons = []
        scores: dict[str, list[Number]] = {name: [] for name in place}
        for first, i in place.items():
            for second, j in place.items():
                if first == second:
                    continue
                estimate = (beta[i] if i is not None else 0) - (beta[j] if j is not None else 0)
                variance = (
                    (covariance[i, i] if i is not None else 0)
                    + (covariance[j, j] if j is not None else 0)
                    - (2 * covariance[i, j] if i is not None and j is not None else 0)
                )
                se = mp.sqrt(variance)
                comparisons.append(
                    {
                        "technique": first,
                        "comparator": second,
                        "estimate": mpf(estimate),
                        "standard_error": se,
                    }
                )
                scores[first].append(normal_cdf(-mpf(estimate) / se))
        df = self.n - self.x.cols
        return {
            "tau2": tau2,
            "q": {"value": q, "df": df, "p_value": chi2_sf(q, mpf(df)) if df else None},
            "comparisons": comparisons,
            "p_scores_smaller_is_better": {name: total(items) / len(items) for name, items in scores.items()},
        }

    def q_by_design(self) -> dict[str, object]:
        """Split the common-effect Q into within designs and between them."""
        _, _, _, q, _ = self.pieces(mpf(0))
        designs: dict[tuple[str, ...], list[Study]] = {}
        for study in self.studies:
            designs.setdefault(tuple(sorted(study.techniques)), []).append(study)
        within, within_df = mpf(0), 0
        for design, studies in designs.items():
            part = Network(studies, design[0])
            within += part.pieces(mpf(0))[3]
            within_df += part.n - part.x.cols
        df = self.n - self.x.cols
        return {
            "total": {"value": q, "df": df},
            "within_designs": {"value": within, "df": within_df},
            "between_designs": {"value": q - within, "df": df - within_df},
        }
