"""How a figure is asked for on the command line: its looks, what is chosen of a forest, and writing it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from metakit.cli.support.choices import name_option
from metakit.cli.support.running import echo_placed, say
from metakit.errors import UsageError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from metakit.plots.forests.choices import ForestChoices
    from metakit.plots.presets import Size


@dataclass(frozen=True, slots=True, kw_only=True)
class LookOptions:
    """What a figure looks like."""

    title: Annotated[str, typer.Option(help="Title above the figure.")] = ""
    left_words: Annotated[
        str, typer.Option(help="Words under the left side (below, in a bubble picture): 'fewer after A'.")
    ] = ""
    right_words: Annotated[str, typer.Option(help="Words under the right side (above).")] = ""
    preset: Annotated[str, name_option("preset", "Size to draw at, as journals ask for it.")] = ""
    width_mm: Annotated[
        float | None, typer.Option(help="Width in millimetres, 80 to 400 [default: 180, or the preset's].")
    ] = None
    dpi: Annotated[
        int | None, typer.Option(help="Dots per inch of a .png or .tif [default: 300, or the preset's].")
    ] = None
    font: Annotated[str, typer.Option(help="Font family of this computer, such as Arial.")] = ""
    smallest_type: Annotated[
        float | None, typer.Option(help="Smallest type in points [default: 7 or 8, or the preset's].")
    ] = None
    grey: Annotated[bool, typer.Option("--grey", help="Draw in greys.")] = False
    caption: Annotated[
        bool,
        typer.Option(
            "--caption", help="Title, legend and notes into NAME_caption.txt instead of the figure."
        ),
    ] = False
    page_height_mm: Annotated[
        float | None, typer.Option(help="forest: cut into files -1, -2, ... no higher than this.")
    ] = None

    def size(self) -> Size:
        """Return width, height of the sheet and resolution to draw at."""
        from metakit.plots.presets import chosen_size

        return chosen_size(self.preset, width_mm=self.width_mm, dpi=self.dpi)

    @contextmanager
    def drawn(self) -> Iterator[None]:
        """Lay out and draw with this look."""
        from metakit.plots.look import drawn_with
        from metakit.plots.presets import chosen_look

        look = chosen_look(
            self.preset, font=self.font, grey=self.grey, smallest_type=self.smallest_type,
            caption=self.caption,
        )  # fmt: skip
        with drawn_with(look):
            yield


@dataclass(frozen=True, slots=True, kw_only=True)
class ForestOptions:
    """What is chosen of a forest."""

    subgroup: Annotated[
        str, typer.Option(help="forest: column of words to put studies together by, with sub-totals.")
    ] = ""
    order_by: Annotated[
        str,
        typer.Option(
            help="forest: weight, effect, name or a column; cumulative: a column of numbers, such as year."
        ),
    ] = ""
    backwards: Annotated[bool, typer.Option("--backwards", help="forest: the order turned round.")] = False
    arms: Annotated[
        str, typer.Option(help="forest: names of arm 1 and arm 2: 'LRTI; trapeziectomy alone'.")
    ] = ""
    counted: Annotated[str, typer.Option(help="forest: what the totals count.")] = "thumbs"
    unit: Annotated[str, typer.Option(help="forest: unit of the values, such as kg.")] = ""
    left_columns: Annotated[
        str, typer.Option(help="forest: columns of the table beside the names: 'year,design'.")
    ] = ""
    right_columns: Annotated[
        str,
        typer.Option(
            help="forest: columns after the picture: any of the table's; 'arms' for the usual ones; events, "
            "mean, sd, total, time for one column of each arm."
        ),
    ] = "arms"
    judgements: Annotated[
        str, typer.Option(help="forest: columns of judgements of bias, shown as bars: 'overall'.")
    ] = ""
    judgement_levels: Annotated[
        str,
        typer.Option(
            help="Their words from best to worst, where they are others: 'low; some concerns; high'."
        ),
    ] = ""
    axis_limits: Annotated[
        str, typer.Option(help="forest: ends of the axis in natural units (a share as a fraction): '0.1,10'.")
    ] = ""
    ticks: Annotated[str, typer.Option(help="forest: ticks of the axis: '0.2,0.5,1,2,5'.")] = ""

    def choices(self) -> ForestChoices:
        """Return the choices in the library's form.

        Raises
        ------
        UsageError
            For numbers that are none, and names that are not two.
        """
        from metakit.plots.forests.choices import ForestChoices

        arms = split(self.arms, ";")
        if len(arms) not in (0, 2):
            raise UsageError(f"--arms takes two names, separated by a semicolon, not {self.arms!r}")
        ends = _numbers("--axis-limits", self.axis_limits)
        if len(ends) not in (0, 2):
            raise UsageError(f"--axis-limits takes two numbers, such as 0.1,10, not {self.axis_limits!r}")
        return ForestChoices(
            subgroup=self.subgroup, order_by=self.order_by, backwards=self.backwards,
            arms=(arms[0], arms[1]) if arms else ("arm 1", "arm 2"), counted=self.counted,
            unit=self.unit or None, left=split(self.left_columns), right=split(self.right_columns),
            judgements=split(self.judgements), levels=split(self.judgement_levels, ";"),
            limits=(ends[0], ends[1]) if ends else None, ticks=_numbers("--ticks", self.ticks),
        )  # fmt: skip


def split(text: str, mark: str = ",") -> tuple[str, ...]:
    """Return the parts of a text between marks, without empty ones."""
    return tuple(part.strip() for part in text.split(mark) if part.strip())


def _numbers(option: str, text: str) -> tuple[float, ...]:
    try:
        return tuple(map(float, split(text)))
    except ValueError:
        raise UsageError(f"{option} takes numbers separated by commas, not {text!r}") from None


def narrow_enough(build: Callable[[float], Sequence[Figure]], size: Size) -> Sequence[Figure]:
    """Draw at the width asked for, or so much narrower that the figure stands on a sheet of fixed height."""
    width = size.width_mm
    parts = build(width)
    while size.height_mm is not None and width > 110:
        if all(part.get_size_inches()[1] * 25.4 <= size.height_mm + 0.1 for part in parts):
            break
        width = max(width - 10, 110.0)
        parts = build(width)
    return parts


A_PAGE_MM = 267.0
"""Height of an A4 page between margins of 15 mm."""


def say_taller_than_a_page(parts: Sequence[Figure]) -> None:
    """Tell of a figure that no page holds, and how it is cut."""
    tallest = max((25.4 * float(part.get_size_inches()[1]) for part in parts), default=0.0)
    if tallest > A_PAGE_MM:
        say(
            f"metakit: the figure is {tallest:.0f} mm high, more than a page holds; --page-height-mm 230 "
            "cuts a forest into parts on one axis"
        )


def write_figure(parts: Sequence[Figure], files: Sequence[Path], *, dpi: int) -> None:
    """Write a figure's files and its caption, and say each path."""
    from metakit.plots.save import save_caption, save_parts

    for file in files:
        echo_placed(save_parts(parts, file, dpi=dpi))
    caption = save_caption(parts, files[0])
    if caption is not None:
        echo_placed([caption])
