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

_WIDE_COVERAGE = (
    "Noto Sans CJK JP", "Noto Sans CJK SC", "Noto Sans JP", "Noto Sans SC", "Noto Sans KR", "Source Han Sans",
    "WenQuanYi Zen Hei", "WenQuanYi Micro Hei", "Droid Sans Fallback", "IPAexGothic", "NanumGothic",
    "Microsoft YaHei", "Yu Gothic", "MS Gothic", "Malgun Gothic", "SimHei", "Hiragino Sans", "PingFang SC",
    "Arial Unicode MS", "Segoe UI Symbol", "Noto Sans Symbols2", "Noto Emoji", "Noto Sans Devanagari",
    "Noto Sans Thai", "Noto Sans Hebrew",
)  # fmt: skip
"""Fonts used behind our own for scripts that it lacks, where a computer has them."""


@lru_cache(maxsize=1)
def families() -> tuple[str, ...]:
    """Return our font (matplotlib ships it) and, behind it, those fonts of wide coverage that exist here."""
    from matplotlib import font_manager

    here = {entry.name for entry in font_manager.fontManager.ttflist}
    return (FONT, *(name for name in _WIDE_COVERAGE if name in here))


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
    """Return the type sizes for a figure of this width."""
    return WIDE if width_mm >= 110 else NARROW


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
