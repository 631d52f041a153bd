"""The judgements of certainty of a review folder: `certainty.yaml`, read, checked, written as a proposal."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path

from metakit.core.records import CertaintyJudgement
from metakit.core.values import Place
from metakit.errors import Problem, nearest_names
from metakit.forms.library import Library
from metakit.forms.record_text import record_text
from metakit.forms.records import Reading, read_record
from metakit.forms.tree import Group
from metakit.forms.yaml_nodes import ListNode, MapNode, Node, ScalarNode
from metakit.review.typed_certainty import certainty_judgements

CERTAINTY = "certainty.yaml"
FORM = "certainty"
KEEPS = "keeps_facts"
"""Field of a file whose signatures all stand with what they rest on."""
HEADING = (
    "Certainty of the evidence. 'proposed' and its reason are the software's. Write your levels under",
    "'judged', your reason under 'because', and sign with signed_by and signed_on.",
    "Nothing is final until it is signed.",
)
AGAINST = "signed against its own numbers, does not count"
_RATIO = re.compile(r"(?:risk|rate|hazard|odds) ratio [\d.e+-]+ \(([\d.e+-]+) to ([\d.e+-]+|∞)\)")
INVENTED = "INVENTED DEMONSTRATION DATA: no real patients, authors, units or journals."


@dataclass(frozen=True, slots=True, kw_only=True)
class CertaintyReading:
    """What the certainty file of a folder says, with all problems."""

    reading: Reading
    problems: tuple[Problem, ...]
    judgements: tuple[CertaintyJudgement, ...]


def read_certainty(folder: Path, library: Library, plan: Group | None) -> CertaintyReading | None:
    """Read the certainty file of a folder; None where there is none.

    Parameters
    ----------
    folder : Path
    library : Library
    plan : Group or None
        The checked protocol, whose analyses the judgements are about.
    """
    file = folder / CERTAINTY
    if not file.is_file():
        return None
    reading = read_record(file, library, form=library.form(FORM))
    problems = list(reading.problems)
    group = reading.group
    if group is None:
        return CertaintyReading(reading=reading, problems=tuple(problems), judgements=())
    known = [item.text("id") for item in plan.groups("analyses")] if plan else []
    parts = ("networks", "option_pairs")  # their answers are named after them, as the records make them
    expanded = tuple(f"{item.text('id')}--" for part in parts for item in plan.groups(part)) if plan else ()
    for item in group.groups("judgements"):
        name = item.text("analysis")
        if known and name and name not in known and not name.startswith(expanded):
            problems.append(
                item.problem(
                    "analysis", "the protocol has no such analysis", found=name,
                    hint=nearest_names(name, known), severity="error",
                )
            )  # fmt: skip
    sound = all(problem.severity != "error" for problem in problems)
    judgements = certainty_judgements(group) if sound else ()
    for item, judgement in zip(group.groups("judgements"), judgements, strict=False):
        against = against_itself(judgement)
        if against:
            problems.append(
                item.problem(
                    "signed_by", f"{AGAINST}: {against}", found=judgement.signed_by, severity="question"
                )
            )
    return CertaintyReading(reading=reading, problems=tuple(problems), judgements=judgements)


def against_itself(judgement: CertaintyJudgement) -> str:
    """Say what of a signature its own kept numbers contradict, without carrying out the review; else "".

    A ratio whose interval holds no difference is no large effect (GRADE guidance 9, Guyatt 2011).
    `metakit certainty` compares with the numbers of today as well.
    """
    raised = any(line.domain == "large_effect" and (line.judged or 0) > 0 for line in judgement.domains)
    if not judgement.signed_by or not raised:
        return ""
    kept = next((fact.value for fact in judgement.rests_on if fact.what == "effect"), judgement.answer)
    found = _RATIO.match(kept)
    if found is None:
        return ""
    low, high = (math.inf if end == "∞" else float(end) for end in found.groups())
    if not low <= 1 <= high:
        return ""
    return f"raised for a large effect, but the interval of {kept} holds no difference"


def certainty_text(judgements: tuple[CertaintyJudgement, ...], *, invented: bool = False) -> str:
    """Return the text of a certainty file; it reads back as the same judgements."""
    root = _node(
        {
            "form": FORM,
            "form_version": "1",
            KEEPS: "yes",
            "judgements": [entry_of(judgement) for judgement in judgements],
        }
    )
    if not isinstance(root, MapNode):  # pragma: no cover - a dict gives a map
        raise TypeError("a certainty file is a map")
    text = record_text(root, ((INVENTED,) if invented else ()) + HEADING, spread=True)
    # A blank to fill in stands empty, not as an empty text; quotes inside texts are escaped and stay.
    return "\n".join(
        line.removesuffix('""').rstrip() if line.endswith(': ""') else line for line in text.split("\n")
    )


def with_earlier_kept(old: CertaintyJudgement, fresh: CertaintyJudgement) -> CertaintyJudgement:
    """Return a fresh proposal that keeps what a person wrote on an old one, its signature only as history."""
    written = {line.domain: line for line in old.domains}
    domains = tuple(
        replace(line, judged=written[line.domain].judged, because=written[line.domain].because)
        if line.domain in written
        else line
        for line in fresh.domains
    )
    return replace(fresh, domains=domains, note=old.note, earlier=old.earlier)


Plain = str | list["Plain"] | dict[str, "Plain"]


def entry_of(judgement: CertaintyJudgement) -> dict[str, Plain]:
    """Return an entry as the texts that stand in the file."""
    entry: dict[str, Plain] = {
        "analysis": judgement.analysis,
        "answer": judgement.answer,
        "start": judgement.start,
        "start_because": judgement.start_because,
        "rests_on": [{"what": fact.what, "value": fact.value} for fact in judgement.rests_on],
        "covers": "" if judgement.covers is None else str(judgement.covers),
        "older": judgement.older,
        "domains": [
            _filled(
                {
                    "domain": line.domain,
                    "proposed": str(line.proposed),
                    "proposed_because": line.proposed_because,
                    "judged": "" if line.judged is None else str(line.judged),
                    "because": line.because,
                },
                keep=("judged", "because"),
            )
            for line in judgement.domains
        ],
        "signed_by": judgement.signed_by,
        "signed_on": judgement.signed_on,
        "note": judgement.note,
        "earlier": [
            {
                "answer": old.answer,
                "certainty": old.certainty,
                "signed_by": old.signed_by,
                "signed_on": old.signed_on,
            }
            for old in judgement.earlier
        ],
    }
    return _filled(entry, keep=("signed_by", "signed_on"))


def _filled(entry: dict[str, Plain], keep: tuple[str, ...]) -> dict[str, Plain]:
    """Leave out what is empty, but for the blanks that a person fills in."""
    return {key: value for key, value in entry.items() if value or key in keep}


_NOWHERE = Place(file="", line=1, column=1)


def _node(value: Plain) -> Node:
    if isinstance(value, str):
        return ScalarNode(value, _NOWHERE)
    if isinstance(value, list):
        return ListNode(tuple(_node(item) for item in value), _NOWHERE)
    return MapNode(tuple((ScalarNode(key, _NOWHERE), _node(item)) for key, item in value.items()), _NOWHERE)
