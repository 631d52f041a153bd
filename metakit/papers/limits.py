"""What a file must be to be read as a paper, and what its reading may cost."""

from __future__ import annotations

from metakit.errors import Problem, UnreadableError

LARGEST_FILE = 50_000_000
"""Bytes."""
MOST_PAGES = 500
MOST_MEMORY = 1 << 30
"""Bytes of the child process that reads papers."""
MOST_SECONDS = 10.0
"""Seconds that one page may take."""
MOST_PIXELS = 12_000_000
"""Pixels of one picture; larger pages are drawn more coarsely."""
MOST_CHARACTERS = 40_000
"""Characters of one page whose words are read."""
_SIGNATURE = b"%PDF-"
_SIGNATURE_WITHIN = 1024
"""Readers accept the signature within the first 1,024 bytes (common practice, no source)."""


class PaperError(UnreadableError):
    """A paper, or a page of it, that cannot be read; one problem that says why."""

    def __init__(self, file: str, what: str, hint: str = "") -> None:
        super().__init__([Problem(file=file, what=what, hint=hint)])
        self._said = (file, what, hint)

    def __reduce__(self) -> tuple[type[PaperError], tuple[str, str, str]]:  # type: ignore[override]
        return type(self), self._said


def refuse_other_files(content: bytes, shown: str) -> None:
    """Stop when bytes are no PDF, or too many.

    Raises
    ------
    PaperError
        Naming the file.
    """
    if not content:
        raise PaperError(shown, "the file is empty")
    if len(content) > LARGEST_FILE:
        raise PaperError(shown, too_large(len(content)), "save the article without its supplements")
    if _SIGNATURE not in content[:_SIGNATURE_WITHIN]:
        raise PaperError(shown, "this is no PDF: it does not begin as one", "print or save it as PDF")


def too_large(size: int) -> str:
    """Say that a file is too large."""
    return f"{size / 1e6:.0f} MB; a paper may have {LARGEST_FILE / 1e6:.0f} MB"


def too_many_pages(pages: int) -> str:
    """Say that a file has too many pages."""
    return f"{pages:,} pages; a paper may have {MOST_PAGES}"
