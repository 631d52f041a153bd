"""Write the invented demonstration review: `python tests/demo/generate_demo.py [FOLDER]`.

Every run gives the same bytes; tests/unit/demo holds the committed files against a fresh run.
"""

from __future__ import annotations

import sys
from pathlib import Path

from invented.answers import true_values
from invented.cohorts import COHORTS
from invented.draws import DrawnArm, draw_study, study_shifts
from invented.mp_studies import MP_STUDIES
from invented.plan import protocol
from invented.prosthesis_cohorts import PROSTHESIS_COHORTS
from invented.randomised import TRIALS
from invented.records import HEADING, record
from invented.series import SERIES
from invented.spec import StudySpec
from invented.writer import document

FOLDER = Path(__file__).resolve().parents[2] / "demo_studies"
STUDIES: tuple[StudySpec, ...] = tuple(
    sorted((*TRIALS, *COHORTS, *PROSTHESIS_COHORTS, *MP_STUDIES, *SERIES), key=lambda study: study.number)
)


def first_report(study: StudySpec) -> StudySpec | None:
    """Return the earlier report of the same cohort, if this is a second one."""
    for other in STUDIES:
        if other.number == study.seed_of != study.number:
            return other
    return None


def draw_all() -> dict[str, dict[str, DrawnArm]]:
    """Draw the thumbs of every report: record id -> arm id -> drawn arm."""
    shifts = study_shifts([study.number for study in STUDIES if first_report(study) is None])
    return {
        study.id: draw_study(study, shifts[study.seed_of or study.number], first_report(study))
        for study in STUDIES
    }


def files() -> dict[str, str]:
    """Return every file of the demonstration review: path within the folder, and text."""
    drawn = draw_all()
    records = {study: record(study, drawn[study.id]) for study in STUDIES}
    made = {
        "protocol.yaml": document(HEADING, protocol()),
        "true_values.yaml": document(HEADING, true_values(records.values())),
    }
    for study, tree in records.items():
        made[f"records/{study.id}_{study.place.lower().replace(' ', '_')}.yaml"] = document(HEADING, tree)
    return made


def main(folder: Path = FOLDER) -> None:
    """Write all files."""
    (folder / "records").mkdir(parents=True, exist_ok=True)
    for name, text in files().items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
