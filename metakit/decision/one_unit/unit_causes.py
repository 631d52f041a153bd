"""What a department asks about returns: the sources of trouble one by one, all else together, by technique.

The means of causes add up, so that "all else" needs no model of its own; its range does not add up and is
left out. Rates are those of the review's arms with the technique, never compared with each other: they come
from different studies. MP options stand by band of the angle before, as the studies report them.
"""

from __future__ import annotations

from dataclasses import dataclass

from metakit.core.causes import CauseAnswer, CausesResult
from metakit.core.written import signed
from metakit.decision.one_unit.unit import Unit, UnitTechnique
from metakit.decision.unit_returns import count_range, expected_words
from metakit.forms.library import vocabulary
from metakit.synthesis.findings import Findings
from metakit.synthesis.terms import label_of


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceReturns:
    """One source of trouble, or all other causes: expected thumbs of one year's, None where nobody counts it.

    `range` holds the spread between centres and chance; None for all others together.
    """

    label: str
    expected: float | None
    range: tuple[int, int] | None = None

    @property
    def words(self) -> str:
        """What to expect, with its range."""
        return expected_words(self.expected, self.range)


@dataclass(frozen=True, slots=True, kw_only=True)
class TechniqueReturns:
    """The returns of one technique by source; `rows` is empty where the review counts none for it."""

    technique: UnitTechnique
    studies: int = 0
    rows: tuple[SourceReturns, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionByBand:
    """One MP option in thumbs of one band of angle before: change in degrees, negative is less."""

    band: str
    option: str
    studies: int
    thumbs: int
    change: str


def returns_by_source(unit: Unit, findings: Findings) -> tuple[TechniqueReturns, ...]:
    """Return the returns by source for every technique; empty where the review knows no causes."""
    trouble = findings.trouble
    causes = trouble.returns.causes if trouble else None
    if causes is None:
        return ()
    results = {result.technique: result for result in causes.by_technique}
    found = []
    for technique in unit.techniques:
        result = results.get(label_of("techniques", technique.technique))
        if result is None or result.all_per_thumb_year is None:
            found.append(TechniqueReturns(technique=technique))
            continue
        found.append(
            TechniqueReturns(
                technique=technique,
                studies=result.rate_studies["per_thumb_year"],
                rows=_rows(result, unit.volume.value * unit.years.value),
            )
        )
    return tuple(found) if any(item.rows for item in found) else ()


def _rows(result: CausesResult, thumb_years: float) -> tuple[SourceReturns, ...]:
    by_cause = {answer.cause: answer for answer in result.causes}
    sources = [term for term in vocabulary("return_causes") if term.facts.flag("source_of_trouble")]
    rows = [_row(term.label, by_cause.get(term.id), thumb_years) for term in sources]
    names = {term.id for term in sources}
    others = [answer.per_thumb_year for name, answer in by_cause.items() if name not in names]
    rest = sum(item.mean for item in others if item is not None)
    if result.not_stated_per_thumb_year is not None:
        rest += result.not_stated_per_thumb_year.mean
    rows.append(SourceReturns(label="All other causes, and not stated", expected=rest * thumb_years))
    return tuple(rows)


def _row(label: str, answer: CauseAnswer | None, thumb_years: float) -> SourceReturns:
    rate = answer.per_thumb_year if answer else None
    if rate is None:
        return SourceReturns(label=label, expected=None)
    return SourceReturns(
        label=label,
        expected=rate.mean * thumb_years,
        range=count_range(rate.prediction or rate.interval, thumb_years),
    )


def options_by_band(findings: Findings) -> tuple[OptionByBand, ...]:
    """Return the MP options of the review's arms that report the angle before, by its band."""
    trouble = findings.trouble
    if trouble is None:
        return ()
    found = []
    for group in trouble.angles.by_option:
        option, _, band = group.group.partition("; ")
        if not band:
            continue
        if group.result is not None:
            low, high = group.result.interval
            ends = (signed(value, 0) for value in (group.result.estimate, low, high))
            change = "{} ({} to {}) degrees".format(*ends)
        else:
            change = group.reason
        found.append(
            OptionByBand(
                band=band.removesuffix(" before"),
                option=option,
                studies=len({arm.study for arm in group.arms}),
                thumbs=sum(arm.thumbs for arm in group.arms),
                change=change,
            )
        )
    return tuple(sorted(found, key=lambda item: (_start(item.band), item.option)))


def _start(band: str) -> float:
    """Return where a band begins, for the order of rows; bands without a lower end come first."""
    digits = [float(part) for part in band.replace("°", " ").split() if part.replace(".", "").isdigit()]
    open_below = " to " not in f" {band} ".replace("up to", "") and "more" not in band and "over" not in band
    return 0.0 if open_below or not digits else digits[0]
