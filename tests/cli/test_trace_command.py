"""`metakit trace` against the record and the findings that it follows."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from metakit.forms.bundled import demo_studies
from metakit.papers.reader import PaperReader
from metakit.review.places import with_place
from metakit.review.reports import add_report
from metakit.synthesis.findings import Findings
from tests import hostile_papers

REVIEW = Path(__file__).parents[1] / "reference" / "forms" / "review"


@pytest.mark.walk
@pytest.mark.usefixtures("demo_already_synthesised")
def test_the_path_leads_to_the_typed_line_and_to_the_weight(metakit_command, demo_findings: Findings) -> None:
    path = metakit_command(
        "trace", demo_studies(), "--outcome", "key_pinch", "--study", "DEMO-05", "--json"
    ).answer
    first = path["typed"][0]
    file, line, _ = first["place"].split(":")
    text = (demo_studies() / file).read_text(encoding="utf-8").splitlines()
    entry = "\n".join(text[int(line) - 1 : int(line) + 10])
    assert "outcome: key_pinch" in entry
    pounds = float(re.search(r"mean: ([\d.]+)", entry)[1])  # type: ignore[index]
    # One pound is 0.45359237 kg by definition (international yard and pound agreement of 1959).
    assert first["numbers"]["mean"] == pytest.approx(pounds * 0.45359237)
    assert "lb" in first["conversion"] and first["source"].startswith("page ")
    steps = {step["analysis"]: step for step in path["analyses"]}
    used = steps["pinch_lrti"]
    result = next(item for item in demo_findings.analyses if item.plan.id == "pinch_lrti").result
    assert result is not None
    (row,) = [row for row in result.studies if row.study.startswith("DEMO-05")]
    assert (used["effect"], used["weight"]) == (row.effect, row.weight)
    assert used["effect"] == pytest.approx(used["sides"][0][1]["mean"] - used["sides"][1][1]["mean"])
    assert not steps["pinch_prosthesis"]["used"] and steps["pinch_prosthesis"]["reason"]


@pytest.mark.lengthy
@pytest.mark.usefixtures("demo_already_synthesised")
def test_pairs_of_options_that_a_study_is_in_are_followed_too(
    metakit_command, demo_findings: Findings
) -> None:
    path = metakit_command(
        "trace", demo_studies(), "--outcome", "secondary_mp_procedure", "--study", "DEMO-13", "--json"
    ).answer
    pairs = {step["analysis"]: step for step in path["analyses"] if step["analysis"].startswith("mp_pairs--")}
    known = {pair.finding.plan.id: pair.finding for pair in demo_findings.pairs}
    assert list(pairs) == ["mp_pairs--mp_capsulodesis_volar--mp_arthrodesis--secondary_mp_procedure"]
    for name, step in pairs.items():
        assert step["used"]
        rows = [row for row in known[name].result.studies if row.study.startswith("DEMO-13")]
        assert [step["effect"]] == [row.effect for row in rows]


@pytest.mark.lengthy
@pytest.mark.usefixtures("demo_already_synthesised")
def test_words_and_faults(metakit_command) -> None:
    said = metakit_command("trace", demo_studies(), "--outcome", "dash", "--study", "DEMO-03", "--arm", "A")
    assert said.status == 0 and "first quartile" in said.out and "paper: page" in said.out
    wrong = metakit_command("trace", demo_studies(), "--outcome", "dahs", "--study", "DEMO-03")
    assert wrong.status == 2 and "did you mean dash" in wrong.err


@pytest.mark.lengthy
def test_the_place_in_the_paper_is_named_and_drawn(metakit_command, tmp_path: Path) -> None:
    review = tmp_path / "review"
    shutil.copytree(REVIEW, review)
    record = review / "records" / "test_01.yaml"
    with PaperReader() as reader:
        report = add_report(
            review, "test_01", "paper.pdf", hostile_papers.sound("Any complication 4/30 (13.3 %)"), reader
        )
    field = "outcomes[A/any_complication/12/months]."
    place = {
        "field": f"{field}events", "page": "1", "box": "160 690 270 715", "quote": "4/30 (13.3 %)",
        "report": report.sha256,
    }  # fmt: skip
    text = with_place(record.read_text(encoding="utf-8"), place, beside=[f"{field}total"])
    record.write_text(text, encoding="utf-8")
    asked = ("trace", review, "--outcome", "any_complication", "--study", "TEST-01", "--arm", "A")
    said = metakit_command(*asked, "--pictures", tmp_path / "pictures")
    assert said.status == 0, said.err
    assert f"events: page 1, “4/30 (13.3 %)”, at 160 690 270 715 of {report.sha256[:12]}" in said.out
    drawn = sorted(path.name for path in (tmp_path / "pictures").iterdir())
    assert len(drawn) == 2 and all(name.endswith("_page_1.png") for name in drawn)
    (review / "reports" / report.file).unlink()
    assert "the PDF is not here" in metakit_command(*asked, "--pictures", tmp_path / "more").out
