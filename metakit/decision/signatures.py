"""What a signature on a certainty covers, what of it has changed since, and what no signature can bear.

A signature binds the numbers, not the sentence they are shown in: texts are compared with their numbers taken
as numbers, so that another way of writing them leaves a signature valid.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from metakit.core.nouns import nouns
from metakit.core.records import CertaintyJudgement, SignedFact
from metakit.core.written import count, listed, ratio
from metakit.decision.certainty_rules import rule
from metakit.decision.evidence import EvidenceBody
from metakit.decision.proposals import Proposal, start_of

_NUMBER = re.compile(r"[-−+]?(?:\d+(?:\.\d+)?(?:e[-+]?\d+)?|∞)")
_GROUPED = re.compile(r"(?<=\d) (?=\d{3}\b)")
_CLOSE = 2e-5
"""Numbers are kept with six digits; two that differ by less than this are the same number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedChange:
    """One thing that a signature rested on and that is another today."""

    what: str
    old: str
    new: str

    def __str__(self) -> str:
        """Tell both."""
        return f"{self.what}: {self.old or 'nothing'} when it was signed, {self.new or 'nothing'} now"


def facts_of(body: EvidenceBody) -> tuple[SignedFact, ...]:
    """Return what an answer rests on: question, comparison, numbers, thresholds, studies, appraisal."""
    unit = body.unit
    facts = {
        "question": body.question,
        "population": body.population,
        # A network's labels are the vocabulary's, which says the same in other words some day.
        "comparison": _comparison(body) if body.network is None else "",
        "techniques": body.techniques,
        "outcome": ", ".join(part for part in (body.outcome, body.when) if part),
        "eligibility": body.eligibility,
        "follow_up": "; ".join(f"{study.name}: {study.months}" for study in body.studies if study.months),
        "effect": f"{body.measure.replace('_', ' ')} {_three(body.effect)}, "
        f"{count(len(body.studies), 'study', 'studies')}",
        "difference": f"{_three(body.difference)} {unit}".strip() if body.difference else "",
        "prediction": f"{_two(body.prediction)} {unit}".strip() if body.prediction else "",
        "thresholds": f"{', '.join(map(_number, body.thresholds.sizes))} {body.thresholds.unit}".strip()
        if body.thresholds
        else "",
        "network": _evidence(body),
        "studies": "; ".join(study.name for study in body.studies),
        "appraisal": "; ".join(f"{study.name}: {study.judgement or 'not judged'}" for study in body.studies),
        "indirectness": "; ".join(_indirectness(body)),
        "missing_results": "; ".join(body.not_reported),
    }
    # How a typed text is broken into lines says nothing.
    facts |= {what: " ".join(facts[what].split()) for what in (*_QUESTION, *_WHO_AND_WHEN)}
    return tuple(SignedFact(what=what, value=nouns().said(value)) for what, value in facts.items() if value)


def changes(
    judgement: CertaintyJudgement, body: EvidenceBody, made: Sequence[Proposal]
) -> tuple[SignedChange, ...]:
    """Return what a judgement rested on and that is another today, with the proposals it was made on.

    A file from before facts were kept with judgements is compared by its answer: by the numbers in it, to the
    digits that it shows. `covers` tells such a file from one whose facts were taken out.
    """
    found = []
    if judgement.rests_on:
        before = {fact.what: nouns().said(fact.value) for fact in judgement.rests_on}
        now = {fact.what: fact.value for fact in facts_of(body)}
        # Signatures from before the question (or whom and when) was kept bind the rest; one with a part of it
        # binds all of it.
        kept_together = (_QUESTION, _WHO_AND_WHEN)
        unbound = {what for part in kept_together if before.keys().isdisjoint(part) for what in part}
        for what in dict.fromkeys((*before, *now)):
            if what in unbound:
                continue
            old, new = before.get(what, ""), now.get(what, "")
            if not (same(old, new) if what in _NUMBERS else old == new):
                found.append(SignedChange(what=_LABELS.get(what, what), old=old, new=new))
    elif not _same_answer(judgement.answer, body):
        found.append(SignedChange(what=_LABELS["effect"], old=judgement.answer, new=body.answer))
    if judgement.covers is not None and judgement.covers != len(judgement.rests_on):
        old, new = (
            count(number, "entry", "entries") for number in (judgement.covers, len(judgement.rests_on))
        )
        found.append(SignedChange(what=_LIST, old=old, new=new))
    elif judgement.facts_gone:
        found.append(SignedChange(what=_LIST, old="kept with every signature of the file", new="taken out"))
    today = {proposal.domain: proposal.levels for proposal in made}
    for line in judgement.domains:
        if line.domain in today and line.proposed != today[line.domain]:
            what = f"proposal on {line.domain.replace('_', ' ')}"
            found.append(SignedChange(what=what, old=_levels(line.proposed), new=_levels(today[line.domain])))
    return tuple(found)


