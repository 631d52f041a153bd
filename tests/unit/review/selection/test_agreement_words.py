"""Agreement of screeners in one sentence: every number it says, and what it says without kappa."""

from __future__ import annotations

from metakit.core.results import Limits
from metakit.review.reconciling.agreement import CategoryAgreement
from metakit.review.selection.agreement_words import agreement_sentence


def found(**more: object) -> CategoryAgreement:
    given = {
        "n": 40, "same": 34, "categories": ("exclude", "include"), "proportion_same": 0.85, "kappa": 0.704,
        "kappa_interval": Limits(0.52, 0.888), "adjusted_kappa": 0.7, "level": 0.9,
    }  # fmt: skip
    return CategoryAgreement(**(given | more))  # type: ignore[arg-type]


def test_share_kappa_and_interval_are_said() -> None:
    assert agreement_sentence("title_abstract", found()) == (
        "the same decision on 34 of 40 (85.0 %) by title and abstract; kappa 0.70 (90 % interval 0.52 to 0.89), "
        "adjusted for prevalence and bias 0.70"
    )


def test_what_is_not_defined_is_not_said() -> None:
    bare = found(kappa_interval=None, adjusted_kappa=None, note="one note")
    assert agreement_sentence("full_text", bare).endswith("by full text; kappa 0.70; one note")
    without = found(kappa=None, kappa_interval=None, note="no kappa")
    assert agreement_sentence("full_text", without) == (
        "the same decision on 34 of 40 (85.0 %) by full text; no kappa"
    )
