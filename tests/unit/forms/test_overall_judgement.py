"""What the rules of the instruments propose overall: every combination, against the rule written another way.

Sources: Sterne 2019, BMJ 366:l4898 (any domain high, or several with some concerns; 'several' is read as three
or more, our reading); Sterne 2016, BMJ 355:i4919 (as the worst domain; no information when information is lacking
and nothing serious was found); Slim 2003 (points of 16 or 24); Munn 2020 (a count, no threshold). All from memory.
"""

from __future__ import annotations

import itertools

import pytest

from metakit.core.bibliography import reference
from metakit.forms.library import vocabulary
from metakit.forms.overall_judgement import domains_asked, has_overall, propose

NAMES, SCALE = vocabulary("appraisal_domains"), vocabulary("appraisal_levels")
INSTRUMENTS = vocabulary("appraisal_instruments")


def proposed(name: str, levels: tuple[str, ...], group: str) -> tuple[str, str]:
    instrument = INSTRUMENTS[name]
    asked = domains_asked(instrument, group)
    found = propose(instrument, dict(zip(asked, levels, strict=True)), NAMES, SCALE)
    return found.level, found.basis


def test_every_combination_of_a_trial() -> None:
    tally: dict[str, int] = {}
    for levels in itertools.product(("low", "some_concerns", "high"), repeat=5):
        level, basis = proposed("randomised_trial_domains", levels, "randomised")
        points = sum({"low": 0, "some_concerns": 1, "high": 3}[level] for level in levels)
        assert level == ("high" if points >= 3 else "some_concerns" if points else "low"), levels
        assert basis
        tally[level] = tally.get(level, 0) + 1
    # 1 way to be low; 5 + 10 ways to have one or two concerns; the rest of 3^5.
    assert tally == {"low": 1, "some_concerns": 15, "high": 227}


def test_every_set_of_levels_of_a_comparative_study() -> None:
    ladder = ("low", "moderate", "serious", "critical", "no_information")
    for levels in itertools.combinations_with_replacement(ladder, 7):
        level, _ = proposed("comparative_study_domains", levels, "comparative")
        known = [item for item in levels if item != "no_information"]
        worst = max(known, key=ladder.index, default="no_information")
        expected = worst if worst in {"serious", "critical"} or len(known) == 7 else "no_information"
        assert level == expected, levels


def test_the_basis_names_the_domains_in_words() -> None:
    _, basis = proposed(
        "randomised_trial_domains", ("low", "low", "high", "some_concerns", "low"), "randomised"
    )
    assert basis == "high in missing results"
    _, basis = proposed(
        "randomised_trial_domains", ("low", "some_concerns", "low", "some_concerns", "low"), "randomised"
    )
    assert basis == "some concerns in departures from the planned treatment, how the outcome was measured"


@pytest.mark.parametrize(("group", "items", "most"), [("series", 8, 16), ("comparative", 12, 24)])
def test_scores_are_summed_of_16_or_24_and_no_threshold_is_laid(group: str, items: int, most: int) -> None:
    instrument = INSTRUMENTS["scored_items"]
    assert len(domains_asked(instrument, group)) == items
    assert not has_overall(instrument)
    best = proposed("scored_items", ("score_2",) * items, group)
    mixed = proposed("scored_items", ("score_1",) * 3 + ("score_0",) * (items - 3), group)
    assert best == ("", f"{most} of {most} points")
    assert mixed == ("", f"3 of {most} points")


def test_answers_are_counted_of_those_asked() -> None:
    levels = ("yes",) * 6 + ("no", "unclear", "not_applicable", "not_applicable")
    assert proposed("case_series_items", levels, "series") == ("", "6 of 8 yes")


@pytest.mark.parametrize("term", INSTRUMENTS, ids=lambda term: term.id)
def test_every_instrument_can_propose_and_its_levels_have_a_concern(term) -> None:  # type: ignore[no-untyped-def]
    for group in term.facts.words("design_groups"):
        asked = domains_asked(term, group)
        for level in term.facts.words("judgements"):
            found = propose(term, dict.fromkeys(asked, level), NAMES, SCALE)
            assert found.basis
            assert (found.level == "") != has_overall(term)
            assert SCALE[level].facts.text("concern")
    assert reference(term.facts.text("reference")).year == int(
        term.facts.text("source").split()[1].strip(",")
    )
