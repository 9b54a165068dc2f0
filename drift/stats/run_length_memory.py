"""This module computes how soon charts with a memory speak: EWMA and CUSUM; rules are elsewhere."""

from functools import lru_cache

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

    # Means and limits mostly stay as they are from visit to visit, and with them the kernel.
    @lru_cache(maxsize=1)
    def kernel(mean: bytes, width: float, before: float) -> Floats:
        """Density at each node after the visit from each node before it; scenarios first."""
        here = width * nodes[:, None] - (1 - weight) * before * nodes[None, :]
        moved = weight * np.frombuffer(mean)[:, None, None]
        return _normal((here - moved) / weight) / weight * (before * quadrature)

    def advance(state: Floats, mean: Floats, visit: int) -> tuple[Floats, Floats]:
        width, before = half_width(visit + 1), half_width(visit)
        if visit == 0:
            moved = _normal((width * nodes[:, None] - weight * mean) / weight) / weight
        else:
            step = kernel(mean.tobytes(), width, before)
            moved = np.matmul(step, state.T[:, :, None])[:, :, 0].T
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

    @lru_cache(maxsize=1)
    def kernel(mean: bytes) -> tuple[Floats, Floats]:
        """Return where mass at zero and at each node goes: to zero and the nodes, and beyond h."""
        upper = np.frombuffer(mean)
        step = (k - np.concatenate([upper, -upper]))[:, None]
        held = np.concatenate([[0.0], place])
        moves = np.empty((len(step), 1 + count, 1 + count))
        moves[:, 1:] = _normal(place[:, None] - held[None, :] + step[:, :, None])
        moves[:, 0] = ndtr(step - held)
        # What lies at a node is its density times its share of the range.
        moves[:, :, 1:] *= share
        speaks = ndtr(held - h - step)
        speaks[:, 1:] *= share
        return moves, speaks

    def advance(state: Floats, mean: Floats, visit: int) -> tuple[Floats, Floats]:
        """Move the mass at zero (row 0) and the densities; upper sides first, then lower sides."""
        del visit
        moves, speaks = kernel(mean.tobytes())
        moved = np.matmul(moves, state.T[:, :, None])[:, :, 0].T
        moved[0] -= np.roll((speaks * state.T).sum(axis=1), len(mean))
        left = moved[0] + share @ moved[1:]
        return moved, np.maximum(left[: len(mean)], 0.0)

    start = np.zeros((1 + count, 2 * means.shape[1]))
    start[0] = 1.0
    return follow(start, means, advance=advance)


def _normal(x: Floats) -> Floats:
    """Return the standard normal density."""
    return np.asarray(np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi))