def not_judged(judgement: CertaintyJudgement, made: Sequence[Proposal]) -> tuple[str, ...]:
    """Return the domains that a person has to judge and left blank."""
    judged = {line.domain for line in judgement.domains if line.judged is not None}
    return tuple(item.domain for item in made if not item.settled and item.domain not in judged)


def objections(
    judgement: CertaintyJudgement, body: EvidenceBody, made: Sequence[Proposal]
) -> tuple[str, ...]:
    """Return what cannot be judged so on these numbers; a signature over it does not count."""
    found = []
    judged = {line.domain: line.levels for line in judgement.domains}
    settled = {item.domain: item.reason for item in made if item.settled}
    for domain, levels in judged.items():
        if levels > 0 and domain in settled:
            found.append(f"raised for {domain.replace('_', ' ')}: {settled[domain][:1].lower()}"
                         f"{settled[domain][1:].rstrip('.')}")  # fmt: skip
    if judged.get("large_effect", 0) > 0 and "large_effect" not in settled:
        reason = _not_large(body)
        if reason:
            found.append(f"raised for a large effect, but {reason}")
    start, why = start_of(body)
    if judgement.start != start and nouns().said(judgement.start_because) in ("", nouns().said(why)):
        found.append(
            f"the start was changed from {start} to {judgement.start} without a reason (start_because)"
        )
    return tuple(found)


def unanswered(judgement: CertaintyJudgement, made: Sequence[Proposal]) -> tuple[str, ...]:
    """Return the domains whose open question the person's reason does not answer, being blank."""
    answered = {line.domain for line in judgement.domains if line.because}
    return tuple(
        item.domain for item in made if item.open and not item.settled and item.domain not in answered
    )


def same(first: str, second: str) -> bool:
    """Say whether two texts are the same, their numbers compared as numbers.

    Examples
    --------
    >>> same("1.50000 (0.8 to ∞), 3 studies", "1.5 (0.80000001 to ∞), 3 studies")
    True
    >>> same("1.50 points", "1.51 points"), same("1.5 points", "1.5 kg")
    (False, False)
    """
    one, two = _parts(first), _parts(second)
    return one[0] == two[0] and len(one[1]) == len(two[1]) and all(map(_close, one[1], two[1]))


_LABELS = {
    "question": "the question",
    "population": "the population",
    "comparison": "the comparison",
    "techniques": "the techniques compared",
    "outcome": "the outcome",
    "eligibility": "who and what was eligible",
    "follow_up": "the months of the studies' results",
    "effect": "the answer",
    "difference": "the absolute difference",
    "prediction": "the prediction interval",
    "thresholds": "the thresholds",
    "network": "direct and indirect evidence",
    "studies": "the studies",
    "appraisal": "the appraisal of the studies",
    "indirectness": "the marks of indirectness",
    "missing_results": "results measured and not reported",
}


_QUESTION = ("question", "population", "comparison", "techniques")
_WHO_AND_WHEN = ("outcome", "eligibility", "follow_up")
_LIST = "the list of what it rests on"
_NUMBERS = ("effect", "difference", "prediction", "thresholds", "network")


