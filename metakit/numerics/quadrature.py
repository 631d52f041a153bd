"""Rules for integrals: Gauss-Hermite for normal random effects, adaptive Gauss-Kronrod on panels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.errors import ConvergenceError

# Kronrod's 15-point extension of the 7-point Gauss rule on [-1, 1], positive half, outermost first
# (Kronrod 1965; digits as tabulated in Piessens et al. 1983, QUADPACK, typed from memory; the unit test
# checks them by exactness on polynomials up to degree 22).
_KRONROD_NODES = np.array(
    [
        0.991455371120812639206854697526329,
        0.949107912342758524526189684047851,
        0.864864423359769072789712788640926,
        0.741531185599394439863864773280788,
        0.586087235467691130294144691693500,
        0.405845151377397166906606412076961,
        0.207784955007898467600689403773245,
        0.0,
    ]
)
_KRONROD_WEIGHTS = np.array(
    [
        0.022935322010529224963732008058970,
        0.063092092629978553290700663189204,
        0.104790010322250183839876322541518,
        0.140653259715525918745189590510238,
        0.169004726639267902826583426598550,
        0.190350578064785409913256402421014,
        0.204432940075298892414161999234649,
        0.209482141084727828012999174891714,
    ]
)


@lru_cache(maxsize=64)
def gauss_hermite_rule(nodes: int, dimensions: int = 1) -> tuple[FloatArray, FloatArray]:
    """Return product Gauss-Hermite nodes and the logarithms of weight times exp(x^2).

    Parameters
    ----------
    nodes : int
        Nodes in each dimension.
    dimensions : int
        Number of dimensions of the product rule.

    Returns
    -------
    points : ndarray, shape (dimensions, nodes ** dimensions)
    log_weights : ndarray, shape (nodes ** dimensions,)
        The integral of f over the whole space is the sum of exp(log_weights) f(points).

    Notes
    -----
    Liu & Pierce 1994, Biometrika 81:624-629, for the use around the mode of each integrand.

    Examples
    --------
    >>> points, log_weights = gauss_hermite_rule(15)
    >>> bool(abs(np.sum(np.exp(log_weights - points[0] ** 2)) - np.sqrt(np.pi)) < 1e-12)
    True
    """
    x, w = special.roots_hermite(nodes)
    keep = w > 0  # far nodes of big rules underflow; they carry nothing
    x, log_w = x[keep], np.log(w[keep]) + x[keep] ** 2
    points = np.array(list(product(x, repeat=dimensions))).T
    log_weights = np.array([sum(part) for part in product(log_w, repeat=dimensions)])
    for array in (points, log_weights):
        array.setflags(write=False)
    return points, log_weights


@dataclass(frozen=True, slots=True, kw_only=True)
class Panels:
    """Panels of an interval, fine enough for the functions that were asked for.

    `edges` has shape (panels + 1,), `points` and `weights` shape (panels, 15).
    """

    edges: FloatArray
    points: FloatArray
    weights: FloatArray


def panel_rule(lower: FloatArray, upper: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return Kronrod points, Kronrod weights and embedded Gauss weights of panels, shape (panels, 15)."""
    x = np.concatenate([-_KRONROD_NODES[:-1], _KRONROD_NODES[::-1]])
    w = np.concatenate([_KRONROD_WEIGHTS[:-1], _KRONROD_WEIGHTS[::-1]])
    gauss = np.zeros(15)
    gauss[1::2] = special.roots_legendre(7)[1]
    half = (upper - lower)[:, None] / 2
    middle = (upper + lower)[:, None] / 2
    return middle + half * x, half * w, half * gauss


def adapt_panels(
    function: Callable[[FloatArray], FloatArray],
    edges: FloatArray,
    *,
    tolerance: float = 1e-12,
    most_panels: int = 4000,
) -> Panels:
    """Halve panels until the integral of every component of `function` is settled.

    Parameters
    ----------
    function : callable
        Takes points of shape (m,) and returns (components, m), all finite.
    edges : ndarray
        Increasing start edges.
    tolerance : float
        Largest allowed difference of Gauss and Kronrod values over the whole interval, for every component
        as a fraction of the integral of the absolute value of the first: a companion that is all
        rounding error must not be refined for ever.
    most_panels : int
        Give up beyond this number.

    Raises
    ------
    ConvergenceError
        When `most_panels` are not enough.
    """
    lower, upper = edges[:-1].astype(float), edges[1:].astype(float)
    points, weights, gauss = panel_rule(lower, upper)
    values = function(points.ravel()).reshape(-1, *points.shape)
    while True:
        size = float(np.sum(np.abs(values[0]) * weights))
        error = np.abs(np.sum(values * (weights - gauss), axis=2))
        worst = error.max(axis=0) / (size if size > 0 else 1.0)
        # A panel that is narrower than rounding in its edges cannot be halved further.
        divisible = (upper - lower) > 8 * np.spacing(np.maximum(np.abs(lower), np.abs(upper)))
        split = (worst > tolerance / len(lower)) & divisible
        if float(worst.sum()) <= tolerance or not split.any():
            return Panels(edges=np.append(lower, upper[-1]), points=points, weights=weights)
        if len(lower) + int(split.sum()) > most_panels:
            raise ConvergenceError(f"an integral is not settled with {most_panels} panels")
        middle = (lower + upper)[split] / 2
        new_lower = np.concatenate([lower[split], middle])
        new_upper = np.concatenate([middle, upper[split]])
        new_points, new_weights, new_gauss = panel_rule(new_lower, new_upper)
        new_values = function(new_points.ravel()).reshape(-1, *new_points.shape)
        lower = np.concatenate([lower[~split], new_lower])
        upper = np.concatenate([upper[~split], new_upper])
        order = np.argsort(lower)
        lower, upper = lower[order], upper[order]
        points = np.concatenate([points[~split], new_points])[order]
        weights = np.concatenate([weights[~split], new_weights])[order]
        gauss = np.concatenate([gauss[~split], new_gauss])[order]
        values = np.concatenate([values[:, ~split], new_values], axis=1)[:, order]
