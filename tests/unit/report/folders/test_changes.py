"""What changed since an earlier report: every kind of change told once, nothing told that did not change. Invented studies."""

from __future__ import annotations

import copy
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from metakit.core.results import PoolResult
from metakit.decision.certainty import all_certainties, certainty_of
from metakit.decision.worksheet import proposal_entry
from metakit.errors import DataError, NotEstimableError, UnreadableError
from metakit.numerics.sequential import spending_boundaries
from metakit.report.folders.bundle import MANIFEST
from metakit.report.folders.bundle_files import pack
from metakit.report.folders.changes import changes_since
from metakit.report.folders.changes_monitoring import monitoring_sentences, smallest_on_scale
from metakit.report.folders.changes_reading import EarlierReport, read_earlier_report
from metakit.report.write import numbers_text, write_whole_report
from metakit.synthesis.run import synthesise
from tests.unit.synthesis.invented import Folder, measured, plan, protocol, study, trial

ANALYSES = (plan(), plan("mean_difference", "dash", id="dash"), plan("risk_difference", id="gone"))
TRIALS = (
    trial("1", 4, 10, year=2010), trial("2", 5, 9, year=2012), trial("3", 3, 9, total=60, year=2014),
    trial("4", 8, 9, year=2016),
)  # fmt: skip
SCORES = tuple(
    study(n, measured("A", a, 9.0), measured("B", b, 8.0), year=2015)
    for n, a, b in (("m", 20.0, 25.0), ("n", 22.0, 21.0))
)


def carried_out(studies, *analyses, **facts):
    return synthesise(Folder(protocol=protocol(*(analyses or ANALYSES), **facts), studies=tuple(studies)))


def as_json(findings):
    return json.loads(numbers_text(findings))


def earlier(findings) -> EarlierReport:
    return EarlierReport(name="findings.json", findings=as_json(findings))


def compared(old, new):
    return changes_since(earlier(old), as_json(new), all_certainties(new))


@pytest.fixture(scope="module")
def old():
    return carried_out((*TRIALS, *SCORES))


@pytest.fixture(scope="module")
def new():
    later = (*TRIALS[:3], trial("4", 8, 11, year=2016), trial("5", 6, 30, total=120, year=2022), *SCORES)
    return carried_out(later, ANALYSES[0], ANALYSES[1], plan("odds_ratio", id="added"))


def test_nothing_changed_says_so(old) -> None:
    found = compared(old, old)
    assert found.none and found.unchanged == 3 and found.answers == ()
    assert found.lines == ("Nothing changed since findings.json: 3 answers are the same.",)


@pytest.mark.lengthy
def test_every_kind_of_change_is_told(old, new) -> None:
    found = compared(old, new)
    assert found.studies_added == ("Study 5",) and found.studies_removed == ()
    assert found.unchanged == 1  # the scores
    assert {item.analysis: item.kind for item in found.answers} == {
        "main": "changed",
        "added": "added",
        "gone": "taken_out",
    }
    assert found.answers[0].analysis == "main" and found.answers[0].studies == ("4", "5")
    text = " ".join(found.answers[0].sentences)
    first, second = old.analyses[0].result, new.analyses[0].result
    for result, when in ((first, "before"), (second, "now")):
        low, high = np.exp(result.interval)
        assert f"{np.exp(result.estimate):.2f} ({low:.2f} to {high:.2f}) {when}" in text
    assert "New in it: Study 5; with other numbers: Study 4. It rests on 5 studies, before on 4." in text
    assert "Difference per 100 thumbs:" in text


def test_an_interval_that_passes_no_difference_comes_first_and_is_told(old, new) -> None:
    before = old.analyses[0].result.interval
    now = new.analyses[0].result.interval
    assert before.lower < 0 < before.upper and now.upper < 0, (
        "the invented studies no longer test what they should"
    )
    change = compared(old, new).answers[0]
    assert change.crossed
    said = "The interval held no difference before; now the whole of it lies on one side: "
    assert f"{said}fewer complications after LRTI." in change.sentences
    back = compared(new, old).answers[0]
    assert any(
        "now it holds no difference, so the direction is open again" in sentence
        for sentence in back.sentences
    )


