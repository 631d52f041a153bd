"""The section on networks: of the demonstration review, which is thin, and of one without any answer."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest
from matplotlib.figure import Figure

from metakit.core.plans import NetworkPlan
from metakit.errors import UnknownNameError
from metakit.plots.networks.network_registry import NETWORK_FIGURES
from metakit.plots.presets import PRESETS
from metakit.report.drawing.figures import ReportFigures
from metakit.report.drawing.network_figures import draw_network
from metakit.report.drawing.preset_figures import preset_files
from metakit.report.write import write_report
from metakit.synthesis.findings import Findings
from metakit.synthesis.run import synthesise
from metakit.telling.blocks import plain
from metakit.telling.network_tables import NetworkTables
from metakit.workbench import ReviewFindings, open_review

ROOT = Path(__file__).resolve().parents[4]
HTML = "{http://www.w3.org/1999/xhtml}"


def found_with(network: NetworkPlan) -> Findings:
    """Return the findings of the demonstration review with this network and no other analysis."""
    folder = open_review(ROOT / "demo_studies").folder
    protocol = replace(
        folder.protocol, analyses=(), explorations=(), specifications=None, networks=(network,)
    )  # fmt: skip
    return synthesise(replace(folder, protocol=protocol))


@pytest.fixture
def findings(demo_findings: Findings) -> Findings:
    return demo_findings


@pytest.fixture(scope="module")
def section(demo_report: Path) -> str:
    page = (demo_report / "report.html").read_text(encoding="utf-8")
    return page[page.index(' id="networks"') :].split("</section>")[0]


def text_of(html: str) -> str:
    return " ".join(re.sub("<[^>]+>", " ", html).split())


def test_every_comparison_stands_in_a_sentence_with_numbers_per_100(findings: Findings, section: str) -> None:
    (network,) = findings.networks
    text = text_of(section).replace("&#39;", "'")
    assert len(network.comparisons) == 28  # every pair of 8 techniques
    for item in network.comparisons:
        for sentence in item.sentences:
            assert sentence in text
        # a frequency, or why there is none: an expectation outside what studies saw is no baseline
        told = "In 100 thumbs" if item.absolute is not None else "not reused as a baseline"
        assert any(told in sentence for sentence in item.sentences)
    against = sum(item.comparator == network.plan.reference for item in network.comparisons)
    assert (
        text.count("Certainty of the network's estimate: judged against the reference only.") == 28 - against
    )
    assert text.count("Certainty of the network's estimate: ") == 28


def test_all_figures_stand_on_the_page_and_say_what_they_show(section: str) -> None:
    for entry in NETWORK_FIGURES:
        assert f"network-01-complications-network-{entry.name.replace('_', '-')}.svg" in section
    for svg in re.findall(r"<svg\b.*?</svg>", section, re.DOTALL):
        root = ElementTree.fromstring(svg)  # noqa: S314 - written by this test
        described = root.find("{http://www.w3.org/2000/svg}desc")
        assert described is not None
        assert len(described.text or "") > 60


def test_ranks_stand_folded_with_a_caution_and_never_without_their_range(section: str) -> None:
    places = section[section.index("Places of the techniques") :].split("</details>")[0]
    assert "how certain" in places
    assert "95 % range" in text_of(places)
    assert "P-score" not in text_of(section.replace(places, ""))


def test_the_league_says_both_directions(findings: Findings) -> None:
    (league,) = NetworkTables(finding=findings.networks[0]).leagues()
    (table,) = league.blocks
    part = findings.networks[0].analysis
    assert part is not None
    assert len(table.rows) == len(part.parts[0].part.techniques) == 8
    for i in range(8):
        assert plain(table.rows[i][i + 1]) == "–"
        for j in range(i):
            one, two = table.rows[i][j + 1], table.rows[j][i + 1]
            assert float(plain(one.words)) * float(plain(two.words)) == pytest.approx(1, abs=0.05)
            assert one.under[1] == two.under[1]


def test_shifts_that_rounding_alone_makes_are_not_told(findings: Findings) -> None:
    analysis = findings.networks[0].analysis
    assert analysis is not None
    for row in analysis.parts[0].thresholds:
        for shift in (row.down, row.up):
            assert abs(shift) < 1e3 or abs(shift) == float("inf")
    assert NetworkTables(finding=findings.networks[0]).fragile()


def test_what_the_records_say_of_parts_is_told(section: str) -> None:
    text = text_of(section)
    assert "Does the tendon ball add anything?" in text
    assert "Do parts of an operation add up" in text
    assert "covariate of the arm, not a component" in text
    assert "not to be told apart" in text


def test_tables_have_names_of_their_own(section: str) -> None:
    labels = re.findall(r'role="region" tabindex="0" aria-label="([^"]*)"', section)
    assert len(labels) == len(set(labels))


def test_figures_can_be_drawn_by_name(findings: Findings) -> None:
    review = ReviewFindings(findings)
    assert review.network_figure("complications_network", "forest", width_mm=85).get_size_inches()[0] > 3
    with pytest.raises(UnknownNameError, match="complications_network"):
        review.network_figure("complication_network")
    with pytest.raises(UnknownNameError, match="ranks"):
        review.network_figure("complications_network", "rank")


@pytest.mark.walk
def test_figures_are_drawn_again_at_the_width_of_a_preset(findings: Findings) -> None:
    parts = draw_network(findings.networks[0], "01", ()).parts
    assert {entry.name for entry in NETWORK_FIGURES} <= parts.keys()
    for name, part in parts.items():
        for wide in (85.0, 120.0):
            drawn = part.drawn(width_mm=wide)
            assert drawn, name
            for figure in drawn:
                assert 25.4 * figure.get_size_inches()[0] == pytest.approx(wide, abs=0.1), name


@pytest.mark.walk
def test_a_preset_holds_each_figure_of_a_network_once(
    findings: Findings, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheets: list[tuple[float, float]] = []

    def measured(figure: Figure, kind: str, *, dpi: int) -> bytes:
        width, height = figure.get_size_inches()
        sheets.append((25.4 * width, 25.4 * height))
        return b""

    monkeypatch.setattr("metakit.report.drawing.preset_figures.figure_bytes", measured)
    network = draw_network(findings.networks[0], "01", ())
    drawn = ReportFigures(overview=None, overview_parts=(), results=(), networks=(network,))
    files = preset_files(drawn, ["slide"], progress=lambda text: None)
    slide = PRESETS["slide"]
    figures = len(network.parts) - 1
    assert len(sheets) == len(slide.kinds) * figures
    for width, height in sheets:  # a sheet that must be larger keeps its shape
        assert width > slide.width_mm - 0.1
        assert height / width == pytest.approx(slide.height_mm / slide.width_mm, rel=1e-3)
    endings = Counter(name.rpartition(".")[2] for name in files)
    assert endings == {"png": figures, "svg": figures, "txt": figures}, "each figure once, with its caption"
    assert not any("narrow" in name for name in files)


@pytest.mark.walk
def test_a_network_without_an_answer_says_why(tmp_path: Path) -> None:
    plan = NetworkPlan(
        id="nothing", label="$two$ <b>techniques</b>", outcome="crps", measure="risk_ratio",
        reference="trapeziectomy", techniques=("trapeziectomy", "denervation"), components=True,
    )  # fmt: skip
    page = write_report(found_with(plan), tmp_path).read_text(encoding="utf-8")
    part = page[page.index(' id="networks"') :].split("</section>")[0]
    assert "No answer:" in part
    assert "<b>techniques" not in part
    assert "<svg" not in part
