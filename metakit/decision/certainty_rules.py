"""The numbers by which levels of certainty are proposed, each with what it means and where it comes from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from metakit.core.registry import Registry

Standing = Literal["published", "from memory", "ours"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CertaintyRule:
    """One rule: its number, what it says, the guidance it follows, and how sure that is.

    `standing` is `published` where the source's text or abstract was read, `from memory` where it was not,
    and `ours` where the guidance asks for a judgement and the number is this project's own, without a source.
    """

    name: str
    domain: str
    value: float
    says: str
    references: tuple[str, ...]
    standing: Standing


CERTAINTY_RULES: Registry[CertaintyRule] = Registry("rule of certainty")
_IMPRECISION = ("grade_imprecision", "grade_imprecision_context", "core_grade_imprecision")


def rule(name: str) -> float:
    """Return the number of a rule."""
    return CERTAINTY_RULES[name].value


for _rule in (
    CertaintyRule(
        name="one_threshold_crossed", domain="imprecision", value=-1, references=_IMPRECISION,
        standing="published", says="The absolute interval holds one threshold.",
    ),
    CertaintyRule(
        name="two_thresholds_crossed", domain="imprecision", value=-2, references=_IMPRECISION,
        standing="published", says="The absolute interval holds two thresholds, or runs far past one.",
    ),
    CertaintyRule(
        name="far_past", domain="imprecision", value=1.0, references=_IMPRECISION, standing="ours",
        says="Far past a threshold: the end across it from the estimate lies at least this many smallest "
        "important differences beyond it.",
    ),
    CertaintyRule(
        name="benefit_to_harm", domain="imprecision", value=-3, references=_IMPRECISION,
        standing="published",
        says="The absolute interval runs from a large benefit to a large harm, or there are too few events "
        "for any belief.",
    ),
    CertaintyRule(
        name="fewest_events", domain="imprecision", value=5, references=_IMPRECISION, standing="ours",
        says="Too few events for any belief: fewer than this in all studies, where a threshold is crossed.",
    ),
    CertaintyRule(
        name="one_study_alone", domain="imprecision", value=-1, references=("rover_2021",), standing="ours",
        says="One study's own interval leaves out how centres differ: where the interval of the mean of "
        "centres, their spread counted as everywhere else, holds a threshold more, one level lower.",
    ),
    CertaintyRule(
        name="large_relative_reduction", domain="imprecision", value=0.30, references=_IMPRECISION,
        standing="published",
        says="The information size is looked at only where no threshold is crossed and the relative "
        "reduction (or its inverse) is larger than this.",
    ),
    CertaintyRule(
        name="information_short", domain="imprecision", value=-1, references=_IMPRECISION,
        standing="published", says="Fewer thumbs than the information size.",
    ),
    CertaintyRule(
        name="information_far_short", domain="imprecision", value=-2, references=_IMPRECISION,
        standing="published", says="Far fewer thumbs than the information size.",
    ),
    CertaintyRule(
        name="far_short_share", domain="imprecision", value=0.5, references=_IMPRECISION, standing="ours",
        says="Far fewer: less than this share of the information size.",
    ),
    CertaintyRule(
        name="few_studies", domain="inconsistency", value=4, references=("grade_inconsistency", "rover_2021"),
        standing="ours",
        says="Up to this many studies say little on tau: it lowers only where its lower limit does so too, "
        "and twice the assumed spread is asked about.",
    ),
    CertaintyRule(
        name="half_of_the_weight", domain="risk_of_bias", value=0.5,
        references=("grade_overview", "grade_nonrandomised"), standing="ours",
        says="The severity that at least this share of the weight reaches is proposed.",
    ),
    CertaintyRule(
        name="not_reported_share", domain="publication_bias", value=0.2, references=("grade_overview",),
        standing="ours",
        says="Lowered where at least this share of the studies measured the outcome and gave no usable "
        "result.",
    ),
    CertaintyRule(
        name="test_in_doubt", domain="publication_bias", value=0.10,
        references=("grade_overview", "sterne_2011"), standing="from memory",
        says="A test of small-study effects below this p value, in ten or more studies and by a test that "
        "suits the measure, lowers by one level; so does a test of direct against indirect evidence.",
    ),
    CertaintyRule(
        name="false_alarms", domain="publication_bias", value=0.22, references=("sterne_2011",),
        standing="ours",
        says="A test of small-study effects lowers nothing for measures whose effects and errors are linked "
        "by arithmetic (risk and rate ratios, risk differences): false alarms came up in as many as this "
        "share of simulated reviews where one in ten is due (Egger's test of rate ratios, 15 studies).",
    ),
    CertaintyRule(
        name="large_ratio", domain="large_effect", value=2.0, references=("grade_rating_up",),
        standing="from memory", says="A risk ratio of this or more, or its inverse, is large.",
    ),
    CertaintyRule(
        name="very_large_ratio", domain="large_effect", value=5.0, references=("grade_rating_up",),
        standing="from memory", says="A risk ratio of this or more, or its inverse, is very large.",
    ),
):  # fmt: skip
    CERTAINTY_RULES.add(_rule)
