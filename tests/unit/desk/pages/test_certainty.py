"""Certainty: proposed, judged, signed by a person; lifted visibly when what was signed has changed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from metakit.forms.splice import plain_of, set_value
from tests.short_plan import with_only
from tests.unit.desk.desks import Visitor, demo_review, visitor

NAME = "complications_lrti"
pytestmark = pytest.mark.lengthy


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Visitor:
    folder = demo_review(tmp_path_factory.mktemp("certainty") / "review")
    protocol = folder / "protocol.yaml"
    protocol.write_text(with_only(protocol.read_text(), [NAME]))
    (folder / "certainty.yaml").unlink()
    return visitor(folder)


def filled(one: Visitor, **change: str) -> dict[str, str]:
    page = one.get(f"/certainty/{NAME}").text
    fields = {"seen": re.search(r'name="seen" value="(\w+)"', page)[1], "do": "sign"}
    for domain in re.findall(r'name="level\.(\w+)"', page):
        block = page[page.index(f'name="level.{domain}"') - 2500 : page.index(f'name="level.{domain}"')]
        proposed = re.findall(r"Proposed: (\w+) by (\d)|Proposed: (not changed)", block)[-1]
        level = 0 if proposed[2] else int(proposed[1]) * (-1 if proposed[0] == "lowered" else 1)
        fields |= {f"level.{domain}": str(level), f"because.{domain}": "looked at all reports"}
    return fields | change


def worked(one: Visitor, name: str, path: str) -> dict[str, str]:
    """Begin long work, wait for it, and return what the post was answered."""
    answer = one.post(path, {"sure": "yes"}).json()
    task = one.desk.tasks.running(name)
    assert task is None or task.done.wait(300)
    return answer


@pytest.mark.walk
def test_from_proposal_to_signature_and_its_end(one: Visitor, tmp_path: Path) -> None:
    folder = one.desk.folder
    assert "Work out the answers" in one.get("/certainty").text
    assert one.get(f"/certainty/{NAME}").status_code == 404
    assert worked(one, "certainty", "/certainty/work") == {"go": "/certainty"}
    assert "proposed, unsigned" in one.get("/certainty").text
    whole = filled(one)
    domain = next(name for name in whole if name.startswith("level."))
    assert "not judged" in one.post(f"/certainty/{NAME}", {**whole, domain: ""}).json()["refused"]
    other = {**whole, domain: "-3", domain.replace("level", "because"): ""}
    assert "say why" in one.post(f"/certainty/{NAME}", other).json()["refused"]
    assert not (folder / "certainty.yaml").exists()
    assert one.post(f"/certainty/{NAME}", {**whole, "do": "keep"}).json() == {"go": f"/certainty/{NAME}"}
    assert not plain_of((folder / "certainty.yaml").read_text())["judgements"][0].get("signed_by")
    stale = one.post(f"/certainty/{NAME}", whole)
    assert "meanwhile" in stale.json()["refused"]
    assert one.post(f"/certainty/{NAME}", filled(one)).status_code == 200
    entry = plain_of((folder / "certainty.yaml").read_text())["judgements"][0]
    assert (entry["signed_by"], entry["analysis"]) == ("AB", NAME)
    assert "signed by AB" in one.get(f"/certainty/{NAME}").text
    # A number that it rested on changes by hand: the signature is lifted, and says so.
    record = next((folder / "records").glob("DEMO-01*"))
    text = record.read_text()
    outcomes = plain_of(text)["outcomes"]
    at = next(n for n, entry in enumerate(outcomes) if entry["outcome"] == "any_complication")
    record.write_text(set_value(text, ("outcomes", at, "events"), str(int(outcomes[at]["events"]) + 9)))
    assert "Work out the answers" in one.get("/certainty").text
    assert worked(one, "certainty", "/certainty/work") == {"go": "/certainty"}
    page = one.get(f"/certainty/{NAME}").text
    assert "signed for something else, does not count" in page
    assert "changed since" in page or "Signed for something else" in page
    fields = {"seen": re.search(r'name="seen" value="(\w+)"', page)[1], "do": "renew"}
    assert one.post(f"/certainty/{NAME}", fields).status_code == 200
    page = one.get(f"/certainty/{NAME}").text
    assert "Earlier signatures" in page
    assert "Sign as AB" in page


@pytest.mark.walk
def test_the_report_is_made_and_served_by_its_own_policy(one: Visitor) -> None:
    assert worked(one, "report", "/report") == {"go": "/report"}
    page = one.get("/report").text
    assert "made on" in page
    report = one.get("/report/file/report.html")
    assert report.status_code == 200
    policy = report.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'")
    named = re.search(r'http-equiv="Content-Security-Policy" content="([^"]+)"', report.text)[1]
    assert policy == f"{named.replace('&#39;', chr(39))}; frame-ancestors 'none'"
    assert one.get("/report/file/../protocol.yaml").status_code == 404
    assert one.get("/report/file/..%2fprotocol.yaml").status_code == 404
    assert one.get("/report/file/nothing.html").status_code == 404
