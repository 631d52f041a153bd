"""The answers of the plan, and what they would be under another choice: tried and shown, not stored."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from markupsafe import Markup
from starlette.responses import JSONResponse, Response

from metakit.desk.page import Asked, Page, go, not_here, posted, refused, shown
from metakit.desk.reviewing import reviewed
from metakit.desk.saving import change_file
from metakit.desk.shell import fragment
from metakit.desk.tried import choice_of, planned_titles, shown_answer, trials_of
from metakit.desk.working import why_no_answers
from metakit.errors import MetakitError, UsageError
from metakit.forms.records import Reading, read_record
from metakit.forms.splice import Plain, add_entry, plain_of, remove_value, set_value
from metakit.review.files import PROTOCOL
from metakit.review.plan import record_plan

SHORTEST_REASON = 12


def _all(asked: Asked) -> Response:
    try:
        found = reviewed(asked.desk)
    except MetakitError as error:
        return asked.page("answers.html.j2", "Answers", why=why_no_answers(error), rows=[])
    rows = []
    for analysis, title in planned_titles(found):
        try:
            sentence = trials_of(asked.desk, analysis)[0].planned.sentences[0]
        except MetakitError as error:
            sentence = f"Cannot be carried out: {error}"
        rows.append({"id": analysis, "title": title, "sentence": sentence})
    return asked.page("answers.html.j2", "Answers", why="", rows=rows)


def _one(asked: Asked) -> Response:
    analysis = asked.path["analysis"]
    try:
        trials, _ = trials_of(asked.desk, analysis)
    except UsageError as error:
        raise not_here(str(error)) from None
    from metakit.synthesis.tried import Choice

    query = _query(asked)
    return asked.page(
        "answer.html.j2",
        trials.title,
        analysis=analysis,
        heading=trials.title,
        planned=shown_answer(asked.desk, analysis, Choice()),
        method=_method(asked, analysis),
        offer=trials.offer(),
        picked={
            **{name: query.get(name, "") for name in ("model", "definition", "event")},
            "leave_out": query.get("leave_out", "").split("\n"),
        },
        tried=_tried_markup(asked, analysis, query),
    )


def _method(asked: Asked, analysis: str) -> str:
    trials, _ = trials_of(asked.desk, analysis)
    result = trials.planned.result
    return "" if result is None else result.model.replace("_", " ")


def _tried(asked: Asked) -> Response:
    """Return only the part of the page that moves."""
    made = _tried_markup(asked, asked.path["analysis"], _query(asked))
    return JSONResponse({"html": str(made)})


def _query(asked: Asked) -> dict[str, str]:
    known = ("leave_out", "model", "definition", "event")
    return {name: value for name, value in asked.query.items() if name in known and value}


def _tried_markup(asked: Asked, analysis: str, query: Mapping[str, str]) -> Markup:
    choice = choice_of(query)
    if choice.is_plan:
        return fragment("tried.html.j2", differs=(), answer=None, problem="", keepable="", analysis=analysis)
    try:
        trials, _ = trials_of(asked.desk, analysis)
        answer = shown_answer(asked.desk, analysis, choice)
        return fragment(
            "tried.html.j2",
            differs=trials.words(choice),
            answer=answer,
            problem="",
            keepable=choice.model if choice == choice_of({"model": choice.model}) else "",
            analysis=analysis,
        )
    except MetakitError as error:
        return fragment(
            "tried.html.j2", differs=(), answer=None, problem=str(error), keepable="", analysis=analysis
        )


def _keep(asked: Asked) -> Response:
    """Change the plan: another model from now on, with the reason, as an amendment with results known."""
    analysis, model = asked.path["analysis"], asked.fields.get("model", "")
    why = " ".join(asked.fields.get("why", "").split())
    if not asked.desk.person:
        return refused("say first who is at the desk")
    if len(why) < SHORTEST_REASON:
        return refused("say why, so that a reader can judge the change", field="why")
    trials, _ = trials_of(asked.desk, analysis)
    if model not in dict(trials.offer().models):
        return refused("this model cannot be planned here")
    today = datetime.date.today().isoformat()
    before = asked.desk.protocol()
    _record(asked, before)
    path = asked.desk.folder / PROTOCOL

    def edit(text: str, reading: Reading) -> str:
        if reading.sha256 != before.sha256:
            raise UsageError("the protocol was changed meanwhile; look at it, then keep the change again")
        changed = _with_model(text, analysis, model)
        was = trials.plan.model or "the review's inference"
        amendment: Plain = {
            "date": today,
            "what": f"analysis {analysis}: model {model} instead of {was}",
            "why": f"{why} ({asked.desk.person})",
            "data_seen": "yes",
        }
        changed = add_entry(changed, ("amendments",), amendment)
        _refuse_errors(changed)
        return changed

    change_file(asked.desk, path, edit)
    return go(f"/answers/{analysis}")


def _record(asked: Asked, before: Reading) -> None:
    """Write the plan as it is into the history, unless it stands there already; what changes shows then."""
    group = before.group
    if group is None:
        raise UsageError("the protocol cannot be read")
    date = group.text("review.date") or datetime.date.today().isoformat()
    record_plan(asked.desk.folder, group.plain(), date=date)


def _with_model(text: str, analysis: str, model: str) -> str:
    plain: Any = plain_of(text)
    entries = plain.get("analyses") or []
    at = next((n for n, entry in enumerate(entries) if entry.get("id") == analysis), None)
    if at is None:
        raise UsageError(f"the plan has no analysis {analysis}")
    text = set_value(text, ("analyses", at, "model"), model)
    for name in ("tau2", "interval"):
        if entries[at].get(name):
            text = remove_value(text, ("analyses", at, name))  # those of the model before
    return text


def _refuse_errors(text: str) -> None:
    """Stop before a protocol is written that would hold an error."""
    with TemporaryDirectory() as scratch:
        draft = Path(scratch) / PROTOCOL
        draft.write_text(text, encoding="utf-8", newline="")
        from metakit.forms.library import shipped

        wrong = [problem for problem in read_record(draft, shipped()).problems if problem.severity == "error"]
    if wrong:
        raise UsageError(f"this plan would hold an error: {wrong[0].field}: {wrong[0].what}")


PAGE = Page(
    name="answers",
    label="Answers",
    href="/answers",
    routes=(
        shown("/answers", _all),
        shown("/answers/{analysis}", _one),
        shown("/answers/{analysis}/tried", _tried),
        posted("/answers/{analysis}/keep", _keep),
    ),
    scripts=("moving.js",),
    styles=("answers.css",),
)
