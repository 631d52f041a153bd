"""Files of a finished page, a report's or a department's, opened beside the desk under their own policy."""

from __future__ import annotations

import mimetypes
from pathlib import Path

from starlette.responses import Response

from metakit.core.places import name_fault
from metakit.desk.page import not_here
from metakit.desk.state import Desk

_OPENED = "; ".join(
    (
        "default-src 'none'",
        "style-src 'unsafe-inline'",
        "img-src 'self' data:",
        "font-src data:",
        "base-uri 'none'",
        "form-action 'none'",
    )
)
"""A page carries its styles, figures and fonts in itself; its own policy names its script by hash."""
_ALONE = "frame-ancestors 'none'"


def written_file(desk: Desk, home: Path, name: str, policy: str) -> Response:
    """Return a file that metakit wrote, found among those that are there.

    Parameters
    ----------
    desk : Desk
    home : Path
        The folder that it was written to, within the review.
    name : str
        The file within it.
    policy : str
        The policy that its pages name for themselves.
    """
    path = home / name
    hidden = any(part.startswith(".") for part in Path(name).parts)
    if name_fault(name) or hidden or not desk.is_plain(path):
        raise not_here("there is no such file")
    kind = mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    chosen = policy if path.suffix == ".html" else _OPENED
    return Response(
        path.read_bytes(), media_type=kind, headers={"content-security-policy": f"{chosen}; {_ALONE}"}
    )
