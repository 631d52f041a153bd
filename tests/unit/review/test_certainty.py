"""What `check` says of signatures from their own kept numbers, without carrying out the review."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from metakit.core.records import CertaintyJudgement, DomainJudgement, SignedFact
from metakit.decision.certainty import STATUS_WORDS
from metakit.forms.bundled import demo_studies
from metakit.review.certainty import AGAINST, CERTAINTY, against_itself
from metakit.review.check import check_paths

SIGNED = CertaintyJudgement(
    analysis="a", answer="risk ratio 1.29 (0.49 to 3.35), 4 studies", start="low", start_because="",
    domains=(DomainJudgement(domain="large_effect", proposed=0, judged=1, because="large", proposed_because=""),),
    signed_by="AB", signed_on="2026-03-02", note="",
    rests_on=(SignedFact(what="effect", value="risk ratio 1.29012 (0.490001 to 3.35), 4 studies"),),
)  # fmt: skip


def test_the_words_are_those_of_the_certainty_itself() -> None:
    assert STATUS_WORDS["contradicted"] == AGAINST


@pytest.mark.parametrize(
    ("fact", "said"),
    [
        ("risk ratio 1.29 (0.49 to 3.35), 4 studies", True),
        ("rate ratio 0.3 (0.02 to ∞), 2 studies", True),
        ("risk ratio 4.1 (2.2 to 7.9), 4 studies", False),
        ("risk ratio 0.2 (1e-05 to 0.9), 4 studies", False),
        ("mean difference −0.2 (−6.0 to 5.5), 3 studies", False),
    ],
)
def test_raising_for_a_large_effect_is_held_against_the_kept_interval(fact: str, said: bool) -> None:
    one = replace(SIGNED, rests_on=(SignedFact(what="effect", value=fact),))
    assert bool(against_itself(one)) == said
    assert against_itself(replace(one, signed_by="")) == ""
    assert bool(against_itself(replace(one, rests_on=(), answer=fact))) == said


@pytest.mark.lengthy
def test_check_says_what_certainty_refuses(tmp_path: Path) -> None:
    folder = tmp_path / "review"
    shutil.copytree(demo_studies(), folder)
    path = folder / CERTAINTY
    before = path.read_text(encoding="utf-8")
    old = "{domain: large_effect, proposed: 0, judged: 0}"
    assert old in before and not [p for p in check_paths([folder]).problems if AGAINST in p.what]
    raised = '{domain: large_effect, proposed: 0, judged: 2, because: "large"}'
    path.write_text(before.replace(old, raised, 1), encoding="utf-8")
    report = check_paths([folder])
    (problem,) = [problem for problem in report.problems if AGAINST in problem.what]
    assert problem.severity == "question" and problem.file.endswith(CERTAINTY) and problem.line
    assert "raised for a large effect, but the interval of risk ratio 1.38" in problem.what
    assert report.exit_status == 0  # the report says so too and falls back to unsigned
