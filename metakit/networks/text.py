"""A network's answer as plain text, in natural units."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from metakit.core.written import fixed, p_value, ratio
from metakit.measures.registry import MEASURES
from metakit.networks.answer import NetworkAnalysis, PartAnalysis
from metakit.networks.characteristics import characteristic_words

RATIOS = ("odds_ratio", "risk_ratio", "rate_ratio")


def network_text(found: NetworkAnalysis) -> str:
    """Say each comparison with the reference, disagreement, ranks with their uncertainty, and components."""
    measure = found.arms.measure
    lines: list[str] = []
    for item in found.parts:
        lines += _part_lines(item, measure)
    if found.components is not None:
        lines += ["", "What each component adds, everything else equal"]
        for effect in found.components.effects:
            if effect.estimate is None or effect.interval is None:
                lines.append(f"  {effect.component}: cannot be told from these studies")
            else:
                shown = f"{_show(effect.estimate, measure)} ({_limits(effect.interval, measure)})"
                lines.append(f"  {effect.component}: {shown}")
        if found.components.additivity:
            test = found.components.additivity
            lines.append(f"  test of additivity: Q {test.value:.3g} on {test.df:g} df, p {test.p_value:.3g}")
    lines += _moderator_lines(found, measure)
    if found.characteristics:
        lines += ["", "Study characteristics by comparison (indirect comparisons need them to be alike)"]
        lines += [
            f"  {row.name}, {row.technique} against {row.comparator}: {characteristic_words(row)}"
            for row in found.characteristics
        ]
    if found.funnel is not None:
        lines += ["", "Each study's contrast less the mean of its comparison, newer against older"]
        lines += [
            f"  {item.study}, {item.technique} against {item.comparator}: {item.centred:.3g} "
            f"(standard error {item.standard_error:.3g}, analysis scale)"
            for item in found.funnel.contrasts
        ]
    for title, items in (
        ("Set aside", [f"{item.study}: {item.reason}" for item in found.arms.set_aside]),
        ("Assumed", [str(item) for item in found.arms.assumptions]),
        ("Notes", list(dict.fromkeys(found.to_json()["notes"]))),
    ):
        if items:
            lines += ["", title, *(f"  {item}" for item in items)]
    return "\n".join(lines).lstrip("\n")


def _part_lines(item: PartAnalysis, measure: str) -> list[str]:
    part = item.part
    words = measure.replace("_", " ")
    unit = f" ({MEASURES[measure].unit})" if MEASURES[measure].unit else ""
    lines = [
        "",
        f"{words.capitalize()}{unit} against {item.reference}; {len(part.techniques)} techniques, "
        f"{len(part.arms.studies)} {'study' if len(part.arms.studies) == 1 else 'studies'}",
    ]
    for technique in part.techniques:
        if technique == item.reference:
            continue
        contrast = part.contrast(technique, item.reference)
        line = f"  {technique}: {_show(contrast.estimate, measure)} ({_limits(contrast.interval, measure)})"
        if contrast.prediction:
            line += f"; in a new centre {_limits(contrast.prediction, measure)}"
        lines.append(line)
    if part.tau2_estimator:
        scale = "on the log scale" if measure in RATIOS else "on the scale of the effects"
        spread = f"  Studies differ by tau {math.sqrt(part.tau2):.3g} {scale}"
        if part.tau2_interval:
            low, high = (math.sqrt(limit) for limit in part.tau2_interval)
            spread += f" ({low:.2g} to {high:.2g})"
        if part.scale:
            spread += f"; assumed to be below {1.96 * part.scale:.3g} with 95 % prior probability"
        lines.append(spread)
    lines += _beside_lines(item, measure)
    lines += _league_lines(item, measure)
    test = item.inconsistency.design_by_treatment if item.inconsistency else None
    if test:
        lines.append(
            f"  Direct against indirect evidence, all at once: Q {test.value:.3g} on {test.df:g} df, "
            f"p {test.p_value:.3g}"
        )
    if item.ranking is not None:
        order = sorted(range(len(part.techniques)), key=lambda n: float(item.ranking.mean_ranks[n]))  # type: ignore[union-attr]
        side = "lower" if item.ranking.lower_is_better else "higher"
        lines.append(
            f"  Ranks with their 95 % range (best first, {side} taken as better; not a measure of certainty)"
        )
        for n in order:
            low, high = item.ranking.rank_intervals[n]
            lines.append(
                f"    {part.techniques[n]}: {item.ranking.mean_ranks[n]:.1f} ({low:.0f} to {high:.0f})"
            )
    return lines


@dataclass(frozen=True, slots=True, kw_only=True)
class LeagueRow:
    """One technique against another, written: the network's answer, and direct and indirect evidence."""

    technique: str
    comparator: str
    estimate: str
    new_centre: str
    direct: str = ""
    indirect: str = ""
    p_value: str = ""


