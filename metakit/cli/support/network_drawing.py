"""The figure that `metakit network` was asked for: checked before anything is read, then written."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from metakit.errors import UnknownNameError, UsageError

if TYPE_CHECKING:
    from metakit.core.seals import Placed
    from metakit.networks.answer import NetworkAnalysis
    from metakit.plots.networks.network_registry import NetworkFigure, NetworkWords
    from metakit.plots.presets import Size


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkDrawing:
    """Which figure to draw, how, and the files to write."""

    figure: NetworkFigure
    words: NetworkWords
    files: tuple[Path, ...]
    size: Size
    title: str

    @classmethod
    def of(
        cls, figure: str, to: Path | None, title: str, line_width: str, preset: str, width_mm: float | None
    ) -> NetworkDrawing | None:
        """Return what was asked for, None without a figure.

        Raises
        ------
        UsageError, UnknownNameError
            For a figure without a file, a file without a figure, and names that are none.
        """
        from metakit.plots.networks.network_registry import NETWORK_FIGURES, NetworkWords
        from metakit.plots.presets import chosen_size, targets
        from metakit.plots.save import check_target

        if bool(figure) != (to is not None):
            raise UsageError("--figure says what to draw and --to where to write it: give both or neither")
        if to is None:
            return None
        match line_width:
            case "studies" | "precision":
                words = NetworkWords(edges=line_width)
            case _:
                raise UnknownNameError("width of lines", line_width, ("studies", "precision"))
        files = targets(to, preset)
        for path in files:
            check_target(path)
        return cls(
            figure=NETWORK_FIGURES[figure],
            words=words,
            files=files,
            size=chosen_size(preset, width_mm=width_mm),
            title=title,
        )

    def write(self, found: NetworkAnalysis) -> list[Placed]:
        """Draw the figure and write its files."""
        from metakit.plots.save import save_parts

        built = self.figure.build(found, words=self.words, title=self.title, width_mm=self.size.width_mm)
        return [placed for file in self.files for placed in save_parts(built.parts, file, dpi=self.size.dpi)]
