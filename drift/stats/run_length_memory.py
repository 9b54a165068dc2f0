"""This module computes how soon charts with a memory speak: EWMA and CUSUM; rules are elsewhere."""

import numpy as np
from scipy.special import ndtr

from drift.stats.run_length import Floats, RunLengths, follow

# Gauss-Legendre nodes for each kernel width in the continuation region, and on top of that.  A
# normal kernel is integrated to about 1e-9 from two nodes a width upward.
NODES_PER_WIDTH = 3
NODES_AT_LEAST = 16


def ewma_run_lengths(
    means: Floats, *, weight: float, limit_sigmas: float, early_limits: bool
) -> RunLengths:
    """Compute how many visits pass until an EWMA chart speaks.

    Parameters
    ----------
    means : Floats
        Shape (visits, scenarios): the true mean minus the centre, in sigmas of a plotted point; the
        last row goes on for ever.
    weight : float
        Weight of the newest point, over 0 and at most 1.
    limit_sigmas : float
        Distance of the limits from the centre, in standard deviations of the weighted mean.
    early_limits : bool
        True for a chart that starts at the first visit with limits from the exact variance; False
        for limits at their lasting width from the start, as on a chart that has run for a while.

    Returns
    -------
    RunLengths
        To about eight digits.

    Raises
    ------
    ValueError
        If `weight` or `limit_sigmas` is out of range.

    References
    ----------
    S. V. Crowder (1987), Technometrics 29, 401-407: the integral equation.  J. M. Lucas and
    M. S. Saccucci (1990), Technometrics 32, 1-12.  Solved here forward in time at Gauss-Legendre
    nodes, so that limits and means may change from visit to visit.
    """
    if not 0 < weight <= 1 or not limit_sigmas > 0:
        raise ValueError(
            f"an EWMA needs a weight over 0 and at most 1 and limits over 0, not {weight!r} and "
            f"{limit_sigmas!r}"
        )
    lasting = limit_sigmas * np.sqrt(weight / (2 - weight))
    count = NODES_AT_LEAST + int(np.ceil(NODES_PER_WIDTH * 2 * lasting / weight))
    nodes, quadrature = np.polynomial.legendre.leggauss(count)

    def half_width(visit: int) -> float:
        """Half-width of the limits after `visit` visits."""
        early = 1 - (1 - weight) ** (2 * visit) if early_limits else 1.0
        return float(lasting * np.sqrt(early))

    def advance(state: Floats, mean: Floats, visit: int) -> tuple[Floats, Floats]:
        width, before = half_width(visit + 1), half_width(visit)
        here = width * nodes[:, None] - weight * mean[None, :]
        if visit == 0:
            moved = _normal(here / weight) / weight
        else:
            came = (1 - weight) * before * nodes
            kernel = _normal((here[:, None, :] - came[None, :, None]) / weight) / weight
            moved = np.einsum("kjs,js->ks", kernel, before * quadrature[:, None] * state)
        return moved, width * (quadrature @ moved)

    return follow(np.zeros((count, means.shape[1])), means, advance=advance)


def cusum_run_lengths(
    means: Floats, *, reference_sigmas: float, decision_sigmas: float
) -> RunLengths:
    """Compute how many visits pass until a two-sided tabular CUSUM chart speaks.

    Parameters
    ----------
    means : Floats
        Shape (visits, scenarios), in sigmas; the last row goes on for ever.
    reference_sigmas : float
        Reference value k, half the shift that is looked for; 0 or more.
    decision_sigmas : float
        Decision interval h, over 0.

    Returns
    -------
    RunLengths
        To about eight digits.

    Raises
    ------
    ValueError
        If a setting is out of range.

    Notes
    -----
    The two sums are followed apart, each with its mass at zero and its density above.  What couples
    them: when one speaks, the other is at zero, because it could only have grown at the cost of the
    first.  So the chance that one side speaks at a visit is taken from the mass at zero of the
    other, which is exact for both sides together without a two-dimensional chain.

    References
    ----------
    E. S. Page (1954), Biometrika 41, 100-115; D. Brook and D. A. Evans (1972), Biometrika 59,
    539-549; K. W. Kemp (1961), Journal of the Royal Statistical Society B 23, 149-153 (two sides).
    """
    if not reference_sigmas >= 0 or not decision_sigmas > 0:
        raise ValueError(
            f"a CUSUM needs k of 0 or more and h over 0, not {reference_sigmas!r} and "
            f"{decision_sigmas!r}"
        )
    k, h = reference_sigmas, decision_sigmas
    count = NODES_AT_LEAST + int(np.ceil(NODES_PER_WIDTH * h))
    nodes, quadrature = np.polynomial.legendre.leggauss(count)
    place, share = (nodes + 1) * h / 2, quadrature * h / 2

    def advance(state: Floats, mean: Floats, visit: int) -> tuple[Floats, Floats]:
        """Move the mass at zero (row 0) and the densities; upper sides first, then lower sides."""
        del visit
        step = k - np.concatenate([mean, -mean])
        zero, dense = state[0], state[1:]
        kernel = _normal((place[:, None] - place[None, :])[:, :, None] + step)
        mass = share[:, None] * dense
        moved = np.empty_like(state)
        moved[1:] = zero * _normal(place[:, None] + step) + np.einsum("ijs,js->is", kernel, mass)
        moved[0] = zero * ndtr(step) + (ndtr(step - place[:, None]) * mass).sum(axis=0)
        over = zero * ndtr(-h - step) + (ndtr(place[:, None] - h - step) * mass).sum(axis=0)
        moved[0] -= np.roll(over, len(mean))
        left = moved[0] + share @ moved[1:]
        return moved, np.maximum(left[: len(mean)], 0.0)

    start = np.zeros((1 + count, 2 * means.shape[1]))
    start[0] = 1.0
    return follow(start, means, advance=advance)


def _normal(x: Floats) -> Floats:
    """Return the standard normal density."""
    return np.asarray(np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi))
