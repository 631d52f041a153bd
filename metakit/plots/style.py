"""The visual language of all figures, in one place: colours, marks, line widths, type sizes.

Colours are from the palette of Okabe and Ito (Wong 2011, Nature Methods 8:441), which people with the common
forms of colour blindness can tell apart. No meaning is carried by colour alone: a study is a pale bubble
with a line through it, a mean is a diamond, a prediction interval is a dashed line between brackets.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache

from metakit.plots.look import current

_WIDE_COVERAGE = (
    "Noto Sans CJK JP", "Noto Sans CJK SC", "Noto Sans JP", "Noto Sans SC", "Noto Sans KR", "Source Han Sans",
    "WenQuanYi Zen Hei", "WenQuanYi Micro Hei", "Droid Sans Fallback", "IPAexGothic", "NanumGothic",
    "Microsoft YaHei", "Yu Gothic", "MS Gothic", "Malgun Gothic", "SimHei", "Hiragino Sans", "PingFang SC",
    "Arial Unicode MS", "Segoe UI Symbol", "Noto Sans Symbols2", "Noto Emoji", "Noto Sans Devanagari",
    "Noto Sans Thai", "Noto Sans Hebrew",
)  # fmt: skip
"""Fonts used behind our own for scripts that it lacks, where a computer has them."""


def families() -> tuple[str, ...]:
    """Return the font asked for, our own (which matplotlib ships), and fonts of wide coverage seen here."""
    asked = current().font
    return tuple(dict.fromkeys((asked, *_usual_families()))) if asked else _usual_families()


@lru_cache(maxsize=1)
def _usual_families() -> tuple[str, ...]:
    here = installed_fonts()
    return (FONT, *(name for name in _WIDE_COVERAGE if name in here))


@lru_cache(maxsize=1)
def installed_fonts() -> frozenset[str]:
    """Return the names of the font families of this computer, with those that matplotlib ships."""
    from matplotlib import font_manager

    return frozenset(entry.name for entry in font_manager.fontManager.ttflist)


def check_font(name: str) -> str:
    """Return the name of a font family, "" for our own, or refuse one that this computer lacks."""
    from metakit.errors import UnknownNameError

    if name and name not in installed_fonts():
        raise UnknownNameError("font family of this computer", name, tuple(sorted(installed_fonts())))
    return name


MM = 72 / 25.4
"""Points in a millimetre."""

INK = "#1a1a1a"
QUIET = "#4d4d4d"
HAIRLINE = "#d0d0d0"
PAPER = "#ffffff"
STUDY = "#56b4e9"
STUDY_LINE = "#00507d"
"""The palette's blue, darkened so that a thin line keeps its contrast in greyscale."""
MEAN = "#d55e00"
MEAN_PALE = "#f4c3a0"
BAND = "#fbeade"

THIN = 0.5
LINE = 0.9
HEAVY = 1.2
THICK = 1.8
"""Line widths in points; journals ask for at least 0.5."""

FONT = "DejaVu Sans"
SMALLEST_TYPE = 7.0
"""Smallest type in points at final size (Elsevier artwork guide: 7 pt)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Type:
    """Type sizes in points for one figure."""

    title: float
    body: float
    small: float


WIDE = Type(title=9.5, body=8.0, small=8.0)
"""From 110 mm upwards: never under 8 pt, which the strictest journals seen ask for."""
NARROW = Type(title=8.5, body=7.0, small=7.0)


def type_for(width_mm: float) -> Type:
    """Return the type sizes for a figure of this width, none below what was asked for."""
    return at_least(WIDE if width_mm >= 110 else NARROW)


def at_least(type_: Type) -> Type:
    """Return type sizes of which none is below the smallest that was asked for."""
    least = current().smallest_type
    if type_.small >= least:
        return type_
    return Type(title=max(type_.title, least + 1), body=max(type_.body, least), small=least)


def check_width(width_mm: float) -> float:
    """Return the width, or refuse one that no page has."""
    from metakit.errors import UsageError

    if not 80 <= width_mm <= 400:
        raise UsageError(f"a figure {width_mm:g} mm wide cannot be drawn; allowed: 80 to 400 mm")
    return width_mm


@contextmanager
def styled() -> Iterator[None]:
    """Draw under matplotlib's own defaults plus ours, whatever the user's settings; then restore theirs."""
    import matplotlib

    settings = {
        key: value for key, value in matplotlib.rcParamsDefault.items() if not key.startswith("backend")
    }
    settings |= {
        "font.family": list(families()),
        "svg.fonttype": "none",
        "svg.hashsalt": "metakit",
        "pdf.fonttype": 42,
        "ps.fonttype": 42,
        "pdf.compression": 6,
        "text.parse_math": False,
        "axes.unicode_minus": True,
        "text.hinting": "none",  # hinted type is wider at some resolutions; what was measured would not fit
        "path.simplify": False,
        "figure.facecolor": PAPER,
        "savefig.facecolor": PAPER,
        "hatch.linewidth": THIN,
    }
    with matplotlib.rc_context():
        matplotlib.rcParams.update(settings)
        yield