def league_rows(item: PartAnalysis, measure: str) -> tuple[LeagueRow, ...]:
    """Set every technique of a connected part against every other."""
    part = item.part
    splits = {
        frozenset((split.technique, split.comparator)): split
        for split in (item.inconsistency.splits if item.inconsistency else ())
    }
    rows = []
    for at, second in enumerate(part.techniques):
        for first in part.techniques[at + 1 :]:
            contrast = part.contrast(first, second)
            split = splits.get(frozenset((first, second)))
            turned = split is not None and split.technique != first
            rows.append(
                LeagueRow(
                    technique=first,
                    comparator=second,
                    estimate=f"{_show(contrast.estimate, measure)} ({_limits(contrast.interval, measure)})",
                    new_centre=_limits(contrast.prediction, measure) if contrast.prediction else "",
                    direct=_evidence(split.direct, split.direct_interval, measure, turned) if split else "",
                    indirect=_evidence(split.indirect, split.indirect_interval, measure, turned)
                    if split
                    else "",
                    p_value=p_value(split.p_value) if split else "",
                )
            )
    return tuple(rows)


def _league_lines(item: PartAnalysis, measure: str) -> list[str]:
    """Set every technique against every other, with direct and indirect evidence where there are both."""
    if len(item.part.techniques) < 3:
        return []
    lines = ["  Every technique against every other"]
    for row in league_rows(item, measure):
        line = f"    {row.technique} against {row.comparator}: {row.estimate}"
        if row.direct:
            line += f"; direct {row.direct}, indirect {row.indirect}; their difference: {row.p_value}"
        lines.append(line)
    return lines


def _evidence(value: float, limits: Sequence[float], measure: str, turned: bool) -> str:
    low, high = limits
    if turned:
        value, low, high = -value, -high, -low
    return f"{_show(value, measure)} ({_limits((low, high), measure)})"


BESIDE = {
    "half_normal": "with the spread integrated over a half-normal prior",
    "hartung_knapp": "by REML with Hartung-Knapp errors",
    "twice_the_spread": "with twice the assumed spread",
    "mantel_haenszel": "by Mantel-Haenszel, one common effect",
}


def _beside_lines(item: PartAnalysis, measure: str) -> list[str]:
    lines = []
    for name, part in item.beside.items():
        lines.append(f"  The same {BESIDE[name]}:")
        for technique in item.part.techniques:
            if technique == item.reference:
                continue
            contrast = part.contrast(technique, item.reference)
            estimate, limits = _show(contrast.estimate, measure), _limits(contrast.interval, measure)
            line = f"    {technique}: {estimate} ({limits})"
            if contrast.prediction:
                line += f"; in a new centre {_limits(contrast.prediction, measure)}"
            lines.append(line)
    return lines


def _moderator_lines(found: NetworkAnalysis, measure: str) -> list[str]:
    item = found.moderator
    if item is None:
        return []
    lines = [
        "",
        f"Moderator {item.name}, {item.lowest:.4g} to {item.highest:.4g} in {item.studies} studies; effects "
        f"against {item.reference}",
    ]
    for coefficient in item.coefficients:
        who = coefficient.technique or "all techniques"
        if coefficient.estimate is None or coefficient.interval is None:
            lines.append(f"  {who}: cannot be told, {coefficient.reason}")
            continue
        what = "times" if measure in RATIOS else "plus"
        lines.append(
            f"  {who}: {what} {_show(coefficient.estimate, measure)} "
            f"({_limits(coefficient.interval, measure)}) for one more, p {coefficient.p_value:.3g}"
        )
    lines += [
        f"  {effect.technique} at {item.name} {effect.value:.4g}: {_show(effect.estimate, measure)} "
        f"({_limits(effect.interval, measure)})"
        for effect in item.effects
    ]
    if item.test is not None:
        lines.append(
            f"  All coefficients at once: Q {item.test.value:.3g} on {item.test.df:g} df, "
            f"p {item.test.p_value:.3g}"
        )
    return lines


def _show(value: float, measure: str) -> str:
    """Write a value of the analysis scale in natural units, as pages and figures do."""
    if measure in RATIOS:
        return ratio(math.exp(value))
    factor = MEASURES[measure].natural_factor
    return fixed(factor * value, 1 if factor > 1 else 2)


def _limits(pair: tuple[float, float], measure: str) -> str:
    return f"{_show(pair[0], measure)} to {_show(pair[1], measure)}"
