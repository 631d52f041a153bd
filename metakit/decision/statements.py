"""One plain sentence an answer, by what its interval holds and by its certainty.

The scheme is that of the informative statements of GRADE guidance 26 (Santesso 2020): the verb carries the
certainty, the noun the size. The sizes are those at both ends of the interval, never that of the estimate
alone; at very low certainty nothing is said but that. The wording is our own.
"""

from __future__ import annotations

from metakit.decision.certainty import Level
from metakit.decision.evidence import EvidenceBody
from metakit.decision.thresholds import Size, Thresholds
from metakit.synthesis.words import lower_first

VERBS: dict[Level, str] = {
    "high": "leads to",
    "moderate": "probably leads to",
    "low": "may lead to",
}
SIZES: dict[Size, str] = {
    "small": "a small",
    "moderate": "a moderate",
    "large": "a large",
    "important": "an important",
    "trivial": "little or no",
}


def statement(body: EvidenceBody, level: Level) -> str:
    """Return the sentence of an answer.

    Parameters
    ----------
    body : EvidenceBody
        The answer; sizes follow from the interval of the absolute difference and the protocol's thresholds.
    level : {"very_low", "low", "moderate", "high"}

    References
    ----------
    Santesso N, Glenton C, Dahm P, et al. (2020). J Clin Epidemiol 119:126-135.
    """
    outcome = lower_first(body.outcome)
    technique = f"{body.technique[:1].upper()}{body.technique[1:]}"
    if level == "very_low":
        return (
            f"The evidence is very uncertain about what {body.technique} does to {outcome}, compared with "
            f"{body.comparator}."
        )
    return f"{technique} {VERBS[level]} {_effect(body, outcome)}, compared with {body.comparator}."


def _effect(body: EvidenceBody, outcome: str) -> str:
    """Tell what the interval holds, from its lower to its upper end."""
    limits = body.difference or body.ratio
    if limits is None:
        return f"some difference in {outcome} (size not judged)"
    null = 0.0 if body.difference else 1.0
    if body.difference is None or body.thresholds is None:
        ends = {_direction(limit - null, body) for limit in limits[1:] if limit != null}
        which = " or ".join(sorted(ends)) if ends else "no difference"
        return f"{which} in {outcome} (size not judged)"
    return _sizes(body, body.thresholds, limits[1:], outcome)


def _sizes(body: EvidenceBody, thresholds: Thresholds, limits: tuple[float, ...], outcome: str) -> str:
    told = [_size(limit, thresholds, body) for limit in limits]
    low, high = told
    if low == high:
        return f"{low} in {outcome}"
    # The end of less effect first, so that the sentence rises.
    if abs(limits[0]) > abs(limits[1]) and limits[0] * limits[1] >= 0:
        low, high = high, low
    return f"anything from {low} to {high} in {outcome}"


def _size(limit: float, thresholds: Thresholds, body: EvidenceBody) -> str:
    size = thresholds.size(limit)
    if size == "trivial":
        return f"{SIZES[size]} difference"
    text = f"{SIZES[size]} {_noun(limit, body)}"
    if body.events is not None or body.lower_is_better is None:
        return text
    return f"{text} ({'better' if (limit < 0) == body.lower_is_better else 'worse'})"


def _noun(difference: float, body: EvidenceBody) -> str:
    if body.events is not None:
        return "reduction" if difference < 0 else "rise"
    return "decrease" if difference < 0 else "increase"


def _direction(difference: float, body: EvidenceBody) -> str:
    noun = _noun(difference, body)
    return f"{'an' if noun == 'increase' else 'a'} {noun}"