@pytest.mark.lengthy
def test_an_estimate_that_changes_sides_and_the_smallest_important_difference() -> None:
    old = carried_out([trial(str(n), 30, 34, total=200) for n in range(4)], plan())
    new = carried_out([trial(str(n), 34, 30, total=200) for n in range(4)], plan())
    text = " ".join(compared(old, new).answers[0].sentences)
    assert "The estimate has changed sides: it lies on that of more complications after LRTI now" in text
    wide = carried_out([trial(str(n), 3, 5) for n in range(2)], plan())
    text = " ".join(compared(wide, old).answers[0].sentences)
    assert (
        "Against the smallest important difference (5 per 100 thumbs): before, the interval reached it in both directions; now it"
        in text
    )


def test_answers_that_come_and_go() -> None:
    none = carried_out([trial("1", 0, 0)], plan())
    some = carried_out([trial("1", 0, 0), trial("2", 3, 6)], plan())
    come, gone = compared(none, some).answers[0], compared(some, none).answers[0]
    assert (come.kind, gone.kind) == ("now_answered", "no_longer_answered")
    assert "There is an answer now" in " ".join(come.sentences) and "There is no answer any more" in " ".join(
        gone.sentences
    )
    assert (come.before, gone.now) == ("", "") and come.now == gone.before != ""


@pytest.mark.lengthy
def test_another_measure_is_not_compared_as_a_number() -> None:
    first, second = carried_out(TRIALS, plan()), carried_out(TRIALS, plan("odds_ratio"))
    text = " ".join(compared(first, second).answers[0].sentences)
    assert "the two must not be compared" in text and "before, 0." not in text


def test_plan_certainty_versions_records_and_places_are_compared(old) -> None:
    now = as_json(old)
    before = copy.deepcopy(now)
    before["versions"]["numpy"] = "1.0"
    now["inputs"] = {"records/1.yaml": "b", "records/2.yaml": "c", "protocol.yaml": "d"}
    before["inputs"] = {"records/1.yaml": "a", "records/2.yaml": "c", "protocol.yaml": "e"}
    before["certainty"][0]["certainty"], before["certainty"][0]["status"] = "high", "signed"
    before["plan"]["parts"] = {"icc": 0.1}
    now["plan"]["parts"] = {"icc": 0.3}

    def network(*scores: float):
        ranking = [{"technique": name, "p_score": score} for name, score in zip("abc", scores, strict=False)]
        return {
            "id": "net",
            "title": "All techniques",
            "nodes": [{"technique": "a", "label": "LRTI"}],
            "result": {"ranking": ranking},
        }

    before["networks"], now["networks"] = [network(0.9, 0.5)], [network(0.4, 0.5, 0.7)]
    found = changes_since(EarlierReport(name="x", findings=before), now, all_certainties(old))
    assert found.versions == (f"numpy 1.0, now {now['versions']['numpy']}",)
    assert found.records_changed == ("records/1.yaml",)
    assert found.plan == ("icc changed from 0.1 to 0.3",)
    assert [(p.technique, p.before, p.now) for p in found.places] == [
        ("c", "not in the network", "1 of 3"),
        ("LRTI", "1 of 2", "3 of 3"),
    ]
    change = next(item for item in found.answers if item.analysis == "main")
    assert change.certainty[0] == "high" and "Certainty: high (signed) before" in " ".join(change.sentences)
    assert not change.crossed


def test_a_plan_without_its_parts_is_told_by_its_hash(old) -> None:
    now, before = as_json(old), as_json(old)
    del before["plan"]["parts"]
    before["plan"]["hash"] = "f" * 64
    assert "hash ffffffffffff before" in changes_since(EarlierReport(name="x", findings=before), now).plan[0]