def _comparison(body: EvidenceBody) -> str:
    sides = f"{body.technique} against {body.comparator}"
    return sides if body.comparison.casefold() == sides.casefold() else f"{body.comparison} ({sides})"


def _evidence(body: EvidenceBody) -> str:
    """Return direct and indirect evidence of a network's estimate, "" for a pairwise answer."""
    if body.network is None:
        return ""
    parts = [f"{_number(100 * body.network.direct_share)} % direct"]
    for what, values in (("direct", body.network.direct), ("indirect", body.network.indirect)):
        parts += [f"{what} {_three(values)}"] if values is not None else []
    return "; ".join([*parts, *body.network.unlike])


def _indirectness(body: EvidenceBody) -> list[str]:
    marks = ["a measurement that patients do not feel"] if body.surrogate else []
    marks += [f"{name} differs in {words}" for name, words in body.differing]
    return [*marks, *(f"{label}: {', '.join(names)}" for label, names in body.unfit_definitions)]


def _not_large(body: EvidenceBody) -> str:
    """Say why a ratio is no large effect; "" where it is, and for differences, which have no such cut."""
    if body.ratio is None:
        return ""
    estimate, low, high = body.ratio
    shown = f"{ratio(estimate)} ({ratio(low)} to {ratio(high)})"
    if low <= 1 <= high:
        return f"the interval of {shown} holds no difference"
    far = max(estimate, 1 / estimate) if estimate > 0 else math.inf
    if far < rule("large_ratio"):
        return f"the ratio of {shown} is not {rule('large_ratio'):g} or more, nor its inverse"
    return ""


def _same_answer(text: str, body: EvidenceBody) -> bool:
    """Say whether the numbers that an answer shows are still those of the body, to the digits shown."""
    text, today = (_GROUPED.sub("", answer) for answer in (text, body.answer))
    words, shown = _NUMBER.sub("#", text), _NUMBER.findall(text)
    # Older files count the studies that the model took, not all that have numbers.
    counts = {len(body.studies), body.informative or len(body.studies)}
    if words.replace("study", "studies") != _NUMBER.sub("#", today).replace("study", "studies"):
        return False
    return len(shown) == 4 and (
        all(_shows(number, value) for number, value in zip(shown, body.effect, strict=False))
        and float(shown[3]) in counts
    )


def _shows(number: str, value: float) -> bool:
    plain = number.replace("−", "-")
    if "∞" in plain:
        return math.isinf(value) and (value < 0) == plain.startswith("-")
    digits, _, exponent = plain.partition("e")
    decimals = len(digits.partition(".")[2])
    half = 0.5 * 10.0 ** (int(exponent or 0) - decimals)
    return abs(float(plain) - value) <= half * (1 + 1e-6)


def _parts(text: str) -> tuple[str, list[float]]:
    numbers = [float(number.replace("−", "-").replace("∞", "inf")) for number in _NUMBER.findall(text)]
    return _NUMBER.sub("#", text), numbers


def _close(first: float, second: float) -> bool:
    return first == second or math.isclose(first, second, rel_tol=_CLOSE, abs_tol=1e-9)


def _number(value: float) -> str:
    if math.isinf(value):
        return "∞" if value > 0 else "−∞"
    return f"{value:.6g}".replace("-", "−") if "e" not in f"{value:.6g}" else f"{value:.6g}"


def _two(limits: Sequence[float]) -> str:
    return f"{_number(limits[0])} to {_number(limits[1])}"


def _three(values: Sequence[float]) -> str:
    return f"{_number(values[0])} ({_two(values[1:])})"


def _levels(levels: int) -> str:
    return f"{levels:+d}".replace("-", "−") if levels else "0"


def named(domains: Sequence[str]) -> str:
    """List domains in words."""
    return listed([domain.replace("_", " ") for domain in domains])
