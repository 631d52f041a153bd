"""Studies without pooling drawn: one brick a study on its side, everything fits, words stand for it. Invented studies."""

from __future__ import annotations

import pytest

from metakit.errors import UsageError
from metakit.plots.evidence.directions import directions_figure
from metakit.plots.evidence.directions_content import DirectionRow, DirectionsContent
from metakit.plots.evidence.directions_layout import lay_out_directions
from metakit.plots.save import figure_bytes
from metakit.plots.style import PAPER, SMALLEST_TYPE, STUDY
from metakit.plots.text import text_width
from tests.unit.plots.looking import faults, smallest_type, words

HOSTILE = (
    "<script>alert(1)</script> $\\frac{a}{b}$",
    "\u202eReversed\u202c of \u4e2d\u6587 Unbreakablylongnameofastudywithoutanyspaceinit",
    "A very long name of a study that goes on and on " * 4,
    "emoji \U0001f600",
)


def content(
    names=("Alderwick", "Bramhope", "Cawdale", "Dunmere"), *, effects: bool = True, **more
) -> DirectionsContent:
    sides = ("left", "left", "right", "neither", "unknown")
    rows = tuple(
        DirectionRow(
            study=name, side=sides[n % 5], size=30.0 * (n + 1), randomised=n % 2 == 0, detail=f"{n} / 30 v 8 / 30",
            effect=0.4 + 0.3 * n if effects and sides[n % 5] != "unknown" else None,
        )
        for n, name in enumerate(names)
    )  # fmt: skip
    facts = {
        "title": "Any complication: LRTI against trapeziectomy alone (not pooled)", "rows": rows,
        "left_words": "Fewer complications after LRTI", "right_words": "More complications after LRTI", "axis": "log",
        "axis_label": "Risk ratio", "null": 1.0, "level": 0.95, "show": lambda value: f"{value:.2f}",
        "share": (1 / 3, 0.0084, 0.9057), "p_value": 1.0,
        "spread": (0.4, 0.85, 1.3) if effects else None, "quartiles": (0.6, 1.1) if effects else None,
    }  # fmt: skip
    return DirectionsContent(**(facts | more))


@pytest.mark.grid
@pytest.mark.parametrize("width", [85.0, 120.0, 180.0])
@pytest.mark.parametrize(
    "made",
    [
        content(),
        content(HOSTILE, title=HOSTILE[2], left_words=HOSTILE[2], right_words=HOSTILE[1]),
        content([f"Study {n}" for n in range(60)]),
        content(effects=False, share=None, p_value=None),
        content(("Only one",)),
    ],
    ids=["plain", "hostile", "many", "no effects", "one"],
)
def test_everything_fits_at_every_width(width: float, made: DirectionsContent) -> None:
    figure = directions_figure(made, width_mm=width)
    assert faults(figure) == []
    assert smallest_type(figure) >= SMALLEST_TYPE


def test_every_study_is_one_brick_of_the_same_height_on_its_side() -> None:
    made = content([f"Study {n}" for n in range(20)])
    scene = lay_out_directions(made, width_mm=180, measure=text_width)
    bricks = {side: [s for s in scene.shapes if s.role == f"brick-{side}"] for side in ("left", "right")}
    assert [len(bricks[side]) for side in ("left", "right")] == [
        len(made.side("left")),
        len(made.side("right")),
    ]
    heights = {round(s.points[2][1] - s.points[0][1], 6) for found in bricks.values() for s in found}
    assert len(heights) == 1
    post = scene.width / 2
    assert all(x <= post + 1e-9 for s in bricks["left"] for x, _ in s.points)
    assert all(x >= post - 1e-9 for s in bricks["right"] for x, _ in s.points)
    lengths = [abs(s.points[1][0] - s.points[0][0]) for s in bricks["left"]]
    sizes = [row.size for row in made.side("left")]
    assert lengths == pytest.approx([lengths[0] * size / sizes[0] for size in sizes])
    assert {s.face for s in bricks["left"]} == {STUDY, PAPER}  # told apart by filled and open, not by colour
    assert len(scene.bubbles) == len(made.side("neither", "unknown"))


def test_words_stand_for_the_picture_and_no_mean_is_drawn() -> None:
    made = content()
    text = made.text()
    for part in (
        "Fewer complications after LRTI: 2",
        "Bramhope (1 / 30 v 8 / 30)",
        "Without a direction: 1, Dunmere",
    ):
        assert part in text
    assert "33 %, 95 % exact interval 1 to 91 %, sign test p = 1.00" in text and "median 0.85" in text
    shown = " ".join(words(directions_figure(made)))
    assert "Nothing is pooled here" in shown and "2 studies" in shown and "1 study" in shown
    roles = {shape.role for shape in lay_out_directions(made, width_mm=180, measure=text_width).shapes}
    assert not any("mean" in role or "diamond" in role for role in roles)


@pytest.mark.walk
def test_bytes_repeat_and_widths_are_checked() -> None:
    for kind in (".svg", ".png", ".pdf"):
        assert figure_bytes(directions_figure(content()), kind) == figure_bytes(
            directions_figure(content()), kind
        )
    with pytest.raises(UsageError, match="80 to 400"):
        directions_figure(content(), width_mm=20)


def test_content_refuses_numbers_that_no_picture_can_show() -> None:
    with pytest.raises(ValueError, match="no size"):
        content(rows=(DirectionRow(study="x", side="left", size=float("nan"), randomised=True),))
    with pytest.raises(ValueError, match="no share"):
        content(share=(0.2, 0.5, 0.9))
