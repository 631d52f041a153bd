"""Figures to files and into pages: the same bytes for the same figure, whole files or none."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from metakit.core.seals import Placed, write_sealed
from metakit.errors import UsageError

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from PIL import Image

KINDS = (".svg", ".pdf", ".png", ".tif", ".tiff")


def check_target(path: Path) -> None:
    """Refuse a file name whose ending says no kind of picture that can be written, and a place for none."""
    from metakit.core.files import refuse_unwritable

    if path.suffix.lower() not in KINDS:
        found = path.suffix or "no ending"
        raise UsageError(f"{path}: {found} is no kind of picture to write; allowed: {', '.join(KINDS)}")
    if path.is_dir():
        raise UsageError(f"{path}: is a folder; give the name of a file")
    refuse_unwritable(path)


def figure_bytes(figure: Figure, kind: str, *, dpi: int = 300) -> bytes:
    """Return a figure as the bytes of a file of this kind (".svg", ".pdf", ".png", ".tif").

    The bytes depend on the figure alone: no dates, no random ids. Fonts go into PDF files as TrueType
    (editable), raster files carry their resolution.
    """
    from io import BytesIO

    from metakit.plots.style import styled

    if not 50 <= dpi <= 1200:
        raise UsageError(f"{dpi} dots per inch: allowed are 50 to 1200")
    if kind == ".svg":
        from metakit.plots.svg import svg_text

        return svg_text(figure).encode()
    stream = BytesIO()
    with styled():
        if kind == ".pdf":
            figure.savefig(
                stream, format="pdf", metadata={"CreationDate": None, "Title": figure.get_label() or None}
            )
        elif kind == ".png":
            figure.savefig(stream, format="png", dpi=dpi, metadata={"Software": None})
        else:
            # Without an alpha channel, which printers refuse.
            picture = figure_picture(figure, dpi=dpi)
            packing = "tiff_lzw"
            if getattr(getattr(figure, "look", None), "tone", "") == "line_art":
                # One bit a point: black or white, nothing between.
                picture, packing = picture.convert("L").point(_black_or_white, mode="1"), "group4"
            picture.save(stream, format="tiff", dpi=(dpi, dpi), compression=packing)
    return stream.getvalue()


def _black_or_white(lightness: int) -> int:
    return 255 if lightness >= 128 else 0


def figure_picture(figure: Figure, *, dpi: int) -> Image.Image:
    """Return a figure as a picture in memory, in full colours without an alpha channel."""
    from io import BytesIO

    import numpy as np
    from PIL import Image

    from metakit.plots.style import styled

    stream = BytesIO()
    with styled():
        figure.savefig(stream, format="rgba", dpi=dpi)
    # Not copied: at 1,200 dots per inch a page has hundreds of megabytes.
    points = np.frombuffer(stream.getbuffer(), dtype=np.uint8)
    width = int(figure.get_size_inches()[0] * dpi)
    return Image.fromarray(points.reshape(-1, width, 4), mode="RGBA").convert("RGB")


def small_png(figure: Figure, *, dpi: int) -> bytes:
    """Return a figure as PNG with a palette: a quarter of the bytes, as our figures have few colours."""
    from io import BytesIO

    from PIL import Image

    few = figure_picture(figure, dpi=dpi).quantize(colors=256, method=Image.Quantize.FASTOCTREE)
    palette = list(few.getpalette() or ())
    # The palette's colours are means of neighbours; the paper has to stay white.
    corner = int(few.tobytes()[0])
    palette[3 * corner : 3 * corner + 3] = [255, 255, 255]
    few.putpalette(palette)
    stream = BytesIO()
    few.save(stream, format="png", dpi=(dpi, dpi))
    return stream.getvalue()


def save_figure(figure: Figure, path: Path | str, *, dpi: int = 300) -> Path:
    """Write a figure; the ending of the name says the kind: .svg, .pdf, .png, .tif.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        From one of the functions of this package.
    path : path
        Written whole or not at all. An older figure that nobody changed is replaced.
    dpi : int
        Dots per inch of raster kinds, 50 to 1200.

    Returns
    -------
    Path
        Where it is: beside a file of this name that somebody edited or put there.
    """
    return _save(figure, Path(path), dpi=dpi).path


def caption_text(parts: Sequence[Figure]) -> str:
    """Return title, legend and notes of a figure that was drawn without them, each once; "" for others."""
    told = (text for part in parts for text in getattr(part, "caption", ()))
    return "".join(f"{text}\n" for text in dict.fromkeys(told))


def save_caption(parts: Sequence[Figure], path: Path | str) -> Placed | None:
    """Write the caption of a figure beside it, as `NAME_caption.txt`; None for a figure that has none."""
    path, told = Path(path), caption_text(parts)
    if not told:
        return None
    return write_sealed(path.with_name(f"{path.stem}_caption.txt"), told.encode())


def save_parts(parts: Sequence[Figure], path: Path | str, *, dpi: int = 300) -> tuple[Placed, ...]:
    """Write a figure of one or more parts; several get numbers before the ending: `name-1.svg`, ..."""
    path = Path(path)
    if len(parts) == 1:
        return (_save(parts[0], path, dpi=dpi),)
    return tuple(
        _save(part, path.with_name(f"{path.stem}-{number}{path.suffix}"), dpi=dpi)
        for number, part in enumerate(parts, 1)
    )


def _save(figure: Figure, path: Path, *, dpi: int) -> Placed:
    check_target(path)
    return write_sealed(path, figure_bytes(figure, path.suffix.lower(), dpi=dpi))
