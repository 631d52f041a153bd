"""How one answer differs from what it was, in plain words; both are findings as JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from metakit.core.written import count, difference_words, listed
from metakit.decision.thresholds import Thresholds
from metakit.measures.natural import NaturalValues
from metakit.measures.registry import MEASURES
from metakit.report.folders.changes_reading import at, by, entries, number, text

_SAME = 1e-9
_Found = Mapping[str, Any]
_Triple = tuple[float, float, float]


def new_studies(old: _Found, new: _Found) -> tuple[str, ...]:
    """Return the studies of an answer that were not in it before."""
    before = _numbers(old)
    return tuple(name for name in _numbers(new) if name not in before)


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldChange:
    """The sentences of one change; `crossed` says that an interval passed a line that matters."""

    sentences: tuple[str, ...]
    crossed: bool


def differs(old: _Found, new: _Found, old_level: _Found | None, new_level: _Found | None) -> bool:
    """Say whether an answer, its studies, its numbers or its certainty are not the same any more."""
    if any(at(old, key) != at(new, key) for key in ("measure", "reason_not_estimable")):
        return True
    if (_triple(old) is None) != (_triple(new) is None) or text(old, "result", "model") != text(
        new, "result", "model"
    ):
        return True
    first, second = _triple(old), _triple(new)
    if first and second and not all(_close(a, b) for a, b in zip(first, second, strict=True)):
        return True
    if _numbers(old) != _numbers(new):
        return True
    if not (_same_difference(old_level, new_level)):
        return True
    return any(text(old_level, key) != text(new_level, key) for key in ("certainty", "status"))


def told(
    old: _Found,
    new: _Found,
    old_level: _Found | None,
    new_level: _Found | None,
    thresholds: Thresholds | None,
) -> ToldChange:
    """Tell the change of one answer.

    Parameters
    ----------
    old, new : mapping
        The analysis in both findings.
    old_level, new_level : mapping or None
        Its certainty in both.
    thresholds : Thresholds or None
        Important differences, by the plan of today.
    """
    sentences = [_studies(old, new)]
    crossings: list[str] = []
    first, second, once = _triple(old), _triple(new), ""
    if text(old, "measure") != text(new, "measure"):
        sentences.append(
            f"It is asked in another way ({measure_label(old)} before, {measure_label(new)} now); the two "
            f"must not be compared."
        )
    elif first and second:
        once = _itself(old, new, old_level, new_level)
        if not once:
            sentences.append(
                f"{_upper(measure_label(new))}: {estimate_words(old)} before, {estimate_words(new)} now."
            )
        if text(old, "result", "model") != text(new, "result", "model"):
            models = (text(found, "result", "model").replace("_", " ") for found in (old, new))
            sentences.append("The model is another one: {} before, {} now.".format(*models))
        crossings += _no_difference(old, new, first, second)
    elif second:
        sentences.append(f"There is an answer now, {estimate_words(new)}; there was none before.")
    elif first:
        sentences.append(
            f"There is no answer any more ({text(new, 'reason_not_estimable')}); "
            f"it was {estimate_words(old)}."
        )
    absolute, important = _per_100(old_level, new_level, thresholds, once or "Difference")
    sentences += [*crossings, *absolute, *important, *certainty_told(old_level, new_level)]
    return ToldChange(
        sentences=tuple(sentence for sentence in sentences if sentence), crossed=bool(crossings or important)
    )


def estimate_words(analysis: _Found) -> str:
    """Write estimate and interval of an answer in natural units, "" without one."""
    values = _triple(analysis)
    if values is None:
        return ""
    found = _natural(analysis)
    if found is None:
        return "{} ({} to {})".format(*(f"{value:.3g}" for value in values))
    unit = MEASURES[text(analysis, "measure")].unit
    return found.told(f" {unit}" if unit else "")


def _natural(analysis: _Found) -> NaturalValues | None:
    """Return an answer as sentences write it; None without one, or of a measure that is not known here."""
    values, name = _triple(analysis), text(analysis, "measure")
    if values is None or name not in MEASURES:
        return None
    factor = MEASURES[name].natural_factor
    estimate, lower, upper = (factor * value for value in values)
    return NaturalValues(
        estimate=estimate, lower=lower, upper=upper, prediction=None,
        ratio=_is_ratio(analysis), per_hundred=factor > 1,
    )  # fmt: skip


def _triple(analysis: _Found) -> _Triple | None:
    """Return estimate and limits in natural units; an unbounded limit is infinite."""
    estimate = number(analysis, "result", "back_transformed", "estimate")
    if estimate is None:
        return None
    low = number(analysis, "result", "back_transformed", "interval", 0)
    high = number(analysis, "result", "back_transformed", "interval", 1)
    return estimate, -math.inf if low is None else low, math.inf if high is None else high


def _is_ratio(analysis: _Found) -> bool:
    measure = MEASURES[text(analysis, "measure")]
    return measure.comparative and measure.scale().axis == "log"


def _null(analysis: _Found) -> float | None:
    name = text(analysis, "measure")
    if name not in MEASURES or MEASURES[name].null_value is None:
        return None
    return 1.0 if _is_ratio(analysis) else 0.0


def measure_label(analysis: _Found) -> str:
    """Return the name of the measure of an analysis as shown."""
    name = text(analysis, "measure")
    return MEASURES[name].label if name in MEASURES else name.replace("_", " ")


def _numbers(analysis: _Found) -> dict[str, Any]:
    return {
        name: [(at(side, "numbers"), at(side, "effective_numbers")) for side in entries(item, "sides")]
        for name, item in by(analysis, "numbers", name="study").items()
    }


def _studies(old: _Found, new: _Found) -> str:
    """Say which studies came in or went out, and which have other numbers."""
    before, now = _numbers(old), _numbers(new)
    came = [name for name in now if name not in before]
    gone = [name for name in before if name not in now]
    other = [name for name in now if name in before and before[name] != now[name]]
    parts = [
        f"{words} {listed(names)}"
        for words, names in (("new in it:", came), ("no longer in it:", gone), ("with other numbers:", other))
        if names
    ]
    if not parts:
        return "The same studies with the same numbers."
    rests = f"It rests on {count(len(now), 'study', 'studies')}, before on {len(before)}."
    if len(now) == len(before):
        rests = f"It still rests on {count(len(now), 'study', 'studies')}."
    return f"{_upper('; '.join(parts))}. {rests}"


def _no_difference(old: _Found, new: _Found, first: _Triple, second: _Triple) -> list[str]:
    """Say whether the interval passed no difference, and whether the estimate changed sides."""
    null = _null(new)
    if null is None:
        return []
    words = {False: text(new, "directions", "below"), True: text(new, "directions", "above")}
    held, holds = (low < null < high for _, low, high in (first, second))
    found = []
    if held and not holds:
        side = words[second[0] > null]
        found.append(f"The interval held no difference before; now the whole of it lies on one side: {side}.")
    elif holds and not held:
        found.append(
            "The interval lay on one side before; now it holds no difference, so the direction is open again."
        )
    shown = [_natural(old), _natural(new)]
    told_apart = all(found and found.show(found.estimate) != found.show(null) for found in shown)
    if told_apart and (first[0] > null) != (second[0] > null):
        found.append(
            f"The estimate has changed sides: it lies on that of {words[second[0] > null]} now"
            + (", within an interval that holds no difference." if holds else ".")
        )
    return found


def _difference(level: _Found | None) -> tuple[str, _Triple] | None:
    value, unit = number(level, "difference", "value"), text(level, "difference", "unit")
    low, high = number(level, "difference", "interval", 0), number(level, "difference", "interval", 1)
    if value is None:
        return None
    return unit, (value, -math.inf if low is None else low, math.inf if high is None else high)


def _same_difference(old: _Found | None, new: _Found | None) -> bool:
    first, second = _difference(old), _difference(new)
    if first is None or second is None:
        return first is second
    return first[0] == second[0] and all(_close(a, b) for a, b in zip(first[1], second[1], strict=True))


def _itself(old: _Found, new: _Found, old_level: _Found | None, new_level: _Found | None) -> str:
    """Return the name of the measure where the difference is the estimate, to be told once; else ""."""
    for analysis, level in ((old, old_level), (new, new_level)):
        found, told = _natural(analysis), _difference(level)
        if found is None or told is None or found.ratio:
            return ""
        shown = (found.estimate, found.lower, found.upper)
        if not all(_close(a, b) for a, b in zip(shown, told[1], strict=True)):
            return ""
    same_unit = text(old_level, "difference", "unit") == text(new_level, "difference", "unit")
    return _upper(measure_label(new)) if same_unit else ""


def _per_100(
    old: _Found | None, new: _Found | None, thresholds: Thresholds | None, name: str
) -> tuple[list[str], list[str]]:
    """Tell the absolute difference before and now, and whether it passed the smallest important one."""
    first, second = _difference(old), _difference(new)
    if first is None or second is None or first[0] != second[0]:
        return [], []
    unit = second[0]
    (_, low_1, high_1), (_, low_2, high_2) = first[1], second[1]
    (told_1, limits_1), (told_2, limits_2) = (difference_words(*found[1], unit) for found in (first, second))
    was, is_ = f"{told_1} ({limits_1})", f"{told_2} ({limits_2})"
    where = unit if unit.startswith("per ") else f"in {unit}"
    absolute = [f"{name} {where}: {was} before, {is_} now."]
    if thresholds is None:
        return absolute, []
    before = _reach(low_1, high_1, thresholds.smallest)
    now = _reach(low_2, high_2, thresholds.smallest)
    if before == now:
        return absolute, []
    return absolute, [
        f"Against the smallest important difference ({thresholds.smallest:.3g} {unit}): before, the interval "
        f"{_REACHES[before][0]}; now it {_REACHES[now][1]}."
    ]


_REACHES = {
    "only": ("held only differences at least as large", "holds only differences at least as large"),
    "both": ("reached it in both directions", "reaches it in both directions"),
    "less": ("reached it on the side of less", "reaches it on the side of less"),
    "more": ("reached it on the side of more", "reaches it on the side of more"),
    "none": ("held no difference as large", "holds no difference as large"),
}


def _reach(low: float, high: float, smallest: float) -> str:
    """Return how an interval lies to the smallest important difference, as a key of the words above."""
    if low >= smallest or high <= -smallest:
        return "only"
    fewer, more = low <= -smallest, high >= smallest
    if fewer and more:
        return "both"
    return "less" if fewer else "more" if more else "none"


def certainty_told(old: _Found | None, new: _Found | None) -> list[str]:
    """Tell how a certainty or its signature is not what it was; nothing where both are the same."""

    def words(level: _Found | None) -> str:
        if level is None:
            return "not judged"
        status = _STATUS.get(text(level, "status"), "proposed, unsigned")
        return f"{text(level, 'certainty').replace('_', ' ')} ({status})"

    before, now = words(old), words(new)
    if before == now:
        return []
    changed = [
        f"{text(item, 'what')}: {text(item, 'signed') or 'nothing'} when it was signed, "
        f"{text(item, 'now') or 'nothing'} now"
        for item in entries(new or {}, "signature", "changed_since")
    ]
    told = f" Signed for something else: {'; '.join(changed)}." if changed else ""
    return [f"Certainty: {before} before, {now} now.{told}"]


_STATUS = {
    "signed": "signed",
    "partial": "signed in part",
    "outdated": "signed for something else",
    "contradicted": "signed against its own numbers",
}


def _close(first: float, second: float) -> bool:
    return first == second or math.isclose(first, second, rel_tol=_SAME, abs_tol=1e-12)


def _upper(words: str) -> str:
    return words[:1].upper() + words[1:]
