"""Networks that several tests use."""

from __future__ import annotations

import numpy as np

from metakit.networks.arms import NetworkArms

# Smoking cessation: 24 trials of no contact (A), self-help (B), individual (C) and group counselling (D).
# Hasselblad V 1998 Med Decis Making 18:37-43, as used by Lu & Ades 2006 and Dias et al., NICE DSU TSD 2
# (status: memory).
SMOKING = """
1 A 9 140; 1 C 23 140; 1 D 10 138; 2 B 11 78; 2 C 12 85; 2 D 29 170; 3 A 75 731; 3 C 363 714; 4 A 2 106; 4 C 9 205
5 A 58 549; 5 C 237 1561; 6 A 0 33; 6 C 9 48; 7 A 3 100; 7 C 31 98; 8 A 1 31; 8 C 26 95; 9 A 6 39; 9 C 17 77
10 A 79 702; 10 B 77 694; 11 A 18 671; 11 B 21 535; 12 A 64 642; 12 C 107 761; 13 A 5 62; 13 C 8 90
14 A 20 234; 14 C 34 237; 15 A 0 20; 15 D 9 20; 16 A 8 116; 16 C 19 149; 17 A 95 1107; 17 C 143 1031
18 A 15 187; 18 C 36 504; 19 A 78 584; 19 C 73 675; 20 A 69 1177; 20 C 54 888; 21 B 20 49; 21 C 16 43
22 B 7 66; 22 D 32 127; 23 C 12 76; 23 D 20 74; 24 C 9 55; 24 D 3 26
"""

# Parkinson's disease, mean off-time reduction, 7 trials of 5 treatments, one of them with three arms: Dias et al.,
# NICE DSU Technical Support Document 2, data (mean, standard error) as listed in the project's reference file.
PARKINSON = """
1 1 -1.22 0.504; 1 3 -1.53 0.439; 2 1 -0.7 0.282; 2 2 -2.4 0.258; 3 1 -0.3 0.505; 3 2 -2.6 0.510; 3 4 -1.2 0.478
4 3 -0.24 0.265; 4 4 -0.59 0.354; 5 3 -0.73 0.335; 5 4 -0.18 0.442; 6 4 -2.2 0.197; 6 5 -2.5 0.190
7 4 -1.8 0.200; 7 5 -2.1 0.250
"""


def rows(text: str) -> list[list[str]]:
    return [row.split() for line in text.strip().splitlines() for row in line.split(";")]


def smoking_rows() -> tuple[list[str], list[str], dict[str, list[float]]]:
    table = rows(SMOKING)
    data = {"events": [float(row[2]) for row in table], "total": [float(row[3]) for row in table]}
    return [row[0] for row in table], [row[1] for row in table], data


def arms_of_values(study, technique, value, variance) -> NetworkArms:
    return NetworkArms(
        measure="mean_difference",
        study=tuple(study),
        technique=tuple(technique),
        value=np.asarray(value, dtype=float),
        variance=np.asarray(variance, dtype=float),
        thumbs=np.full(len(study), np.nan),
        data={},
    )


def parkinson() -> NetworkArms:
    table = rows(PARKINSON)
    return arms_of_values(
        [row[0] for row in table],
        [row[1] for row in table],
        [float(row[2]) for row in table],
        [float(row[3]) ** 2 for row in table],
    )


def random_network(
    seed: int, *, studies: int = 30, techniques: str = "abcde", largest: int = 3
) -> NetworkArms:
    generator = np.random.default_rng(seed)
    names = list(techniques)
    study, technique = [], []
    for number in range(studies):
        size = int(generator.integers(2, largest + 1))
        for name in generator.choice(names, size=size, replace=False):
            study.append(f"s{number}")
            technique.append(str(name))
    variance = generator.uniform(0.02, 0.5, len(study))
    truth = {name: 0.3 * place for place, name in enumerate(names)}
    value = [truth[name] for name in technique] + generator.normal(0, np.sqrt(variance + 0.05))
    return arms_of_values(study, technique, value, variance)
