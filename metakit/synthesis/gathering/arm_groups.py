"""Several arms of one side made into one, by the kind of their numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from metakit.measures.converting.conversions import (
    CountSummary,
    Derived,
    MeanSummary,
    RateSummary,
    combined_counts,
    combined_means,
    combined_rates,
)
from metakit.measures.kind import COUNTS, RATES, Kind


def combined(kind: Kind, arms: Sequence[Mapping[str, float]]) -> Derived[dict[str, float]]:
    """Combine the numbers of several arms.

    Parameters
    ----------
    kind : Kind
        What the numbers are: counts, rates or means.
    arms : sequence of mapping
        The numbers of each arm (`events` and `total`, `events` and `time`, or `mean`, `sd` and `total`).

    Returns
    -------
    Derived of dict

    References
    ----------
    Cochrane Handbook, sections 6.5.2.10 and 23.3.4.
    """
    if kind is COUNTS:
        counts = combined_counts([CountSummary(**arm) for arm in arms])
        return _as_dict(counts, counts.value._asdict())
    if kind is RATES:
        rates = combined_rates([RateSummary(**arm) for arm in arms])
        return _as_dict(rates, rates.value._asdict())
    means = combined_means([MeanSummary(**arm) for arm in arms])
    return _as_dict(means, means.value._asdict())


def _as_dict(
    derived: Derived[CountSummary] | Derived[RateSummary] | Derived[MeanSummary], value: dict[str, float]
) -> Derived[dict[str, float]]:
    return Derived(value=value, rule=derived.rule, inputs=derived.inputs, reference=derived.reference)
