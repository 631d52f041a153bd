"""De-duplication against a planted truth: a thousand invented records (tests/unit/review/selection/planted.py)."""

from collections import Counter, defaultdict

import pytest

from metakit.review.selection.duplicates import completed, find_duplicates, removal_of_duplicate
from tests.unit.review.selection.planted import planted


@pytest.mark.parametrize("seed", [20260115, 7])
def test_no_report_is_merged_with_another_and_few_are_missed(seed):
    given = planted(seed)
    found = find_duplicates(given.citations)
    wrong = [d for d in found if not d.perhaps and given.report[d.dropped] != given.report[d.kept]]
    assert wrong == []
    groups = defaultdict(list)
    for citation in given.citations:
        groups[given.report[citation.citation_id]].append(citation.citation_id)
    repeats = sum(len(ids) - 1 for ids in groups.values())
    listed = sum(given.report[d.dropped] == given.report[d.kept] for d in found)
    assert repeats > 200 and (repeats - listed) / repeats <= 0.02
    asked_in_vain = sum(d.perhaps and given.report[d.dropped] != given.report[d.kept] for d in found)
    assert asked_in_vain <= 0.02 * len(given.citations)
    surely = sum(not d.perhaps for d in found)
    assert surely / repeats > 0.6  # most need nobody


def test_the_planted_set_holds_what_it_should():
    given = planted()
    kinds = Counter(key.rstrip("0123456789") for key in given.report.values())
    assert len(given.citations) == 1000 and kinds["R"] > 800
    assert all(kinds[name] > 5 for name in ("erratum", "comment", "abstract", "sister", "supplement"))


def test_the_record_that_stays_is_the_fullest():
    given = planted()
    by_id = {c.citation_id: c for c in given.citations}
    found = [d for d in find_duplicates(given.citations) if not d.perhaps]
    filled = 0
    for duplicate in found:
        kept, dropped = by_id[duplicate.kept], by_id[duplicate.dropped]
        full = completed(kept, [dropped])
        for name in ("doi", "pubmed_id", "abstract", "volume", "pages"):
            assert getattr(full, name) or not getattr(dropped, name)
            assert not getattr(kept, name) or getattr(full, name) == getattr(kept, name)
        filled += full != kept
    assert filled > 20


def test_a_question_does_not_stand_until_somebody_says_yes():
    given = planted()
    asked = next(d for d in find_duplicates(given.citations) if d.perhaps)
    titles = {c.citation_id: c.title for c in given.citations}
    removal = removal_of_duplicate(asked, titles)
    assert not removal.stands and removal.asked
    assert removal.row()["stands"] is None and removal.row()["title"] == titles[asked.dropped]
    assert removal.row()["kept_title"] == titles[asked.kept]
