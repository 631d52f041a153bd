"""Sizes that journals and slides ask for: width, resolution, smallest type, kinds of file.

Column widths differ between journals by some millimetres; a figure drawn for one may be set up to 5 % larger
or smaller without harm. A new preset is one entry here.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from metakit.core.registry import Registry
from metakit.plots import style
from metakit.plots.look import Look, Tone


@dataclass(frozen=True, slots=True, kw_only=True)
class Preset:
    """A size to draw at.

    Attributes
    ----------
    width_mm : float
        Final width; the height follows from what is shown.
    dpi : int
        Dots per inch of raster files.
    kinds : tuple of str
        Endings of the files to write where nobody names one.
    smallest_type : float
        No type is smaller, in points at the final width.
    height_mm : float or None
        Height of the sheet, where it is fixed: what is taller goes on on further sheets.
    tone : {"colour", "grey", "line_art"}
        What it is drawn in.
    caption : bool
        Whether title, legend and notes go into a caption beside it.
    about : str
        What it is for.
    source : str
        Where the numbers come from.
    """

    name: str
    width_mm: float
    dpi: int
    kinds: tuple[str, ...]
    smallest_type: float
    about: str
    source: str
    height_mm: float | None = None
    tone: Tone = "colour"
    caption: bool = False


PRESETS: Registry[Preset] = Registry("preset")

_COLUMNS = (
    "Publishers' pages on artwork seen by the founders: columns of 83 to 90 mm, 114 to 140 mm, 170 to 190 mm;"
    " 500 dpi for pictures of lines and tones together; type of 7 pt or more (Elsevier, BMC)"
)
_EDITABLE = (".pdf", ".svg", ".tif")


def _column(name: str, width_mm: float, about: str) -> None:
    PRESETS.add(
        Preset(
            name=name,
            width_mm=width_mm,
            dpi=600,
            kinds=_EDITABLE,
            smallest_type=style.type_for(width_mm).small,
            about=about,
            source=_COLUMNS,
        )
    )


_column("single_column", 85.0, "one column of a journal with two")
_column("one_and_a_half_columns", 120.0, "one and a half columns of a journal")
_column("double_column", 178.0, "the full width of a journal's page: two columns")
PRESETS.add(
    Preset(
        name="single_column_8_point", width_mm=85.0, dpi=600, kinds=_EDITABLE, smallest_type=8.0,
        about="one column where no type may be below 8 points", source=_COLUMNS,
    )
)  # fmt: skip
PRESETS.add(
    Preset(
        name="line_art", width_mm=178.0, dpi=1200, kinds=(".tif", ".pdf"),
        smallest_type=8.0, tone="line_art",
        about="two columns in black on white alone, 1,200 dots per inch, one bit each",
        source="Publishers' pages on artwork seen by the founders: 1,000 or 1,200 dpi for line art",
    )
)  # fmt: skip
PRESETS.add(
    Preset(
        name="slide", width_mm=169.3, dpi=400, kinds=(".png", ".svg"), smallest_type=8.0,
        height_mm=95.2, caption=True,
        about="landscape sheets of 16 to 9: set at twice their size they fill a slide, with type of 16 pt",
        source="common practice, no source",
    )
)  # fmt: skip
PRESETS.add(
    Preset(
        name="office_document",
        width_mm=166.0,
        dpi=300,
        kinds=(".png",),
        smallest_type=style.type_for(166.0).small,
        about="the width of a portrait A4 page between margins",
        source="A4 (ISO 216) with margins of 22 mm",
    )
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """Width in millimetres and dots per inch to draw at; the height of a sheet where it is fixed."""

    width_mm: float
    dpi: int
    height_mm: float | None = None


def chosen_size(preset: str, *, width_mm: float | None = None, dpi: int | None = None) -> Size:
    """Return the size of a preset ("" for none), unless width or resolution are given themselves.

    Raises
    ------
    UnknownNameError
        For a preset that is none, with the nearest names.
    """
    usual = PRESETS[preset] if preset else Size(width_mm=180.0, dpi=300)
    return Size(
        width_mm=usual.width_mm if width_mm is None else width_mm,
        dpi=usual.dpi if dpi is None else dpi,
        height_mm=usual.height_mm if width_mm is None else None,
    )


def chosen_look(
    preset: str,
    *,
    font: str = "",
    grey: bool = False,
    smallest_type: float | None = None,
    caption: bool = False,
) -> Look:
    """Return the look of a preset ("" for none), unless more is asked for.

    Raises
    ------
    UnknownNameError
        For a preset or a font that is none.
    UsageError
        For type that cannot be set.
    """
    from metakit.errors import UsageError

    usual = PRESETS[preset] if preset else None
    least = smallest_type if smallest_type is not None else usual.smallest_type if usual else 0.0
    if not 0 <= least <= 14:
        raise UsageError(f"type of {least:g} points cannot be set; allowed: up to 14")
    tone: Tone = usual.tone if usual is not None else "colour"
    height = usual.height_mm if usual is not None else None
    return Look(
        tone="grey" if grey and tone == "colour" else tone,
        font=style.check_font(font),
        smallest_type=least,
        caption=caption or (usual is not None and usual.caption),
        canvas_mm=(usual.width_mm, height) if usual is not None and height is not None else None,
    )


def targets(to: Path, preset: str) -> tuple[Path, ...]:
    """Return the files to write: the one that is named, or a preset's kinds where its ending is missing."""
    if preset and not to.suffix:
        return tuple(to.with_name(f"{to.name}{kind}") for kind in PRESETS[preset].kinds)
    return (to,)
