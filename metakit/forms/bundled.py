"""Where the shipped forms and the demonstration review are."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from metakit.errors import Problem, UnreadableError


def bundled_folder(name: str) -> Path:
    """Return a shipped folder.

    In a checkout the top-level folder comes first (an editable install copies data only once); in an
    installed package it is the copy under metakit/_bundled.

    Parameters
    ----------
    name : str
        'extraction_forms' or 'demo_studies'.

    Raises
    ------
    UnreadableError
        When the installation is incomplete.
    """
    package = Path(str(resources.files("metakit")))
    checkout = package.parent
    candidates = [package / "_bundled" / name]
    if (checkout / "pyproject.toml").is_file():
        candidates.insert(0, checkout / name)
    for folder in candidates:
        if folder.is_dir():
            return folder
    raise UnreadableError(
        [Problem(file=name, what="the installation lacks this folder", hint="install metakit again")]
    )


def forms_folder() -> Path:
    """Return the folder of the shipped forms and vocabularies."""
    return bundled_folder("extraction_forms")


def demo_studies() -> Path:
    """Return the folder of the invented demonstration review."""
    return bundled_folder("demo_studies")
