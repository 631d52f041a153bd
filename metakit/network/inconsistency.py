"""Do direct and indirect evidence agree? The whole network at once, and comparison by comparison.

Sources: Higgins 2012 and White 2012 (design-by-treatment interaction), Krahn 2013 (Q within and between
designs), Dias 2010 (node-splitting; here the symmetric form, in which a study with both techniques counts
half on each side).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.core.results import Limits, TestStatistic
from metakit.network.arms import NetworkArms
from metakit.network.model import NetworkPart, chi_square, estimate_tau2_over, membership
from metakit.network.splitting import split_estimates
from metakit.numerics import arm_regression as kernel


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """Direct against indirect evidence on one comparison; `difference` is direct minus indirect."""

    technique: str
    comparator: str
    direct: float
    direct_error: float
    indirect: float
    indirect_error: float
    difference: float
    difference_error: float
    interval: Limits
    p_value: float
    tau2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Inconsistency:
    """Q of the network taken apart, and the test of design-by-treatment interaction.

    `within_designs` and `between_designs` use common-effect weights and add up to the whole Q; the
    interaction test uses tau2 estimated within designs, as it should when effects differ between studies.
    None where the network has no such degrees of freedom.
    """

    within_designs: TestStatistic | None
    between_designs: TestStatistic | None
    design_by_treatment: TestStatistic | None
    tau2_within_designs: float
    splits: tuple[Split, ...]
    notes: tuple[str, ...] = ()


def design_of(arms: NetworkArms) -> tuple[str, ...]:
    """Return each arm's design: the techniques that its study compares, joined in alphabetical order."""
    members: dict[str, set[str]] = {}
    for study, technique in zip(arms.study, arms.technique, strict=True):
        members.setdefault(study, set()).add(technique)
    return tuple(" / ".join(sorted(members[study])) for study in arms.study)


def repeated_designs(arms: NetworkArms) -> list[tuple[FloatArray, NetworkArms]]:
    """Return columns and arms of each design that has two studies or more.

    Effects within designs are a regression without a coefficient common to two designs, so that each design
    stands by itself; one of a single study is fitted without residual and says nothing on its own.
    """
    designs = design_of(arms)
    rows: dict[str, list[int]] = {}
    for row, name in enumerate(designs):
        rows.setdefault(name, []).append(row)
    blocks = []
    for name in sorted(rows):
        members = rows[name]
        if len({arms.study[row] for row in members}) > 1:
            keep = np.zeros(len(designs), dtype=bool)
            keep[members] = True
            part = arms.select(keep)
            blocks.append((membership(part, part.techniques), part))
    return blocks


def inconsistency(part: NetworkPart) -> Inconsistency:
    """Test one connected part for disagreement between sources of evidence."""
    arms = part.arms
    full = membership(arms, part.techniques)
    blocks = repeated_designs(arms)

    def within(tau2: float) -> float:
        return sum(kernel.fit_arms(x, one.study_index, one.value, one.variance, tau2).q for x, one in blocks)

    def whole(tau2: float) -> float:
        return kernel.fit_arms(full, arms.study_index, arms.value, arms.variance, tau2).q

    # Each design has as many effects of its own as techniques but one.
    own = len(set(zip(design_of(arms), arms.technique, strict=True))) - len(set(design_of(arms)))
    spare = own - (len(part.techniques) - 1)
    df = len(arms.study) - len(arms.studies) - own
    tau2 = 0.0
    interaction = None
    if part.model == "random_effects" and blocks:
        tau2, _ = estimate_tau2_over(blocks, part.tau2_estimator)
    q_within = within(0.0)
    if spare > 0:
        # Difference in weighted residual sums at one tau2 = the Wald statistic of the interaction columns.
        interaction = chi_square(whole(tau2) - within(tau2), spare)
    splits, notes = node_splits(part)
    return Inconsistency(
        within_designs=chi_square(q_within, df),
        between_designs=chi_square(whole(0.0) - q_within, spare),
        design_by_treatment=interaction,
        tau2_within_designs=tau2,
        splits=splits,
        notes=notes,
    )


def node_splits(part: NetworkPart) -> tuple[tuple[Split, ...], tuple[str, ...]]:
    """Split every comparison that has direct and indirect evidence; say which cannot be split."""
    pairs = direct_pairs(part.arms)
    found = split_estimates(part.arms, pairs, estimator=part.tau2_estimator or None)
    splits = [
        make_split(
            part, pairs[n], tau2=float(found.tau2[n]),
            indirect=(float(found.indirect[n]), float(found.indirect_variance[n])),
            difference=(float(found.difference[n]), float(found.difference_variance[n])),
            covariance=float(found.covariance[n]),
        )
        for n in np.flatnonzero(found.splittable)
    ]  # fmt: skip
    unsplit = [pairs[n] for n in np.flatnonzero(~found.splittable)]
    return tuple(splits), unsplit_words(unsplit)


def unsplit_words(pairs: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    """Name the comparisons without indirect evidence, nothing without any."""
    if not pairs:
        return ()
    named = "; ".join(f"{one} against {two}" for one, two in pairs)
    return (f"No indirect evidence, so nothing to split: {named}.",)


def make_split(
    part: NetworkPart,
    pair: tuple[str, str],
    *,
    tau2: float,
    indirect: tuple[float, float],
    difference: tuple[float, float],
    covariance: float,
) -> Split:
    """Assemble a split from the indirect estimate and the difference, each with its variance."""
    error = math.sqrt(difference[1])
    half = float(special.ndtri(0.5 + part.level / 2)) * error
    return Split(
        technique=pair[0],
        comparator=pair[1],
        direct=indirect[0] + difference[0],
        direct_error=math.sqrt(max(indirect[1] + difference[1] + 2 * covariance, 0.0)),
        indirect=indirect[0],
        indirect_error=math.sqrt(indirect[1]),
        difference=difference[0],
        difference_error=error,
        interval=Limits(difference[0] - half, difference[0] + half),
        p_value=2 * float(special.ndtr(-abs(difference[0]) / error)),
        tau2=tau2,
    )


def direct_pairs(arms: NetworkArms) -> tuple[tuple[str, str], ...]:
    """Return the pairs of techniques that at least one study compares, in alphabetical order."""
    members: dict[str, set[str]] = {}
    for study, technique in zip(arms.study, arms.technique, strict=True):
        members.setdefault(study, set()).add(technique)
    pairs = {(one, two) for names in members.values() for one in names for two in names if one < two}
    return tuple(sorted(pairs))
