"""The section on why thumbs come back, on the invented review: one screen, figures, details."""

from __future__ import annotations

import csv
import io
import re

import pytest

from metakit.decision.summary import summary_tables
from metakit.report.causes_file import causes_csv
from metakit.synthesis.findings import Findings
from metakit.synthesis.returning.causes_words import estimate_words, overlap_sentence
from metakit.telling.blocks import Picture, Run, Say, Table, plain
from metakit.telling.facts import Facts
from metakit.telling.why_thumbs_come_back import why_thumbs_blocks

INTERVAL = re.compile(r"\d \(?[−\d.]+ to [−\d.]+\)")


@pytest.fixture
def blocks(demo_findings: Findings):
    return why_thumbs_blocks(Facts.of(demo_findings))


def test_each_source_carries_a_number_with_an_interval_and_a_certainty(blocks) -> None:
    screen = next(block for block in blocks if isinstance(block, Table))
    rows = {plain(row[0]): row for row in screen.rows}
    assert list(rows) == ["Residual bone", "Scaphotrapezoid arthritis", "MP hyperextension"]
    for label, row in rows.items():
        _, found, reason, changed, _ = map(plain, row)
        assert INTERVAL.search(found), label
        assert INTERVAL.search(reason), label
        assert "95 % interval" in changed, label
        assert re.search(r"Certainty: (Very low|Low|Moderate|High) ", changed), label


def test_the_screen_says_found_and_treated_and_the_numbers_of_the_summary(
    blocks, demo_findings: Findings
) -> None:
    screen = next(block for block in blocks if isinstance(block, Table))
    rows = {plain(row[0]): row for row in screen.rows}
    for row in rows.values():
        found = plain(row[1])
        assert re.search(r"found|seen|over 30", found)
        assert re.search(r"[Rr]emoved|[Tt]reated", found)
    facts = Facts.of(demo_findings)
    (summary,) = [
        row
        for table in summary_tables(demo_findings, facts.certainties)
        for row in table.rows
        if row.analysis == "return_bone"
    ]
    base = summary.baselines[0]
    without = base.with_comparator.partition(" (")[0]
    assert f"{base.with_technique} instead of {without} of 100" in plain(rows["Residual bone"][3])
    assert "still open" in plain(rows["Residual bone"][4])
    assert " instead of  of" not in plain(rows["MP hyperextension"][3])
    assert "over 30 degrees before surgery" in plain(rows["MP hyperextension"][3])


def test_the_numbers_are_those_of_the_findings(blocks, demo_findings: Findings) -> None:
    lead = plain(blocks[0].words)
    for source in demo_findings.trouble.sources:
        assert estimate_words(source.cause.share) in lead


def test_figures_are_named_that_are_drawn(blocks, demo_findings: Findings) -> None:
    from metakit.report.drawing.trouble_figures import draw_trouble

    drawn = {part.name for part in draw_trouble(demo_findings, (".svg",))}
    named = {block.name for block in walk(blocks) if isinstance(block, Picture)}
    assert named == drawn


def walk(blocks):
    for block in blocks:
        yield block
        yield from walk(getattr(block, "blocks", ()))


def test_cautions_stand_there(blocks) -> None:
    said = " ".join(str(block) for block in walk(blocks))
    for words in ("44 %", "contradict each other", "tilts back", "reluctance"):
        assert words in said


def test_the_sources_of_the_models_of_causes_are_cited(blocks, demo_findings: Findings) -> None:
    wanted = demo_findings.trouble.returns.causes.overall.references
    assert {"aitchison_shen_1980", "mosimann_1962"} <= set(wanted)
    cited = [
        run.cites
        for block in blocks
        if isinstance(block, Say) and isinstance(block.words, tuple)
        for run in block.words
        if isinstance(run, Run)
    ]
    assert wanted in cited


def test_options_that_nobody_studied_are_named(blocks) -> None:
    said = " ".join(str(block) for block in walk(blocks))
    assert "never compared within a study" in said
    assert "no study" in said


def test_exclusive_parts_add_up_in_the_file_of_numbers(demo_findings: Findings) -> None:
    rows = list(csv.reader(io.StringIO(causes_csv(demo_findings))))
    assert rows[0] == ["INVENTED DEMONSTRATION DATA"]
    header = rows[1]
    mean = header.index("share, mean")
    exclusive = [row for row in rows[2:] if row[4] == "dirichlet multinomial"]
    for technique in {row[0] for row in exclusive}:
        total = sum(float(row[mean]) for row in exclusive if row[0] == technique)
        assert total == pytest.approx(100, abs=0.001)


def test_parts_add_up_to_the_whole_where_the_page_says_so(demo_findings: Findings, blocks) -> None:
    """The invented review holds one study whose causes overlap: it stands beside, and its own technique says so."""
    causes = demo_findings.trouble.returns.causes
    said = " ".join(str(block) for block in walk(blocks))
    assert causes.overall.overlapping == ("DEMO-19 Thistlegarth",)
    assert causes.overall.exclusive
    assert "add up to 100" in said
    for result in (causes.overall, *causes.by_technique):
        parts = [sum(item.share.mean for item in result.causes)]
        wholes = [1.0]
        for size in ("per_thumb", "per_thumb_year"):
            missing = getattr(result, f"not_stated_{size}")
            rates = [getattr(item, size).mean for item in result.causes]
            parts.append(sum(rates) + (missing.mean if missing else 0.0))
            wholes.append(getattr(result, f"all_{size}").mean)
        if result.exclusive:
            assert parts == pytest.approx(wholes, rel=1e-12), result.technique
        else:
            assert "shares do not add up to 100, nor rates" in overlap_sentence(result)
            assert overlap_sentence(result) in said
            assert parts[0] > 1


def test_json_holds_the_same(demo_findings: Findings) -> None:
    found = demo_findings.trouble.to_json()
    causes = found["returns"]["causes"]["overall"]["causes"]
    shares = {item["cause"]: item["share"]["median"] for item in causes}
    for source in demo_findings.trouble.sources:
        assert shares[source.source] == source.cause.share.median


def test_a_review_without_these_fields_has_no_such_section(demo_findings: Findings) -> None:
    from dataclasses import replace

    assert why_thumbs_blocks(Facts.of(replace(demo_findings, trouble=None))) == ()
