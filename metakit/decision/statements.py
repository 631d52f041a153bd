"""One plain sentence an answer, by its size and its certainty.

The scheme is that of the informative statements of GRADE guidance 26 (Santesso 2020): the verb carries the
certainty, the noun the size. The wording is our own.
"""

from __future__ import annotations

from metakit.decision.certainty import Level
from metakit.decision.evidence import EvidenceBody
from metakit.decision.thresholds import Size
from metakit.measures.registry import MEASURES
from metakit.synthesis.words import lower_first

VERBS: dict[Level, str] = {
    "high": "leads to",
    "moderate": "probably leads to",
    "low": "may lead to",
    "very_low": "may lead to",
}
SIZES: dict[Size, str] = {
    "small": "a small",
    "moderate": "a moderate",
    "large": "a large",
    "important": "an important",
    "trivial": "little or no",
}
VERY_UNCERTAIN = "but the evidence is very uncertain"


def statement(body: EvidenceBody, level: Level) -> str:
    """Return the sentence of an answer.

    Parameters
    ----------
    body : EvidenceBody
        The answer; its size follows from the absolute difference and the protocol's thresholds.
    level : {"very_low", "low", "moderate", "high"}

    References
    ----------
    Santesso N, Glenton C, Dahm P, et al. (2020). J Clin Epidemiol 119:126-135.
    """
    outcome = lower_first(body.outcome)
    what = f"{body.technique[:1].upper()}{body.technique[1:]} {VERBS[level]} {_effect(body, outcome)}"
    end = f", {VERY_UNCERTAIN}" if level == "very_low" else ""
    return f"{what}, compared with {body.comparator}{end}."


def _effect(body: EvidenceBody, outcome: str) -> str:
    events = body.events is not None
    if body.difference is None:
        if body.ratio is None:
            return f"some difference in {outcome} (size not judged)"
        more = body.ratio[0] - 1 if MEASURES[body.measure].larger_means == "more" else 1 - body.ratio[0]
        direction = _direction(more, events)
        return f"{direction} in {outcome} (size not judged)"
    estimate = body.difference[0]
    if body.thresholds is None:
        return f"{_direction(estimate, events)} in {outcome} (size not judged)"
    size = body.thresholds.size(estimate)
    if size == "trivial":
        return f"{SIZES[size]} difference in {outcome}"
    text = f"{SIZES[size]} {_noun(estimate, events)} in {outcome}"
    if events or body.lower_is_better is None:
        return text
    return f"{text} ({'better' if (estimate < 0) == body.lower_is_better else 'worse'})"


def _noun(estimate: float, events: bool) -> str:
    if events:
        return "reduction" if estimate < 0 else "rise"
    return "decrease" if estimate < 0 else "increase"


def _direction(estimate: float, events: bool) -> str:
    if estimate == 0:
        return "no difference"
    noun = _noun(estimate, events)
    return f"{'an' if noun == 'increase' else 'a'} {noun}"