@pytest.mark.grid
@pytest.mark.parametrize("seed", range(12))
def test_an_earlier_report_of_any_shape_ends_in_words(seed: int, old) -> None:
    """Parts of the earlier findings are replaced by things of another shape; nothing may end in a traceback."""
    generator = np.random.default_rng(seed)
    wrong = [None, 3, "x", [], {}, [None], {"id": 3}, True, -1e308]

    def spoil(value):
        if generator.random() < 0.04:
            return wrong[generator.integers(len(wrong))]
        if isinstance(value, dict):
            return {key: spoil(item) for key, item in value.items()}
        return [spoil(item) for item in value] if isinstance(value, list) else value

    now = as_json(old)
    before = {key: spoil(value) for key, value in now.items()}
    found = changes_since(EarlierReport(name="x", findings=before), now, all_certainties(old))
    assert all(isinstance(line, str) for line in found.lines)


def test_earlier_reports_are_found_in_files_folders_and_bundles(old, tmp_path: Path) -> None:
    text = numbers_text(old).encode()
    folder = tmp_path / "review" / "report"
    folder.mkdir(parents=True)
    (folder / "findings.json").write_bytes(text)
    for path in (folder / "findings.json", folder, tmp_path / "review"):
        assert read_earlier_report(path).findings["review"]["id"] == "review"
    import hashlib

    entry = {"size": len(text), "sha256": hashlib.sha256(text).hexdigest()}
    manifest = {
        "format": "metakit review bundle",
        "format_version": 1,
        "versions": {},
        "files": {"report/findings.json": entry},
    }
    bundle = tmp_path / "b.zip"
    bundle.write_bytes(pack({"report/findings.json": text, MANIFEST: json.dumps(manifest).encode()}))
    assert read_earlier_report(bundle).name == "b.zip"
    bundle.write_bytes(pack({"report/findings.json": text + b" ", MANIFEST: json.dumps(manifest).encode()}))
    with pytest.raises(DataError, match="not the one that the manifest"):
        read_earlier_report(bundle)


def signed(findings):
    """Return findings with a whole signature under every answer."""
    whole = [
        replace(
            entry, signed_by="Ada Example (invented)", signed_on="2026-03-02",
            domains=tuple(replace(line, judged=line.proposed, because="invented") for line in entry.domains),
        )
        for entry in map(proposal_entry, all_certainties(findings))
    ]  # fmt: skip
    return replace(findings, judgements=tuple(whole))


def test_a_signature_on_another_question_is_listed(old) -> None:
    before = signed(old)
    asked = replace(before.protocol, question="Which lasts?", population="Adults under 50")
    found = compared(before, replace(before, protocol=asked))
    assert [item.kind for item in found.answers] == ["changed"] * 3
    for change in found.answers:
        text = " ".join(change.sentences)
        assert (
            "Signed for something else: the question: Which technique? when it was signed, Which lasts? now"
            in text
        )
        assert "the population: Adults when it was signed, Adults under 50 now" in text


def test_a_signature_taken_out_of_its_list_is_listed(old) -> None:
    before = signed(old)
    bare = tuple(replace(item, rests_on=()) for item in before.judgements)
    lines = "\n".join(compared(before, replace(before, judgements=bare)).lines)
    assert lines.count("the list of what it rests on:") == 3 and "0 entries now" in lines


@pytest.mark.parametrize("status", ["outdated", "unsigned", "contradicted", "partial", None])
def test_a_fallen_signature_on_a_network_estimate_is_listed(status) -> None:
    def report(status):
        level = {"analysis": "pain--lrti", "answer": "an answer", "certainty": "low", "status": status}
        if status == "outdated":
            changed = {"what": "the question", "signed": "Which?", "now": "What?"}
            level["signature"] = {"changed_since": [changed]}
        nodes = [{"technique": "lrti", "label": "LRTI"}]
        networks = [{"id": "pain", "title": "Pain", "nodes": nodes}]
        return {"networks": networks, "network_certainty": [level] if status else []}

    def since(before, now):
        return changes_since(EarlierReport(name="findings.json", findings=report(before)), report(now))

    assert since("signed", "signed").none and since("outdated", status).none
    found = since("signed", status)
    assert [(item.title, item.certainty[0]) for item in found.answers] == [("Pain: LRTI", "low")]
    (sentence,) = found.answers[0].sentences
    assert sentence.startswith("Certainty: low (signed) before, ")
    assert ("the question: Which? when it was signed, What? now" in sentence) == (status == "outdated")


