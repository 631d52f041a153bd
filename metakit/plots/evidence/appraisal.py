"""How far studies can be trusted, in pictures: judgements by domain, and the weight behind each answer."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metakit.plots.evidence.appraisal_content import AppraisalContent, SharesContent
from metakit.plots.evidence.appraisal_layout import lay_out_appraisal, lay_out_shares

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def appraisal_figure(content: AppraisalContent, *, width_mm: float = 180) -> Figure:
    """Draw the judgements of all studies, domain by domain, at the figure's final size.

    Parameters
    ----------
    content : AppraisalContent
        From `appraisal_content`.
    width_mm : float
        Final width in millimetres, 80 to 400. On narrow figures the levels stand in the key alone.

    Returns
    -------
    matplotlib.figure.Figure
        On a canvas of its own; pyplot knows nothing of it.
    """
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    scene = lay_out_appraisal(content, width_mm=width_mm, measure=text_width)
    return scene_figure(scene, content.title)


def concern_figure(content: SharesContent, *, width_mm: float = 180) -> Figure:
    """Draw how much of each answer's weight lies on studies of each concern; parameters as above."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    scene = lay_out_shares(content, width_mm=width_mm, measure=text_width)
    return scene_figure(scene, content.title)
