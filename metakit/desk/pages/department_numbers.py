"""A department's own numbers: its file begun at the desk and filled in part by part, as the plan is."""

from __future__ import annotations

import re

from starlette.responses import Response

from metakit.desk.moved_unit import unit_path
from metakit.desk.page import Asked, Page, elsewhere, go, not_here, posted, refused, shown
from metakit.desk.recording import Filled, add_to, remove_from, save_field, show_part
from metakit.desk.saving import new_file
from metakit.errors import UsageError

_NAME = re.compile(r"[a-z][a-z0-9_]{0,39}")


def _begin(asked: Asked) -> Response:
    """Write an empty file of a department, never over another one."""
    from metakit.review.template import empty_record

    name = asked.fields.get("name", "").strip()
    if not _NAME.fullmatch(name):
        return refused("a short name in small letters, digits and _, such as unit", field="name")
    path = asked.desk.folder / f"{name}.yaml"
    if path.exists() or path.is_symlink():
        return refused("the review has a file of this name already", field="name")
    new_file(asked.desk, path, empty_record(asked.desk.library.form("unit")))
    return go(f"/department/{name}/numbers")


def _filled(asked: Asked) -> Filled:
    name = asked.path["unit"]
    try:
        path = unit_path(asked.desk, name)
    except UsageError as error:
        raise not_here(str(error)) from None
    reading = asked.desk.reading(path)
    label = (reading.group.text("unit.name") if reading.group is not None else "") or name
    return Filled(path=path, action=f"/department/{name}/numbers", label=label, reading=reading)


def _open(asked: Asked) -> Response:
    return elsewhere(_filled(asked).first_open())


def _part(asked: Asked) -> Response:
    if not asked.desk.person:
        return elsewhere("/person")
    name = asked.path["unit"]
    return show_part(
        asked, _filled(asked), asked.path["part"], crumb=(f"/department/{name}", "Our department"),
        standing=("unfinished", ""), mine=True, readonly="", look_over="", beside="",
    )  # fmt: skip


def _set(asked: Asked) -> Response:
    return save_field(asked, _filled(asked))


def _add(asked: Asked) -> Response:
    return add_to(asked, _filled(asked))


def _remove(asked: Asked) -> Response:
    return remove_from(asked, _filled(asked))


PAGE = Page(
    name="department_numbers",
    routes=(
        posted("/department/begin", _begin),
        shown("/department/{unit}/numbers", _open),
        posted("/department/{unit}/numbers/set", _set),
        posted("/department/{unit}/numbers/add", _add),
        posted("/department/{unit}/numbers/remove", _remove),
        shown("/department/{unit}/numbers/{part:path}", _part),
    ),
)