def test_pairs_of_options_are_told_as_answers_are() -> None:
    def report(estimate: float | None, status: str = "signed"):
        pair = {
            "id": "p--a--b--pain",
            "option_pairs": "p",
            "title": "Pain: a against b",
            "measure": "risk_ratio",
        }
        pair |= {"result": {"k": 1, "back_transformed": {"estimate": estimate, "interval": [0.5, 3.0]}}}
        level = {"analysis": "p--a--b--pain", "answer": str(estimate), "certainty": "low", "status": status}
        return {} if estimate is None else {"option_pairs": [pair], "option_pair_certainty": [level]}

    def since(before, now):
        return changes_since(EarlierReport(name="findings.json", findings=before), now)

    assert since(report(1.5), report(1.5)).none
    (found,) = since(report(1.5), report(1.5, "outdated")).answers
    assert (found.title, found.certainty) == ("Pain: a against b", ("low", "low"))
    assert "Certainty: low (signed) before, low (signed for something else) now." in found.sentences
    (gone,) = since(report(1.5), report(None)).answers
    assert gone.sentences == ("No study holds it any more, or the plan no longer asks for it.",)
    (came,) = since(report(None), report(1.5)).answers
    assert came.kind == "added"


def test_a_signature_for_something_else_is_listed_with_old_and_new(old) -> None:
    """Only the plan's threshold changed: the answer is the same, and the signature does not count any more."""
    before = signed(old)
    assert all(certainty_of(item.body, item.judgement).final for item in all_certainties(before))
    outcomes = tuple(
        replace(item, smallest_important_difference=(item.smallest_important_difference or 5) + 1)
        for item in before.protocol.outcomes
    )
    asked = replace(before.protocol, outcomes=outcomes)
    now = replace(
        before,
        protocol=asked,
        analyses=tuple(
            replace(
                finding,
                outcome_plan=next(o for o in outcomes if o.outcome == finding.outcome_plan.outcome),
            )
            for finding in before.analyses
        ),
    )
    text = "\n".join(
        changes_since(earlier(before), json.loads(numbers_text(now)), all_certainties(now)).lines
    )
    assert "signed for something else) now" in text
    assert (
        "Signed for something else: the thresholds: 5 per 100 thumbs when it was signed, 6 per 100 thumbs now"
        in text
    )


