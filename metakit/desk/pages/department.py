"""Our department: its inputs move, and the ranges with them. It recommends nothing."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping

from markupsafe import Markup
from starlette.responses import JSONResponse, Response

from metakit.core.files import sha256_of
from metakit.core.places import refuse_links
from metakit.desk.moved_unit import (
    inputs_of,
    moved_unit,
    shown_unit,
    typed_unit,
    unit_path,
    units_of,
)
from metakit.desk.page import Asked, Page, go, not_here, posted, refused, shown, written_file
from metakit.desk.pages.working import waiting
from metakit.desk.reviewing import inputs_digest, reviewed
from metakit.desk.saving import change_file
from metakit.desk.shell import fragment
from metakit.desk.working import why_no_answers
from metakit.errors import MetakitError, UsageError
from metakit.forms.records import Reading
from metakit.forms.splice import set_value
from metakit.review.files import PROTOCOL, RECORDS, yaml_files

KEPT = {"volume": ("volume", "thumbs_a_year"), "years": ("time", "years_followed")}
"""Inputs that the page can type into the unit's file; weights and counts stand there with their sources."""


def _all(asked: Asked) -> Response:
    units = units_of(asked.desk)
    page = waiting(asked, "department", "Our department", "the department’s page is being made")
    if page is not None:
        return page
    if len(units) == 1 and "all" not in asked.query:
        return _shown(asked, units[0][0])
    return asked.page("departments.html.j2", "Our department", units=units, why="", numbers="")


def _one(asked: Asked) -> Response:
    return _shown(asked, asked.path["unit"])


def _shown(asked: Asked, name: str) -> Response:
    try:
        unit, _ = typed_unit(asked.desk, name)
    except UsageError as error:
        raise not_here(str(error)) from None
    except MetakitError as error:
        numbers = f"/department/{name}/numbers"
        why = f"The numbers of this department are not complete, or cannot be right: {why_no_answers(error)}"
        return asked.page("departments.html.j2", "Our department", units=[], why=why, numbers=numbers)
    query = _query(asked)
    inputs = []
    for item in inputs_of(unit):
        inputs.append((item, query.get(item.name, f"{item.value:g}")))
    return asked.page(
        "department.html.j2",
        unit.name,
        unit=unit,
        name=name,
        inputs=inputs,
        found=_moved_markup(asked, name, query, rest=False),
        file=f"{name}.yaml",
        **_page_made(asked, name),
    )


def _digest(asked: Asked, name: str) -> str:
    """Return the hash of all files that a department's page rests on."""
    return f"{name} {inputs_digest(asked.desk)} {sha256_of(unit_path(asked.desk, name))}"


def _page_made(asked: Asked, name: str) -> dict[str, object]:
    """Return when the department's page was made, whether a file is younger, and why the last one was not."""
    folder = asked.desk.folder
    page = folder / name / "unit.html"
    made = page.stat().st_mtime if asked.desk.is_plain(page) else 0.0
    under = [folder / f"{name}.yaml", folder / PROTOCOL, *yaml_files(folder / RECORDS)[0]]
    return {
        "made": datetime.datetime.fromtimestamp(made).strftime("%Y-%m-%d %H:%M") if made else "",
        "older": any(path.stat().st_mtime > made for path in under if path.is_file()),
        "why_not": asked.desk.tasks.why_not("department", _digest(asked, name)),
    }


def _make_page(asked: Asked) -> Response:
    """Write the department's page to print into a folder beside its file, as the command line would."""
    name, folder = asked.path["unit"], asked.desk.folder
    path = unit_path(asked.desk, name)

    def work(say: Callable[[str], None]) -> None:
        from metakit.decision.one_unit.unit_decision import decide
        from metakit.decision.one_unit.unit_reading import read_unit
        from metakit.report.folders.output_folder import check_folder
        from metakit.report.unit_page import write_unit_page

        out = path.with_suffix("")
        refuse_links(folder, out)
        check_folder(out)
        write_unit_page(decide(reviewed(asked.desk).review, read_unit(path), progress=say), out, progress=say)

    asked.desk.tasks.begin("department", _digest(asked, name), work, writes=True)
    return go("/department")


def _file(asked: Asked) -> Response:
    """Return a file of the department's page, which has no script."""
    from metakit.report.render import security_policy

    unit_path(asked.desk, asked.path["unit"])
    home = asked.desk.folder / asked.path["unit"]
    return written_file(asked.desk, home, asked.path["path"], lambda _: security_policy(""))


def _query(asked: Asked) -> dict[str, str]:
    return {name: value for name, value in asked.query.items() if name != "rest"}


def _moved(asked: Asked) -> Response:
    made = _moved_markup(asked, asked.path["unit"], _query(asked), rest="rest" in asked.query)
    return JSONResponse({"html": str(made)})


def _moved_markup(asked: Asked, name: str, query: Mapping[str, str], *, rest: bool) -> Markup:
    try:
        found = shown_unit(asked.desk, name, query, rest=rest)
    except MetakitError as error:
        return fragment("moved.html.j2", found=None, name=name, problem=why_no_answers(error), kept=[])
    unit, _ = typed_unit(asked.desk, name)
    moved = moved_unit(unit, query)
    now = {item.name: item.value for item in inputs_of(moved)}
    kept = [
        (field, f"{now[field]:g}") for field in KEPT if query.get(field) and now[field] != _typed(unit, field)
    ]
    return fragment("moved.html.j2", found=found, name=name, problem="", kept=kept)


def _typed(unit: object, field: str) -> float:
    value: float = getattr(unit, field).value
    return value


def _set(asked: Asked) -> Response:
    """Type the department's volume and years into its file, for good."""
    path = unit_path(asked.desk, asked.path["unit"])
    unit, digest = typed_unit(asked.desk, asked.path["unit"])
    moved_unit(unit, asked.fields)  # refuses what lies outside the limits
    wanted = {name: asked.fields[name].strip() for name in KEPT if asked.fields.get(name)}
    if not wanted:
        return refused("nothing to keep: move the volume or the years first")

    def edit(text: str, reading: Reading) -> str:
        if reading.sha256 != digest:
            raise UsageError("the file of the department was changed meanwhile; look at it, then keep again")
        for name, value in wanted.items():
            text = set_value(text, KEPT[name], value)
        return text

    change_file(asked.desk, path, edit)
    return go(f"/department/{asked.path['unit']}")


PAGE = Page(
    name="department",
    label="Our department",
    href="/department",
    routes=(
        shown("/department", _all),
        shown("/department/{unit}", _one),
        shown("/department/{unit}/moved", _moved),
        posted("/department/{unit}/set", _set),
        posted("/department/{unit}/page", _make_page),
        shown("/department/{unit}/file/{path:path}", _file),
    ),
    styles=("department.css",),
)
