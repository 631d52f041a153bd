"""The beta-binomial variant of the one-stage model."""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

import numpy as np

from metakit.core.limits import Limits
from metakit.core.results import Heterogeneity
from metakit.errors import ConvergenceError
from metakit.measures.registry import MEASURES
from metakit.models.of_counts.one_stage_checks import Verdict
from metakit.models.of_counts.one_stage_data import CountData
from metakit.models.of_counts.one_stage_intervals import Likelihood, mean_intervals
from metakit.models.of_counts.one_stage_results import BetaBinomialResult
from metakit.models.of_counts.one_stage_summary import ratio_test, shared_fields
from metakit.models.of_counts.one_stage_variants import OneStageVariant
from metakit.models.registry import PoolOptions
from metakit.numerics.of_counts.one_stage_beta_binomial import fit_beta_binomial
from metakit.numerics.of_counts.one_stage_contrast import Contrast, contrast, contrast_limits, contrast_root

_DEFAULT = "profile_likelihood_small_sample"


def fit_contrast(
    data: CountData, variant: OneStageVariant, verdict: Verdict, options: PoolOptions
) -> BetaBinomialResult:
    """Fit the beta-binomial and answer for the measure of the table."""
    measure, k = MEASURES[data.effects.measure], len(data.effects)
    kind = cast(Contrast, measure.name)
    fit, tails = fit_beta_binomial(
        *(column[None, :] for column in data.columns), heterogeneous=verdict.heterogeneous
    )
    if not bool(fit.converged[0]):
        raise ConvergenceError(
            "the beta-binomial likelihood did not settle at a maximum; ask for mantel_haenszel, or show "
            "the counts"
        )
    value, error = (float(part[0]) for part in contrast(fit.logits, fit.covariance, kind))
    correlation = float(fit.correlation[0])

    def profile(cutoffs: Sequence[float]) -> list[Limits]:
        lower, upper = contrast_limits(
            tails, fit, kind, np.array(cutoffs)[:, None], heterogeneous=verdict.heterogeneous
        )
        return [Limits(*map(float, limits)) for limits in zip(lower[:, 0], upper[:, 0], strict=True)]

    null = measure.null_value
    root = None
    if null is not None:
        root = float(
            contrast_root(tails, fit, kind, np.array([null]), heterogeneous=verdict.heterogeneous)[0]
        )
    facts = Likelihood(
        units=2 * k,
        df=2 * k - 2,
        estimate=value,
        standard_error=error,
        profile=profile,
        root=root,
        null_value=null,
    )
    mean, others, notes = mean_intervals(
        facts, options.level, options.interval, default=_DEFAULT, beside=options.intervals
    )
    words = [verdict.note] if verdict.note else []
    words.append(
        "Beta-binomial: the arms of a study are compared through their means over all studies, not within "
        "each study, so studies without any event count in full, and a difference in size between arms "
        "matters."
    )
    if verdict.heterogeneous and correlation == 0:
        words.append("The intracluster correlation is estimated as 0, its boundary: plain pooled binomials.")
    return BetaBinomialResult(
        **shared_fields(data.effects, options.level),
        mean=mean,
        estimate=value,
        heterogeneity=Heterogeneity(),
        notes=(*data.effects.notes, *data.notes, *words, *notes),
        references=variant.references,
        log_likelihood=float(fit.value[0]),
        correlation=correlation,
        correlation_test=ratio_test(float(fit.value[0]), float(fit.value_binomial[0]))
        if verdict.heterogeneous
        else None,
        boundary=correlation == 0,
        other_intervals=others,
    )
