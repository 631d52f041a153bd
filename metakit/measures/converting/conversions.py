"""Everything that turns a reported number into one that can be analysed, in one place to look for it.

Each function returns a `Derived`: the value, the rule in words, the inputs and the source, which becomes a
line of the study's assumption log.
"""

from __future__ import annotations

from metakit.measures.converting.change_scores import (
    USUAL_CORRELATIONS,
    change_sd,
    change_sd_range,
    check_value_kinds,
    correlation_from_sds,
)
from metakit.measures.converting.combining import (
    CountSummary,
    MeanSummary,
    RateSummary,
    combined_counts,
    combined_means,
    combined_rates,
)
from metakit.measures.converting.derived import Derived
from metakit.measures.converting.hazards import (
    LogHazardRatio,
    hazard_ratio_from_interval,
    hazard_ratio_from_logrank,
    hazard_ratio_from_p,
    hazard_ratio_from_p_and_sizes,
)
from metakit.measures.converting.quantiles import (
    Quantiles,
    Skewness,
    mean_from_quantiles,
    sd_from_quantiles,
    skewness,
)
from metakit.measures.converting.ratio_errors import log_error_from_interval, log_error_from_p
from metakit.measures.converting.reexpression import EstimateWithLimits, as_odds_ratio, in_points
from metakit.measures.converting.spread import (
    critical_value,
    sd_from_difference_error,
    sd_from_difference_interval,
    sd_from_interval,
    sd_from_p,
    sd_from_standard_error,
    sd_from_t,
    t_from_p,
    z_from_p,
)
from metakit.measures.survival import survival_error_from_interval
from metakit.measures.units import convert

__all__ = [
    "USUAL_CORRELATIONS",
    "CountSummary",
    "Derived",
    "EstimateWithLimits",
    "LogHazardRatio",
    "MeanSummary",
    "Quantiles",
    "RateSummary",
    "Skewness",
    "as_odds_ratio",
    "change_sd",
    "change_sd_range",
    "check_value_kinds",
    "combined_counts",
    "combined_means",
    "combined_rates",
    "convert",
    "correlation_from_sds",
    "critical_value",
    "hazard_ratio_from_interval",
    "hazard_ratio_from_logrank",
    "hazard_ratio_from_p",
    "hazard_ratio_from_p_and_sizes",
    "in_points",
    "log_error_from_interval",
    "log_error_from_p",
    "mean_from_quantiles",
    "sd_from_difference_error",
    "sd_from_difference_interval",
    "sd_from_interval",
    "sd_from_p",
    "sd_from_quantiles",
    "sd_from_standard_error",
    "sd_from_t",
    "skewness",
    "survival_error_from_interval",
    "t_from_p",
    "z_from_p",
]
