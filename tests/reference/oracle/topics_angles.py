"""What is certified of MP angles: pooled paired changes, and thumbs over a limit in coarse bands. All data are invented."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from mpmath import mpf

from . import angles, half_normal_counts
from .precision import total
from .topics_half_normal import LEVEL, Records, logit_study, normal_answer

CORRELATIONS = ("0.3", "0.5", "0.7")
CHANGES: dict[str, tuple[tuple[object, ...], ...]] = {
    "three arms left alone": (
        ("31.5", "6.4", "23.8", "8.1", 54),
        ("36.2", "3.9", "26.1", "9.1", 27),
        ("34.7", "2.7", "28.9", "8.1", 46),
    ),
    "two arms far apart": (("38", "5.5", "12.5", "9", 33), ("24", "11", "21", "10.5", 71)),
    "six arms, small and large": (
        ("18", "10", "11.2", "9.1", 83),
        ("27", "9.4", "16.4", "8.8", 96),
        ("33", "7", "24", "9", 12),
        ("41", "4.2", "18.5", "11", 9),
        ("22.5", "12", "20.5", "12", 140),
        ("30", "8", "31.5", "7.5", 21),
    ),
}
UP_TO_30 = (None, False, 30, True)
OVER_30 = (30, False, None, False)
FROM_30 = (30, True, None, False)
FROM_35 = (35, True, None, False)
BAND_SETS: dict[str, tuple[tuple[tuple[tuple[angles.Band, int], ...], int], ...]] = {
    # study by study: bands with their thumbs, and the thumbs measured
    "four studies, a limit of over 30": (
        (((UP_TO_30, 41), (OVER_30, 13)), 54),
        ((((None, False, 20, False), 30), ((20, True, 40, False), 22), ((40, True, None, False), 3)), 58),
        (((UP_TO_30, 60), (FROM_35, 9)), 71),
        ((((None, False, 30, False), 24), (FROM_30, 7)), 31),
    ),
    "two studies, a limit of 35 and more": (
        (((UP_TO_30, 70), (OVER_30, 13)), 83),
        ((((0, True, 19, True), 20), ((20, True, 39, True), 25), ((40, True, None, False), 4)), 49),
    ),
}
LIMITS = {"four studies, a limit of over 30": OVER_30, "two studies, a limit of 35 and more": FROM_35}
OVERLAPPING: dict[str, tuple[tuple[tuple[angles.Band, int], ...], int, angles.Band]] = {
    "over 30 and, of them, over 40": (((OVER_30, 4), ((40, False, None, False), 2)), 7, OVER_30),
    "two low bands that share nothing": (
        (((None, False, 10, True), 3), ((15, True, 25, True), 2), ((20, True, None, False), 3)),
        7,
        OVER_30,
    ),
    "chained bands over the limit": (
        (((30, True, 40, True), 2), ((35, True, 50, True), 3), ((30, True, 34, True), 2)),
        6,
        FROM_30,
    ),
    "a band across the limit": ((((20, True, 40, True), 3), (OVER_30, 2)), 6, OVER_30),
}


def proportion(counts: Sequence[tuple[int, int]]) -> dict[str, object]:
    """Return the pooled proportion of thumbs, as one-arm counts are pooled."""
    posterior = half_normal_counts.CountPosterior(
        [logit_study(row) for row in counts], mpf(1), half_normal_counts.jeffreys_logit()
    )
    return posterior.summary([mpf(-3)], LEVEL)


def mp_angles() -> tuple[str, Records]:
    """Certify paired changes at each correlation, and both ends of what coarse bands allow."""
    records: Records = []
    for name, rows in CHANGES.items():
        for correlation in CORRELATIONS:
            print("  ", name, correlation, file=sys.stderr, flush=True)
            posterior = angles.paired_posterior(rows, correlation)
            changes = [angles.change(row, correlation)[:2] for row in rows]
            records.append(
                {
                    "kind": "change", "name": name, "rows": rows, "correlation": correlation,
                    "changes": changes, "answer": normal_answer(posterior),
                }
            )  # fmt: skip
    for name, studies in BAND_SETS.items():
        bounds = [angles.over_by_bands(bands, LIMITS[name], whole) for bands, whole in studies]
        record: dict[str, object] = {
            "kind": "bands", "name": name, "studies": studies, "limit": LIMITS[name], "bounds": bounds
        }  # fmt: skip
        for place, end in enumerate(("fewest", "most")):
            print("  ", name, end, file=sys.stderr, flush=True)
            counts = [(found[place], whole) for found, (_, whole) in zip(bounds, studies, strict=True)]
            assert total(mpf(events) for events, _ in counts) > 0
            record[end] = proportion(counts)
        records.append(record)
    for name, (bands, whole, limit) in OVERLAPPING.items():
        found = angles.over_by_trying(bands, limit, whole, overlap=True)
        records.append(
            {"kind": "overlap", "name": name, "bands": bands, "whole": whole, "limit": limit, "bounds": found}
        )
    return (
        "invented MP angles. change: pooled paired change, flat mean, tau half-normal with half of the pooled standard "
        "deviation of the change. bands: (lower, inside, upper, inside) with thumbs; thumbs over the limit at the fewest "
        "and the most that bands allow, pooled as binomial on the logit under Jeffreys' density, tau half-normal 1. "
        "overlap: a thumb counts in every band that it lies in; bounds by trying every placement",
        records,
    )
