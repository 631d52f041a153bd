"""`metakit desk`: a whole review in the browser of this computer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.support.running import say

NAME = "desk"
HELP = """Open a review in the browser: extract, agree, judge and report at one desk.

It listens on this computer alone (127.0.0.1), sends nothing anywhere, and keeps everything in the review's
own files. A folder that does not exist yet becomes a new review. With --demo it opens a copy of the invented
review, in metakit_desk_demo where no folder is named.

Example: metakit desk my_review
"""
PACKAGES = ("starlette", "uvicorn", "pypdfium2")
INSTALL = 'python -m pip install "metakit[desk]"'
DEMO_FOLDER = Path("metakit_desk_demo")


def command(
    folder: Annotated[Path | None, typer.Argument(help="The review folder.", show_default=False)] = None,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address only; open no browser.")
    ] = False,
    demo: Annotated[bool, typer.Option("--demo", help="Open a copy of the invented review.")] = False,
) -> None:
    """Serve the desk until it is closed."""
    from importlib.util import find_spec

    from metakit.errors import UsageError

    if any(find_spec(package) is None for package in PACKAGES):
        raise UsageError(f"the desk needs packages that are not installed; install them with: {INSTALL}")
    if folder is None and not demo:
        raise UsageError("name a review folder, or open the invented review with --demo")
    from metakit.desk.serving import serve
    from metakit.forms.library import use_forms_of
    from metakit.review.new import copy_of_demonstration, new_review

    home = folder or DEMO_FOLDER
    if home.exists() and not home.is_dir():
        raise UsageError(f"{home} is a file; name a review folder")
    if demo:
        if not home.is_dir() or not any(home.iterdir()):
            from metakit.desk.demo_papers import put_papers

            copy_of_demonstration(home)
            say("making invented papers for its first studies ...")
            put_papers(home)
        say("All studies in it are INVENTED for demonstration; they show nothing about real operations.")
    elif not home.is_dir() or not any(home.iterdir()):
        new_review(home, record=False)
        say(f"{home} is a new review")
    elif not any((home / name).exists() for name in ("protocol.yaml", "records", "extractors")):
        raise UsageError(f"{home} is no review folder: it holds neither protocol.yaml nor records")
    use_forms_of(home)
    serve(home, browser=not no_browser, say=say, tell=typer.echo)
