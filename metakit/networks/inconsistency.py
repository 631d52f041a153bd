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
from metakit.core.limits import Limits, TestStatistic
from metakit.networks.arms import NetworkArms
from metakit.networks.model import NetworkPart, chi_square, estimate_tau2_over, membership
from metakit.networks.splitting import split_estimates, split_posteriors
from metakit.numerics.networks import arm_regression as kernel
from metakit.numerics.posteriors.bayes_marginals import NormalMixtures
from metakit.numerics.posteriors.spread_integral import GivenTau, spread_posterior


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """Direct against indirect evidence on one comparison; `difference` is direct minus indirect."""

    technique: str
    comparator: str
    direct: float
    direct_error: float
    direct_interval: Limits
    indirect: float
    indirect_error: float
    indirect_interval: Limits
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
    if part.posterior is not None:
        tau2, interaction = _interaction_integrated(part, full, blocks, spare)
    elif part.model == "random_effects" and blocks:
        tau2, _ = estimate_tau2_over(blocks, part.tau2_estimator)
    q_within = within(0.0)
    if spare > 0 and part.posterior is None:
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


def _interaction_integrated(
    part: NetworkPart, full: FloatArray, blocks: Sequence[tuple[FloatArray, NetworkArms]], spare: int
) -> tuple[float, TestStatistic | None]:
    """Return tau2 within designs at its posterior median, and the test averaged over tau's posterior there.

    The p value is the tail area given tau, averaged over the posterior of tau (Meng 1994 Ann Stat
    22:1142-1160; from memory).
    """
    arms = part.arms
    smallest = math.sqrt(2.0 * float(arms.variance.min()))

    def within(tau: FloatArray) -> GivenTau:
        nothing = np.zeros(tau.size)
        likelihood, q = nothing.copy(), nothing.copy()
        for x, one in blocks:
            fit = kernel.fit_arms_given_tau(x, one.study_index, one.value, one.variance, tau)
            likelihood, q = likelihood + fit.log_likelihood, q + fit.q
        return GivenTau(
            tau=tau,
            coefficients=nothing[:, None],
            covariance=nothing[:, None, None],
            log_likelihood=likelihood,
            q=q,
        )

    found = spread_posterior(within, scale=part.scale, smallest=smallest)
    tau2 = found.tau_quantile(0.5) ** 2
    if spare <= 0:
        return tau2, None
    whole = kernel.fit_arms_given_tau(full, arms.study_index, arms.value, arms.variance, found.given.tau)
    apart = np.maximum(whole.q - found.given.q, 0.0)
    p_value = float(found.average(special.chdtrc(spare, apart)))
    return tau2, TestStatistic(float(found.average(apart)), spare, p_value)


def _splits_integrated(
    part: NetworkPart, pairs: Sequence[tuple[str, str]]
) -> tuple[tuple[Split, ...], tuple[str, ...]]:
    """Return every split with its spread integrated out."""
    found = split_posteriors(part.arms, pairs, scale=part.scale)
    tails = (0.5, 0.5 - part.level / 2, 0.5 + part.level / 2)
    splits = []
    for n, place in enumerate(found.rows):
        t = {name: table[n] for name, table in found.tables.items()}
        variance = t["indirect_variance"] + t["difference_variance"] + 2 * t["covariance"]
        three = NormalMixtures(
            weight=found.weight[n],
            mean=np.stack([t["indirect"] + t["difference"], t["indirect"], t["difference"]]),
            deviation=np.sqrt(
                np.stack([np.maximum(variance, 0.0), t["indirect_variance"], t["difference_variance"]])
            ),
        )
        middle, low, high = (three.quantile(np.full(3, tail)) for tail in tails)
        errors = three.moments()[1]
        above = float(three.tail_above(np.zeros(3))[2])
        limits = [Limits(float(one), float(two)) for one, two in zip(low, high, strict=True)]
        splits.append(
            Split(
                technique=pairs[place][0],
                comparator=pairs[place][1],
                direct=float(middle[0]),
                direct_error=float(errors[0]),
                direct_interval=limits[0],
                indirect=float(middle[1]),
                indirect_error=float(errors[1]),
                indirect_interval=limits[1],
                difference=float(middle[2]),
                difference_error=float(errors[2]),
                interval=limits[2],
                p_value=2 * min(above, 1 - above),
                tau2=float(np.sum(found.weight[n] * found.tau**2)),
            )
        )
    split = set(found.rows.tolist())
    return tuple(splits), unsplit_words([pair for n, pair in enumerate(pairs) if n not in split])


def node_splits(part: NetworkPart) -> tuple[tuple[Split, ...], tuple[str, ...]]:
    """Split every comparison that has direct and indirect evidence; say which cannot be split."""
    pairs = direct_pairs(part.arms)
    if part.posterior is not None:
        return _splits_integrated(part, pairs)
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
    reach = float(special.ndtri(0.5 + part.level / 2))
    half = reach * error
    direct = indirect[0] + difference[0]
    direct_error = math.sqrt(max(indirect[1] + difference[1] + 2 * covariance, 0.0))
    indirect_error = math.sqrt(indirect[1])
    return Split(
        technique=pair[0],
        comparator=pair[1],
        direct=direct,
        direct_error=direct_error,
        direct_interval=Limits(direct - reach * direct_error, direct + reach * direct_error),
        indirect=indirect[0],
        indirect_error=indirect_error,
        indirect_interval=Limits(indirect[0] - reach * indirect_error, indirect[0] + reach * indirect_error),
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
