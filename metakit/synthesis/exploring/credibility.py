"""How far a difference between groups of studies can be believed: seven questions and their answers.

In our own words after the domains of Schandelmaier S et al. (2020), CMAJ 192:E901. The answers are facts of
the analysis; how credible it is, persons judge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from metakit.core.written import count, p_value
from metakit.models.differing.meta_regression import STUDIES_PER_MODERATOR
from metakit.synthesis.exploring.explorations import Exploration

FEWEST_IN_A_GROUP = 5
FEW_LOOKS, MANY_LOOKS = 3, 10
"""Looks at one review's studies: few enough not to find something by trying; so many that they will. Common
practice, no source."""
LIKELY_CHANCE, UNLIKELY_CHANCE = 0.05, 0.005

Side = Literal["speaks for it", "speaks against it", "open"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CredibilityAnswer:
    """One question with its answer and the side on which the answer stands."""

    question: str
    answer: str
    side: Side


def credibility(exploration: Exploration, *, looks: int) -> tuple[CredibilityAnswer, ...]:
    """Answer the questions for one exploration; nothing for one that was refused.

    Parameters
    ----------
    exploration : Exploration
    looks : int
        Subgroup analyses and regressions in the whole review.
    """
    if exploration.subgroups is None and exploration.meta_regression is None:
        return ()
    return (
        _planned(exploration),
        _direction(exploration),
        CredibilityAnswer(
            question="Are the groups compared within the same studies?",
            answer="No. Each study has one value, so groups consist of different studies, and these "
            "differ in more than this.",
            side="speaks against it",
        ),
        _enough(exploration),
        _chance(exploration),
        _looks(looks),
        _cut_off(exploration),
    )


def _planned(exploration: Exploration) -> CredibilityAnswer:
    side: Side = "speaks for it" if exploration.planned and exploration.expected else "open"
    answer = "Yes, with the direction." if side != "open" else "Yes, but without a direction."
    if not exploration.planned:
        side, answer = "speaks against it", "No. It was added when results were known."
    return CredibilityAnswer(
        question="Was it written down before results were known, with the direction?",
        answer=answer,
        side=side,
    )


def _direction(exploration: Exploration) -> CredibilityAnswer:
    expected = exploration.planned and bool(exploration.expected)
    return CredibilityAnswer(
        question="Did it come out as expected?",
        answer=f"For a person to judge. Expected was: {exploration.expected}."
        if expected
        else "No direction was written down beforehand to hold it against.",
        side="open" if expected else "speaks against it",
    )


def _enough(exploration: Exploration) -> CredibilityAnswer:
    groups, line = exploration.subgroups, exploration.meta_regression
    enough, answer = False, ""
    if groups is not None:
        fewest = min(level.k for level in groups.levels)
        enough = fewest >= FEWEST_IN_A_GROUP
        size = count(fewest, "study", "studies")
        answer = f"The smallest group has {size}; fewer than {FEWEST_IN_A_GROUP} say little."
    elif line is not None:
        moderators = len(exploration.moderators)
        enough = line.k >= STUDIES_PER_MODERATOR * moderators
        answer = (
            f"{count(line.k, 'study', 'studies')} for {count(moderators, 'property', 'properties')}; fewer "
            f"than {STUDIES_PER_MODERATOR} for each find relations that are not there."
        )
    return CredibilityAnswer(
        question="Are there enough studies?",
        answer=answer,
        side="speaks for it" if enough else "speaks against it",
    )


def _chance(exploration: Exploration) -> CredibilityAnswer:
    groups, line = exploration.subgroups, exploration.meta_regression
    if groups is not None:
        p, test = groups.between.p_value, "test between the groups"
    elif line is not None and len(line.coefficients) == 2 and line.coefficients[1].permutation_p is not None:
        p, test = line.coefficients[1].permutation_p, "permutation test"
    else:
        p, test = (line.omnibus.p_value if line else 1.0), "test of all moderators together"
    side: Side = "open"
    if p > LIKELY_CHANCE:
        side = "speaks against it"
    elif p <= UNLIKELY_CHANCE:
        side = "speaks for it"
    words = {
        "speaks against it": "Easily",
        "open": "Not easily, yet that is no proof",
        "speaks for it": "Hardly",
    }[side]
    return CredibilityAnswer(
        question="Could chance alone explain it?", answer=f"{words}: {p_value(p)} ({test}).", side=side
    )


def _looks(looks: int) -> CredibilityAnswer:
    side: Side = "open"
    if looks <= FEW_LOOKS:
        side = "speaks for it"
    elif looks > MANY_LOOKS:
        side = "speaks against it"
    return CredibilityAnswer(
        question="Is it one of a few looks, or one of many?",
        answer=f"One of {looks} in this review; the more are taken, the more likely one of them shows "
        "something by chance. The p values are not adjusted for that.",
        side=side,
    )


def _cut_off(exploration: Exploration) -> CredibilityAnswer:
    numbers = all(column.kind == "number" for column in exploration.moderators)
    judged = any(column.name == "concern" for column in exploration.moderators)
    answer, side = "No: the groups are kinds, not parts of a measured quantity.", "speaks for it"
    if numbers:
        answer = "No: it enters as a number, without a cut-off."
    elif judged:
        answer, side = "The groups rest on judgements of persons.", "open"
    verdict: Side = "open" if side == "open" else "speaks for it"
    return CredibilityAnswer(
        question="Does it hang on a cut-off that could lie elsewhere?", answer=answer, side=verdict
    )
