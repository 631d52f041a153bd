"""Write the invented demonstration review: `python tests/demo/generate_demo.py [FOLDER]`.

Every run gives the same bytes; tests/demo holds the committed files against a fresh run. Two invented
extractors' records are written, then reconciled by metakit itself with the planted decisions: the agreed records
and their history are what `metakit reconcile` makes of them.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from invented.answers import true_values
from invented.cohorts import COHORTS
from invented.draws import DrawnArm, draw_study, study_shifts
from invented.extractors import PEOPLE, as_typed, decisions
from invented.judgements import JUDGED, certainty
from invented.mp_studies import MP_STUDIES
from invented.plan import protocol, registered_protocol
from invented.prosthesis_cohorts import PROSTHESIS_COHORTS
from invented.randomised import TRIALS
from invented.records import HEADING, record
from invented.selection import selection_files
from invented.series import SERIES
from invented.spec import StudySpec
from invented.trouble import with_trouble
from invented.trouble_studies import TROUBLE_STUDIES
from invented.unit import unit
from invented.writer import document

from metakit.core.records import CertaintyJudgement
from metakit.decision.analysis_body import body_of
from metakit.decision.certainty import certainty_of
from metakit.decision.worksheet import proposal_entry
from metakit.review.folder import open_folder, read_protocol
from metakit.review.history import HISTORY
from metakit.review.plan import plan_hash, plan_parts, record_plan
from metakit.review.reconciling.reconcile import reconcile, write_comparison
from metakit.review.reconciling.reconcile_review import compare_review
from metakit.synthesis.analysis import analyse
from metakit.synthesis.gathering.arms import display_names

FOLDER = Path(__file__).resolve().parents[2] / "demo_studies"
STUDIES: tuple[StudySpec, ...] = tuple(
    sorted(
        (*TRIALS, *COHORTS, *PROSTHESIS_COHORTS, *MP_STUDIES, *SERIES, *TROUBLE_STUDIES),
        key=lambda study: study.number,
    )
)


def first_report(study: StudySpec) -> StudySpec | None:
    """Return the earlier report of the same cohort, if this is a second one."""
    for other in STUDIES:
        if other.number == study.seed_of != study.number:
            return other
    return None


def draw_all() -> dict[str, dict[str, DrawnArm]]:
    """Draw the thumbs of every report: record id -> arm id -> drawn arm."""
    own = [study.number for study in STUDIES if first_report(study) is None]
    added = [study.number for study in TROUBLE_STUDIES]
    shifts = study_shifts([number for number in own if number not in added]) | study_shifts(added, apart=9)
    drawn = {
        study.id: draw_study(study, shifts[study.seed_of or study.number], first_report(study))
        for study in STUDIES
    }
    return {
        study.id: {arm.id: with_trouble(study, arm, drawn[study.id][arm.id]) for arm in study.arms}
        for study in STUDIES
    }


def typed_files() -> dict[str, str]:
    """Return what people typed: the protocol and both extractors' records, with the truth behind them."""
    drawn = draw_all()
    records = {study: record(study, drawn[study.id]) for study in STUDIES}
    plan = protocol()
    plan["review"]["plan_hash"] = plan_hash(plan_parts(registered_fields()))
    made = {
        "protocol.yaml": document(HEADING, plan),
        "unit.yaml": document(HEADING, unit()),
        "true_values.yaml": document(HEADING, true_values(records.values())),
    }
    for study, tree in records.items():
        name = f"{study.id}_{study.place.lower().replace(' ', '_')}.yaml"
        for person in PEOPLE:
            text = document(HEADING, as_typed(tree, study.number, person))
            made[f"extractors/{person}/{name}"] = text
    return made


def registered_fields() -> Mapping[str, Any]:
    """Return the protocol as it was registered, before its amendment, checked."""
    with TemporaryDirectory() as scratch:
        _write(Path(scratch), {"protocol.yaml": document(HEADING, registered_protocol())})
        return read_protocol(scratch).fields


def files() -> dict[str, str]:
    """Return every generated file of the demonstration review: path within the folder, and text."""
    made = typed_files()
    with TemporaryDirectory() as scratch:
        folder = Path(scratch)
        _write(folder, made)
        record_plan(folder, registered_fields(), date=protocol()["review"]["date"])
        decided = _decide(folder)
        reconcile(compare_review(folder), decided)
        for path in (decided, folder / HISTORY, *sorted((folder / "records").glob("*.yaml"))):
            made[path.relative_to(folder).as_posix()] = path.read_text(encoding="utf-8")
        made["certainty.yaml"] = document(HEADING, certainty(_proposed(folder)))
    return made | selection_files(STUDIES)


def _proposed(folder: Path) -> dict[str, CertaintyJudgement]:
    """Return today's proposals for the answers that somebody judged."""
    review = open_folder(folder)
    names = display_names(review.studies)
    found = {}
    for plan in (plan for plan in review.protocol.analyses if plan.id in JUDGED):
        body = body_of(analyse(plan, review.protocol, review.studies, names), review.protocol)
        if body is not None:
            found[plan.id] = proposal_entry(certainty_of(body))
    return found


def _decide(folder: Path) -> Path:
    """Fill in the decisions file as the planted decisions say."""
    path = write_comparison(compare_review(folder), as_csv=True)
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    settled = decisions()
    for row in rows:
        found = settled.get((row["study"], row["field"]))
        if found is not None:
            row |= {
                "decision": found["as"],
                "other_value": str(found.get("value", "")),
                "decided_by": found["by"],
                "decided_on": str(found["date"]),
                "reason": f"{found['why']} (invented)",
            }
    with path.open("w", encoding="utf-8", newline="") as stream:
        out = csv.DictWriter(stream, rows[0].keys(), lineterminator="\n")
        out.writeheader()
        out.writerows(rows)
    return path


def _write(folder: Path, made: dict[str, str]) -> None:
    for name, text in made.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")


def main(folder: Path = FOLDER) -> None:
    """Write all files."""
    _write(folder, files())


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
