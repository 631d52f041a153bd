"""Networks of techniques against certified values: every pair, Q and its parts, P-scores.

Sources: Dias, NICE Technical Support Document 2 (Parkinson data and printed posterior means, status memory); Higgins 2012 and
White 2012; Jackson 2012; Rucker & Schwarzer 2015. Source of the digits: tests/reference/generate.py, topic network.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest
from agreement import CLOSED, ITERATED, Comparison, certified, published

from metakit.networks.arms import arms_from_counts_or_means
from metakit.networks.inconsistency import inconsistency
from metakit.networks.model import fit_part
from metakit.networks.ranking import rank

RECORDS = certified("network")
MODELS = ("common_effect", "dersimonian_laird", "reml")


@cache
def fit(number: int, name: str) -> Any:
    """Fit a record; arms of 100 thumbs whose standard deviations give the certified standard errors."""
    rows = [
        (study["study"], technique, float(mean), 10 * float(error))
        for study in RECORDS[number]["studies"]
        for technique, mean, error in zip(
            study["techniques"], study["means"], study["standard_errors"], strict=True
        )
    ]
    study, technique, mean, sd = zip(*rows, strict=True)
    arms = arms_from_counts_or_means(
        "mean_difference", study, technique, {"mean": mean, "sd": sd, "total": [100.0] * len(rows)}
    )
    if name == "common_effect":
        return fit_part(arms, model="common_effect")
    return fit_part(arms, model="random_effects", tau2=name)


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("number", range(len(RECORDS)), ids=[record["name"] for record in RECORDS])
def test_every_pair(number: int, name: str) -> None:
    """Estimate and standard error of each technique against each other one, both ways round."""
    part, truth = fit(number, name), RECORDS[number]["answers"][name]
    # means and standard errors pass through decimal strings and a square: half a digit less than a closed form
    required = ITERATED if name == "reml" else CLOSED - 1
    comparison = Comparison(f"{RECORDS[number]['name']}, {name}")
    comparison.check("tau2", part.tau2, truth["tau2"], required, 1e-2)
    assert len(truth["comparisons"]) == len(part.techniques) * (len(part.techniques) - 1)
    for pair in truth["comparisons"]:
        found = part.contrast(pair["technique"], pair["comparator"])
        what = f"{pair['technique']} against {pair['comparator']}"
        comparison.check(what, found.estimate, pair["estimate"], required, pair["standard_error"])
        comparison.check(f"{what} error", found.standard_error, pair["standard_error"], required)
    if name == "common_effect":
        comparison.check("Q", part.q.value, truth["q"]["value"], CLOSED - 1)
        assert part.q.df == truth["q"]["df"]
    comparison.close()


@pytest.mark.parametrize("number", range(len(RECORDS)), ids=[record["name"] for record in RECORDS])
def test_q_within_and_between_designs(number: int) -> None:
    """Q of the common-effect network splits into within designs and between them."""
    found, truth = inconsistency(fit(number, "common_effect")), RECORDS[number]["q_by_design"]
    comparison = Comparison(RECORDS[number]["name"])
    for name in ("within_designs", "between_designs"):
        test = getattr(found, name)
        comparison.check(name, test.value, truth[name]["value"], CLOSED - 2)
        comparison.check(f"{name} df", test.df, truth[name]["df"], CLOSED)
    comparison.close()


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("number", range(len(RECORDS)), ids=[record["name"] for record in RECORDS])
def test_p_scores(number: int, name: str) -> None:
    """Rucker & Schwarzer 2015; a smaller effect is better."""
    truth = RECORDS[number]["answers"][name]["p_scores_smaller_is_better"]
    ranking = rank(fit(number, name), lower_is_better=True, draws=100)
    comparison = Comparison(RECORDS[number]["name"])
    for technique, score in zip(ranking.techniques, ranking.p_scores, strict=True):
        comparison.check(technique, float(score), truth[technique], ITERATED)
    comparison.close()


def printed() -> list[dict[str, Any]]:
    """Return the printed values of the Parkinson network."""
    rows: list[dict[str, Any]] = published("parkinson_nma")["expected"]
    return rows


@pytest.mark.parametrize("item", printed(), ids=lambda item: f"{item['status']}: {item['quantity']}")
def test_printed_parkinson(item: dict[str, Any]) -> None:
    """Status memory; posterior means under vague priors, so within simulation error."""
    _, _, pair, figure = item["path"].split("/")
    comparator, technique = pair.split("->")
    number = next(i for i, record in enumerate(RECORDS) if record["name"] == "parkinson_nma")
    found = fit(number, "common_effect").contrast(technique, comparator)
    assert getattr(found, figure) == pytest.approx(item["value"], abs=item["tolerance"])
