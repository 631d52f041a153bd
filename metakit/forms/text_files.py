"""Bytes of a text file: UTF-8 within a size, or one clear reason why not."""

from __future__ import annotations

from metakit.errors import Problem

# Characters that change how the text around them looks (bidirectional overrides, zero-width marks).
INVISIBLE = frozenset("\u200b\u200e\u200f\u2060\ufeff\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_UTF16 = (b"\xff\xfe", b"\xfe\xff")


def decoded(content: bytes, name: str, *, largest: int, empty_hint: str) -> str | Problem:
    """Return the text of a file, without a byte order mark, or the problem that makes it unreadable.

    Parameters
    ----------
    content : bytes
        The file; one byte more than `largest` is enough to tell that it is too large.
    name : str
        How messages name the file.
    largest : int
        Size limit in bytes.
    empty_hint : str
        What to try when the file is empty.
    """
    save = "save it again with the encoding UTF-8"
    if len(content) > largest:
        return Problem(file=name, what="the file is too large", allowed=f"at most {largest:,} bytes")
    if content.startswith(_UTF16):
        return Problem(file=name, what="the file is UTF-16 text", allowed="UTF-8", hint=save)
    if content.startswith(b"PK\x03\x04"):
        return Problem(
            file=name, what="this is a workbook or another packed file, not a text", allowed="text in UTF-8"
        )
    if b"\x00" in content:
        return Problem(
            file=name, what="this is not a text file (it holds zero bytes)", allowed="text in UTF-8"
        )
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line_start = content.rfind(b"\n", 0, error.start) + 1
        return Problem(
            file=name,
            what="the file is not UTF-8 text",
            line=content.count(b"\n", 0, error.start) + 1,
            column=error.start - line_start + 1,
            found=f"byte {content[error.start]:#04x}",
            allowed="UTF-8",
            hint=f"it may be Latin-1 or Windows text; {save}",
        )
    if not text.strip():
        return Problem(file=name, what="the file is empty", hint=empty_hint)
    return text
