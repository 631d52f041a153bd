"""Tables of causes by studies, all invented: small ones for grids, larger ones for chains.

The larger ones were drawn once from the model (numpy's default generator; seeds 1, 2 and 5; tau 0.8, 0.6 and 0.7) and are
kept as they were drawn.
"""

from __future__ import annotations

Counts = list[list[int]]  # causes, then studies

SMALL: dict[str, Counts] = {
    "two causes, one study": [[3], [1]],
    "two causes, two studies": [[5, 1], [2, 7]],
    "two causes, one study of forty": [[29, 2], [11, 6]],
    "two causes, one never seen": [[4, 7, 0], [0, 0, 0]],
    "two causes, apart, one study without returns": [[4, 0, 0], [0, 0, 3]],
    "two causes, no return at all": [[0, 0], [0, 0]],
    "three causes, one study": [[4], [1], [0]],
    "three causes, two studies": [[6, 1], [2, 5], [0, 2]],
    "three causes, one never seen, one study without returns": [[5, 2, 0], [1, 6, 0], [0, 0, 0]],
    "three causes, one study of forty": [[24, 1, 4], [12, 3, 0], [4, 5, 2]],
    "three causes, each study its own": [[7, 0, 0], [0, 3, 0], [0, 0, 2]],
}

LARGE: dict[str, Counts] = {
    "five causes, six studies": [
        [3, 1, 5, 6, 2, 3],
        [1, 0, 2, 6, 4, 7],
        [3, 1, 2, 2, 3, 7],
        [0, 0, 1, 1, 2, 2],
        [0, 0, 0, 0, 0, 0],
    ],
    "eight causes, ten studies": [
        [5, 3, 2, 7, 2, 6, 0, 0, 0, 3],
        [9, 0, 2, 8, 3, 12, 2, 0, 0, 2],
        [2, 4, 3, 8, 1, 3, 0, 0, 0, 3],
        [0, 1, 2, 1, 1, 2, 0, 0, 0, 0],
        [4, 1, 5, 4, 0, 0, 0, 0, 1, 0],
        [4, 0, 0, 0, 0, 1, 0, 0, 0, 1],
        [0, 0, 0, 0, 0, 0, 0, 0, 0, 0],
        [0, 0, 0, 0, 0, 0, 0, 0, 0, 0],
    ],
    "fourteen causes, twenty-four studies": [
        [0, 10, 6, 9, 4, 7, 6, 9, 10, 0, 5, 15, 0, 11, 4, 0, 4, 5, 8, 7, 0, 4, 3, 8],
        [0, 2, 8, 15, 2, 9, 13, 4, 3, 3, 11, 2, 7, 0, 3, 1, 5, 4, 6, 3, 0, 5, 6, 1],
        [4, 4, 3, 2, 3, 6, 3, 7, 2, 2, 1, 4, 7, 2, 4, 2, 1, 4, 3, 1, 0, 4, 1, 16],
        [0, 4, 5, 3, 2, 3, 3, 4, 4, 1, 4, 1, 1, 6, 5, 0, 4, 5, 6, 4, 0, 3, 2, 2],
        [0, 5, 4, 5, 1, 8, 5, 4, 2, 2, 1, 0, 2, 0, 1, 0, 2, 4, 2, 1, 0, 1, 1, 1],
        [0, 2, 2, 2, 0, 1, 3, 1, 8, 2, 0, 0, 0, 1, 0, 0, 0, 3, 2, 2, 0, 1, 0, 0],
        [0, 0, 0, 3, 1, 1, 1, 1, 1, 1, 1, 1, 0, 2, 0, 0, 0, 2, 5, 0, 0, 0, 1, 0],
        [1, 1, 1, 0, 0, 0, 3, 2, 1, 1, 1, 0, 0, 0, 1, 0, 1, 0, 2, 1, 0, 2, 0, 1],
        [1, 0, 0, 1, 0, 0, 0, 0, 1, 1, 0, 0, 0, 1, 0, 0, 0, 0, 0, 2, 0, 1, 0, 0],
        [0, 0, 0, 0, 1, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 1],
        [0] * 24,
        [0] * 24,
        [0] * 24,
        [0] * 24,
    ],
}

ALL = {**SMALL, **LARGE}
