"""The figures of a report drawn again at the sizes that journals and slides ask for."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from metakit.plots.look import drawn_with
from metakit.plots.presets import PRESETS, Preset, chosen_look
from metakit.plots.save import caption_text, figure_bytes
from metakit.report.drawing.figures import ReportFigures
from metakit.report.drawing.network_figures import NARROW


def preset_files(
    figures: ReportFigures, names: Sequence[str], *, progress: Callable[[str], None]
) -> dict[str, bytes]:
    """Return every figure at every preset, by file name: `single_column-forest-01-....pdf`.

    Raises
    ------
    UnknownNameError
        For a preset that is none.
    """
    files: dict[str, bytes] = {}
    for preset in [PRESETS[name] for name in dict.fromkeys(names)]:
        progress(f"drawing all figures for {preset.name.replace('_', ' ')}")
        narrow = {id(network.parts.get(NARROW)) for network in figures.networks}
        for part in figures.all:
            if id(part) in narrow:
                continue  # at a preset's width it is the geometry once more
            with drawn_with(chosen_look(preset.name)):
                drawn = part.drawn(width_mm=preset.width_mm)
            for place, figure in enumerate(drawn, 1):
                which = f"-{place}" if len(drawn) > 1 else ""
                for kind in preset.kinds:
                    files[_name(preset, part.name, which, kind)] = figure_bytes(figure, kind, dpi=preset.dpi)
            told = caption_text(drawn)
            if told:
                files[_name(preset, part.name, "_caption", ".txt")] = told.encode()
    return files


def _name(preset: Preset, figure: str, which: str, kind: str) -> str:
    return f"{preset.name}-{figure}{which}{kind}"
