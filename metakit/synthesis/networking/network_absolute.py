"""What a network's comparison means for 100 thumbs, held against what studies of each technique saw."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from metakit.core.limits import Limits
from metakit.core.written import count, per_100
from metakit.errors import NotEstimableError
from metakit.measures.converting.carrying import Carrier, carrier_for
from metakit.synthesis.baseline import counts_quantile

LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkBaseline:
    """Risk (fraction) or rate of the reference, and in words where it comes from."""

    value: float
    unit: str
    basis: str
    reference: str

    @property
    def per_year(self) -> bool:
        """Whether it is a rate."""
        return self.unit == "thumb-years"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What the studies of one technique saw: the widest reach of their own 95 % intervals, and in words.

    `lowest` and `highest` are fractions (or rates); a number outside lies outside the interval of each study.
    """

    label: str
    lowest: float
    highest: float
    words: str

    @classmethod
    def of(cls, label: str, arms: Sequence[tuple[float, float]], unit: str) -> Seen | None:
        """Return what arms, each with events and size, saw; None without any.

        References
        ----------
        Brown LD, Cai TT, DasGupta A (2001). Stat Sci 16:101-133 (intervals of one count).
        """
        arms = [(events, size) for events, size in arms if size > 0]
        if not arms:
            return None
        per_year = unit == "thumb-years"
        tails = np.array([(1 - LEVEL) / 2, (1 + LEVEL) / 2])
        limits = [counts_quantile(e, n, tails, per_year=per_year) for e, n in arms]
        lowest = min(0.0 if e == 0 else float(low) for (e, _), (low, _) in zip(arms, limits, strict=True))
        highest = max(
            1.0 if e == n and not per_year else float(high)
            for (e, n), (_, high) in zip(arms, limits, strict=True)
        )
        if len(arms) == 1:
            words = f"{arms[0][0]:.0f} {'in' if per_year else 'of'} {arms[0][1]:.0f} {unit} in its only study"
        else:
            shares = sorted(100 * e / n for e, n in arms)
            words = (
                f"{per_100(shares[0])} to {per_100(shares[-1])} in 100 {unit} in its "
                f"{count(len(arms), 'study', 'studies')}"
            )
        return cls(label=label, lowest=lowest, highest=highest, words=words)

    def outside(self, value: float) -> bool:
        """Say whether a frequency lies outside the interval of every study with the technique."""
        return not self.lowest <= value <= self.highest


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkAbsolute:
    """Per 100 thumbs (or thumb-years): the comparator's frequency and the technique's with its interval.

    The interval is that of the relative effect; the uncertainty of the baseline is not in it. `basis` says
    where the comparator's number comes from, `carried` why the measure itself does not serve in this network,
    `remarks` what is unusual about the numbers; `carrier` is the way from ratios to frequencies.
    """

    unit: str
    comparator: float
    technique: float
    lower: float
    upper: float
    basis: str
    carried: str = ""
    carrier: Carrier | None = None
    remarks: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the absolute effect as JSON."""
        return {
            "per": 100,
            "unit": self.unit,
            "comparator": self.comparator,
            "technique": self.technique,
            "interval": [self.lower, self.upper],
            "basis": self.basis,
            "carried_over": self.carried or None,
            "remarks": list(self.remarks),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkRisks:
    """The frequency after every technique, from one baseline in one way, so that all pairs agree.

    `carrier` brings ratios to frequencies: the measure itself where everything that is shown fits, else one
    way for the whole network. `expected` holds each technique's frequency, `seen` what its studies saw; `why`
    says why there are no frequencies.
    """

    baseline: NetworkBaseline
    reference: str
    carrier: Carrier | None
    expected: Mapping[str, float]
    seen: Mapping[str, Seen]
    why: str = ""

    def of_pair(
        self, pair: tuple[str, str], effect: float, interval: Limits
    ) -> tuple[NetworkAbsolute | None, str]:
        """Return what a pair means for 100 thumbs, and why it cannot be said; effects in natural units.

        The comparator's frequency is the baseline, or what the network expects at it. An expectation outside
        what its studies saw is marked, and not reused as a baseline.
        """
        technique, comparator = pair
        if self.carrier is None:
            return None, f"No number per 100 {self.baseline.unit}: {self.why}."
        known, basis = self.expected[comparator], self.baseline.basis
        own, other = self.seen.get(technique), self.seen.get(comparator)
        if comparator != self.reference:
            basis = f"expected at {per_100(100 * self.baseline.value)} in 100 after {self.baseline.reference}"
            if other is not None and other.outside(known):
                return None, (
                    f"No number per 100 {self.baseline.unit}: after {other.label} the network expects "
                    f"{per_100(100 * known)} in 100, outside what its studies saw ({other.words}), so it is "
                    "not reused as a baseline."
                )
        found, *ends = (100 * float(self.carrier.risk(value, known)) for value in (effect, *interval))
        remarks = []
        if own is not None and own.outside(found / 100):
            remarks.append(
                f"Caution: {per_100(found)} in 100 after {own.label} lies outside what its studies saw "
                f"({own.words}); it is what the model says, and no expectation."
            )
        low, high = sorted(ends)
        return (
            NetworkAbsolute(
                unit=self.baseline.unit,
                comparator=100 * known,
                technique=found,
                lower=low,
                upper=high,
                basis=f"{basis}; carried over as ratios of hazards" if self.carrier.reason else basis,
                carried=self.carrier.reason,
                carrier=self.carrier,
                remarks=tuple(remarks),
            ),
            "",
        )


Pairs = Mapping[tuple[str, str], tuple[float, Limits]]


def network_risks(
    measure: str,
    against_reference: Mapping[str, tuple[float, Limits]],
    pairs: Pairs,
    baseline: NetworkBaseline,
    reference: str,
    seen: Mapping[str, Seen],
) -> NetworkRisks:
    """Return the frequency after every technique.

    Parameters
    ----------
    measure : str
    against_reference : mapping
        Effect and interval of every other technique against the reference, natural units.
    pairs : mapping of (technique, comparator) to effect and interval
        All that will be shown.
    baseline : NetworkBaseline
    reference : str
    seen : mapping of str to Seen
    """
    per_year = baseline.per_year

    def expected(carrier: Carrier) -> dict[str, float]:
        return {
            reference: baseline.value,
            **{
                name: float(carrier.risk(effect, baseline.value))
                for name, (effect, _) in against_reference.items()
            },
        }

    ends = [value for effect, limits in against_reference.values() for value in (effect, *limits)]
    try:
        carrier = carrier_for(measure, ends or [1.0], baseline.value, per_year=per_year)
        if not carrier.reason:
            risks = expected(carrier)
            for (_, comparator), (effect, limits) in pairs.items():
                carrier = carrier_for(measure, [effect, *limits], risks[comparator], per_year=per_year)
                if carrier.reason:
                    break
    except NotEstimableError as error:
        return NetworkRisks(
            baseline=baseline, reference=reference, carrier=None, expected={}, seen=seen, why=str(error)
        )
    return NetworkRisks(
        baseline=baseline, reference=reference, carrier=carrier, expected=expected(carrier), seen=seen
    )
