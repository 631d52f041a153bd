"""Who sits at the desk: initials are asked once; they are a claim, not a proof."""

from __future__ import annotations

import re

from starlette.responses import Response

from metakit.core.places import RESERVED
from metakit.desk.page import Asked, Page, go, posted, refused, shown, told

_INITIALS = re.compile(r"[A-Za-z][A-Za-z0-9]{1,5}", re.ASCII)


def _show(asked: Asked) -> Response:
    return asked.page("person.html.j2", "Who is at the desk", people=people(asked))


def people(asked: Asked) -> list[str]:
    """Return the initials that the review knows already."""
    home = asked.desk.folder / "extractors"
    found = {path.name for path in home.iterdir() if path.is_dir()} if home.is_dir() else set()
    screened = (asked.desk.folder / "selection").glob("screening_*.csv")
    found |= {path.stem.removeprefix("screening_") for path in screened} - {"agreed"}
    return sorted(found)


def _set(asked: Asked) -> Response:
    typed = asked.fields.get("initials", "").strip()
    if not _INITIALS.fullmatch(typed) or typed.casefold() in RESERVED or typed.casefold() == "agreed":
        return refused("initials are two to six letters and digits, such as AB", field="initials")
    known = {name.casefold(): name for name in people(asked)}
    asked.desk.sit_down(known.get(typed.casefold(), typed))
    return go("/")


def _ask_close(asked: Asked) -> Response:
    return asked.page("close.html.j2", "Close the desk")


def _close(asked: Asked) -> Response:
    if asked.desk.close is not None:
        asked.desk.close()
    return told("The desk is closed. This window can be closed too; 'metakit desk' opens it again.")


PAGE = Page(
    name="person",
    routes=(
        shown("/person", _show),
        posted("/person", _set),
        shown("/close", _ask_close),
        posted("/close", _close),
    ),
)