@pytest.mark.parametrize("content", [b"", b"[]", b"{", b'{"analyses": 1}', b"[" * 90_000, b"\xff\xfe"])
def test_what_is_no_earlier_report_is_refused(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "findings.json"
    path.write_bytes(content)
    with pytest.raises(UnreadableError, match="no findings of an earlier report"):
        read_earlier_report(path)
    with pytest.raises(UnreadableError):
        read_earlier_report(tmp_path / "none")


@pytest.mark.lengthy
def test_monitoring_holds_the_cumulative_answer_against_its_boundary(new) -> None:
    """Information and z again by hand: (smallest / (1.96 + 0.84))^2 over the squared error; both from scipy here."""
    from scipy import stats

    certainties = all_certainties(new)
    said = monitoring_sentences(new.analyses, certainties, ["main"])
    assert len(said) == 3 and "Cochrane Handbook" in said[2]
    finding = new.analyses[0]
    smallest = smallest_on_scale(finding, certainties[0])
    base = certainties[0].body.absolute[0].baseline.value
    assert smallest == pytest.approx(np.log((base - 0.05) / base))
    answer = finding.result  # the answer itself, with the interval that the page shows
    reach = stats.norm.ppf(0.975)
    error = (answer.interval.upper - answer.interval.lower) / 2 / reach
    facing = (
        answer.interval.upper - answer.estimate
        if answer.estimate < 0
        else answer.estimate - answer.interval.lower
    )
    last = answer
    needed = ((stats.norm.ppf(0.975) + stats.norm.ppf(0.8)) / smallest) ** 2
    assert f"holds {100 / error**2 / needed:.0f} % of the information" in said[0]
    far = f"by its own interval {abs(last.estimate / (facing / reach)):.2f} standard errors"
    assert (far in said[0]) != ("so early, no answer can pass" in said[0])
    assert monitoring_sentences(new.analyses, certainties, []) == ()


@pytest.mark.lengthy
def test_no_boundary_is_passed_beside_an_interval_that_holds_no_difference() -> None:
    """The page once said "3.03 standard errors beyond the boundary" beside an interval that holds no difference."""
    from scipy import stats

    seen = set()
    for events in (40, 50, 60, 80, 110):
        trials = (trial("1", 40, events + 9, 400), trial("2", 43, events, 380), trial("3", 38, events, 390))
        found = carried_out(tuple(replace(item, year=2000 + n) for n, item in enumerate(trials)), plan())
        answer = found.analyses[0].result
        (said, *_) = monitoring_sentences(found.analyses, all_certainties(found), ["main"]) or ("",)
        if answer is None or "by its own interval" not in said:
            continue
        far = float(re.search(r"by its own interval ([0-9.]+) standard", said)[1])
        holds = answer.interval.lower <= 0 <= answer.interval.upper
        assert (far < stats.norm.ppf(0.975) + 0.005) == holds
        seen.add(holds)
        if holds:
            assert "is not beyond it" in said
    assert seen == {True, False}


RARE = ((2, 9, 400), (1, 5, 380), (3, 11, 500))
COMMON = ((40, 52, 400), (43, 55, 380), (38, 61, 390))
CLEAR = ((30, 62, 400), (33, 65, 380), (28, 71, 390))


def spent_by(boundaries: list[float], shares: list[float]) -> float:
    """Return the chance to have passed one of some two-sided boundaries, by integrals of the normal distribution.

    Looks at shares of the information have the correlation sqrt(earlier / later) (Armitage, McPherson & Rowe
    1969); scipy integrates over the box, which knows nothing of the recursion.
    """
    from scipy import stats

    between = [[np.sqrt(min(a, b) / max(a, b)) for b in shares] for a in shares]
    joint = stats.multivariate_normal(cov=np.array(between), allow_singular=True)
    ends = np.minimum(boundaries, 8.0)
    return float(1 - joint.cdf(ends, lower_limit=-ends))


@pytest.mark.grid
@pytest.mark.lengthy
@pytest.mark.parametrize("level", [0.90, 0.95, 0.99])
@pytest.mark.parametrize("numbers", [RARE, COMMON, CLEAR], ids=["counts, rare", "normal", "normal, clear"])
@pytest.mark.parametrize("inference", ["half_normal", "hartung_knapp"])
def test_boundary_and_interval_never_contradict_each_other(
    numbers: tuple[tuple[int, int, int], ...], level: float, inference: str
) -> None:
    """Distance, information and boundary again from the answer's own interval; another interval would show."""
    from scipy import stats

    from metakit.models.differing.again import method_of

    trials = tuple(
        replace(trial(str(n), first, second, total), year=2000 + n)
        for n, (first, second, total) in enumerate(numbers)
    )
    found = carried_out(trials, replace(plan(), level=level), inference=inference)
    finding, certainties = found.analyses[0], all_certainties(found)
    answer = finding.result
    said = monitoring_sentences(found.analyses, certainties, ["main"])
    smallest = smallest_on_scale(finding, certainties[0])
    assert answer.level == level and smallest is not None and said
    reach, power = stats.norm.ppf((1 + level) / 2), stats.norm.ppf(0.8)

    def information(of: PoolResult) -> float:
        error = (of.interval.upper - of.interval.lower) / 2 / reach
        return (smallest / (reach + power) / error) ** 2

    share = information(answer)
    assert f"holds {100 * share:.0f} % of the information" in said[0]
    facing = (
        answer.interval.upper - answer.estimate
        if answer.estimate < 0
        else answer.estimate - answer.interval.lower
    )
    far = abs(answer.estimate) / (facing / reach)
    if "so early, no answer can pass" in said[0]:
        return
    assert f"by its own interval {far:.2f} standard errors" in said[0]
    holds = answer.interval.lower <= 0 <= answer.interval.upper
    assert (far <= reach) == holds
    assert not (holds and "is at or beyond it" in said[0])
    # The boundary, from looks answered by the same method and likelihood, spends what may be spent by then.
    method, shares = method_of(answer), []
    for number in range(1, len(trials) + 1):
        first = finding.table.select(np.arange(len(trials)) < number)
        try:
            here = answer if number == len(trials) else method.pool(first)
        except NotEstimableError:  # such as two studies by Hartung-Knapp: nothing to look at
            continue
        assert here.likelihood == answer.likelihood and here.level == level
        if np.isfinite(list(here.interval)).all() and information(here) > max(shares, default=0.0):
            shares.append(information(here))
    boundary = float(re.search(r"repeated looks stands at ([0-9.]+),", said[0])[1])
    assert ("is at or beyond it" in said[0]) == (far >= boundary) or abs(far - boundary) < 0.006
    bounds = spending_boundaries(shares, 1 - level)
    if shares[-1] == share:
        assert bounds.boundary[-1] == pytest.approx(boundary, abs=0.006)
    allowed = 4 * stats.norm.sf(
        -stats.norm.ppf((1 - level) / 4) / np.sqrt(np.minimum(shares, 1))
    )  # Lan & DeMets 1983
    for look in range(len(shares)):
        if np.isfinite(bounds.boundary[look]):
            spent = spent_by(list(bounds.boundary[: look + 1]), shares[: look + 1])
            assert spent == pytest.approx(allowed[look], abs=2e-4)


def test_smallest_difference_on_every_scale() -> None:
    cases = {"risk_ratio": lambda p: np.log((p - 0.05) / p), "risk_difference": lambda p: -0.05}
    cases["odds_ratio"] = lambda p: np.log((p - 0.05) / (1 - p + 0.05)) - np.log(p / (1 - p))
    for measure, expected in cases.items():
        found = carried_out(TRIALS, plan(measure))
        certainty = all_certainties(found)[0]
        value = smallest_on_scale(found.analyses[0], certainty)
        base = certainty.body.absolute[0].baseline.value if certainty.body.absolute else 0.5
        assert value == pytest.approx(expected(base)), measure
    scores = carried_out(SCORES, plan("mean_difference", "dash"))
    assert smallest_on_scale(scores.analyses[0], all_certainties(scores)[0]) == -5


@pytest.mark.walk
def test_the_page_and_the_folder_tell_the_changes(old, new, tmp_path: Path) -> None:
    written = write_whole_report(new, tmp_path, since=earlier(old))
    page = written.page.read_text(encoding="utf-8")
    section = page[page.index(' id="changes"') :]
    section = section[: section.index("</section>")]
    for part in (
        "Study 5",
        "passed a line that matters",
        "Repeated looks at growing evidence",
        "chance for a false alarm",
    ):
        assert part in section, part
    assert json.loads((tmp_path / "changes.json").read_text())["unchanged"] == 1
    again = write_whole_report(new, tmp_path)
    assert "changes.json" in again.folder.removed and 'id="changes"' not in again.page.read_text(
        encoding="utf-8"
    )


@pytest.mark.lengthy
def test_a_difference_that_is_the_estimate_itself_is_told_once_and_in_one_rounding() -> None:
    """The line once said "-0.24 (-6.03 to 5.45)" and, of the same, "-0.2 (-6.0 to +5.5)"."""
    asked = plan("mean_difference", "dash", id="dash")
    third = study("o", measured("A", 21.0, 9.0), measured("B", 23.5, 8.0), year=2016)
    before, now = carried_out(SCORES, asked), carried_out((*SCORES, third), asked)
    (change,) = compared(before, now).answers
    (told,) = [sentence for sentence in change.sentences if re.search(r"\(\S+ to \S+\)", sentence)]
    assert re.fullmatch(
        r"Mean difference in points: (\S+ \(\S+ to \S+\)) before, (\S+ \(\S+ to \S+\)) now\.", told
    )
    for findings in (before, now):
        values = findings.analyses[0].answer.result.interval
        assert all(f"{value:+.1f}".replace("-", "−") in told for value in values)
    ratio = compared(carried_out(TRIALS, plan()), carried_out(TRIALS[:3], plan())).answers[0].sentences
    assert any(sentence.startswith("Risk ratio: ") for sentence in ratio)
    assert any(sentence.startswith("Difference per 100 thumbs: ") for sentence in ratio)
