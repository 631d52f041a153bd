"""Letters of other alphabets that look like Latin ones, read as those for comparing names.

Source: Unicode Technical Standard 39, section 4 (confusable detection) and its table confusables.txt; this is
the Greek and Cyrillic part that people type, from memory. Small letters that differ in look but whose
capitals look alike (Cyrillic ve, en, te) follow their capitals: case never tells two names apart.
"""

from __future__ import annotations

import unicodedata

_CYRILLIC = {
    "АВЕЅІЈКМНОРСТУҮХҺԚԜӀ": "ABESIJKMHOPCTYYXHQWI",
    "авеѕіјкмнорстуүхһԛԝӏ": "abesijkmhopctyyxhqwi",
}
_GREEK = {"ΑΒΕΖΗΙΚΜΝΟΡΤΥΧϹ": "ABEZHIKMNOPTYXC", "αικνορυχγϲ": "aikvopuxyc"}
_CAPITALS = next(iter(_GREEK))
_BY_CAPITAL = str.maketrans(
    "".join(_CYRILLIC) + _CAPITALS + _CAPITALS.lower(),
    "".join(_CYRILLIC.values()) + _GREEK[_CAPITALS] + _GREEK[_CAPITALS].lower(),
)
_SHAPES = str.maketrans("".join((*_CYRILLIC, *_GREEK)), "".join((*_CYRILLIC.values(), *_GREEK.values())))


def in_latin(name: str) -> str:
    """Return a name with letters that look like Latin ones as those, accents apart.

    Among Latin letters a small Greek one is taken by its own look (nu as v), in a name without any by that of
    its capital (nu as n).

    Examples
    --------
    >>> in_latin("Ѕmіth 2001")
    'Smith 2001'
    """
    if name.isascii():
        return name
    apart = unicodedata.normalize("NFD", name)
    latin = any(sign.isascii() and sign.isalpha() for sign in apart)
    return unicodedata.normalize("NFC", apart.translate(_SHAPES if latin else _BY_CAPITAL))
