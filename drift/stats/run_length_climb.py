"""This module computes how soon a set of rules speaks that has the steady climb among them.

A climb compares a point with the one before, so that the chain must also remember where the last
point lay.  Its density is kept at Gauss-Legendre nodes within each zone; being a normal density
times sums of powers of its integral there, it is smooth, and the sums over lower and higher points
are exact to rounding.
"""

import numpy as np
from numpy.polynomial import legendre
from scipy import sparse

from drift.stats.rule_machines import CLIMB, Machine
from drift.stats.run_length import Floats, RunLengths, follow

# Gauss-Legendre nodes in each zone: the permutations of a few points are met to nine digits.
NODES_AT_LEAST, NODES_PER_SIGMA = 3, 3
# A zone that has no outer edge is cut this many sigmas past the mean farthest out.
REACH = 8.0
STEPS = CLIMB - 2  # rises in a row that can be remembered without the rule having spoken


def climb_run_lengths(means: Floats, *, machine: Machine, limit_sigmas: float) -> RunLengths:
    """Compute how many visits pass until a steady climb or a machine's other rules speak.

    Parameters
    ----------
    means : Floats
        Shape (visits, scenarios), in sigmas; the last row goes on for ever.
    machine : Machine
        The other rules, over the eight zones in ascending order; one silent state for none.
    limit_sigmas : float
        Distance of the control limits from the centre, in sigmas.

    Returns
    -------
    RunLengths
        Of the rules together.
    """
    edges = np.array([0, -3, -2, -1, 0, 1, 2, 3, 0]) * limit_sigmas / 3
    edges[0] = min(-limit_sigmas, means.min()) - REACH
    edges[-1] = max(limit_sigmas, means.max()) + REACH
    ends_speak = bool(machine.speaks[:, [0, -1]].all())
    widest = np.diff(edges)[1:-1].max() if ends_speak else np.diff(edges).max()
    nodes, weights, below = _quadrature(NODES_AT_LEAST + int(np.ceil(NODES_PER_SIGMA * widest)))
    half = np.diff(edges)[:, None] / 2
    place = (edges[:-1, None] + half) + half * nodes

    pairs, zone, first = _pairs(machine)
    up, down, same = _routes(machine, pairs, zone)

    def chances(mean: Floats) -> Floats:
        """Return the chance of the next point at each node; shape (nodes, pairs, 1, scenarios)."""
        density = np.exp(-0.5 * (place[:, :, None] - mean) ** 2) / np.sqrt(2 * np.pi)
        by_zone = density * (half * weights)[:, :, None]
        return np.asarray(by_zone[zone].transpose(1, 0, 2)[:, :, None])

    def advance(state: Floats, mean: Floats, visit: int) -> tuple[Floats, Floats]:
        """Move the mass at the nodes; axis 2 holds no step yet, rises 1 to 4, falls 1 to 4."""
        moved = np.zeros_like(state)
        if visit == 0:
            moved[:, first, 0] = 1.0
        else:
            turned, rises, falls = np.split(state, [1, 1 + STEPS], axis=2)
            rising, falling = np.empty_like(rises), np.empty_like(falls)
            rising[:, :, :1] = turned + falls.sum(axis=2, keepdims=True)
            rising[:, :, 1:] = rises[:, :, :-1]
            falling[:, :, :1] = turned + rises.sum(axis=2, keepdims=True)
            falling[:, :, 1:] = falls[:, :, :-1]
            moved[:, :, 1 : 1 + STEPS] = _sent(up, same, rising, below)
            moved[:, :, 1 + STEPS :] = _sent(down, same, falling, 1 - below)
        moved *= chances(mean)
        return moved, moved.sum(axis=(0, 1, 2))

    start = np.zeros((len(nodes), len(pairs), 1 + 2 * STEPS, means.shape[1]))
    return follow(start, means, advance=advance)


def _quadrature(count: int) -> tuple[Floats, Floats, Floats]:
    """Return nodes and weights on −1 to 1, and how much of the mass at each node lies below each.

    The last is a matrix from masses (weight times density) to their integral from −1 to each node.
    """
    nodes, weights = legendre.leggauss(count)
    # Values at the nodes to Legendre coefficients, those to their integral, that at the nodes.
    degrees = np.arange(count)[:, None]
    coefficients = legendre.legvander(nodes, count - 1).T * (degrees + 0.5)
    integral = legendre.legint(np.eye(count), lbnd=-1, axis=0)
    below = legendre.legvander(nodes, count) @ integral @ coefficients
    return np.asarray(nodes), np.asarray(weights), np.asarray(below)


def _pairs(
    machine: Machine,
) -> tuple[dict[tuple[int, int], int], np.ndarray, list[int]]:
    """List the pairs (state, zone of the last point) that occur, and those of the first point."""
    pairs: dict[tuple[int, int], int] = {}
    zones = range(machine.following.shape[1])
    states, waiting = {0}, [0]
    for state in waiting:
        for zone in zones:
            if machine.speaks[state, zone]:
                continue
            after = int(machine.following[state, zone])
            pairs.setdefault((after, zone), len(pairs))
            if after not in states:
                states.add(after)
                waiting.append(after)
    first = [pairs[int(machine.following[0, z]), z] for z in zones if not machine.speaks[0, z]]
    return pairs, np.array([zone for _, zone in pairs], dtype=np.int64), first


def _routes(
    machine: Machine, pairs: dict[tuple[int, int], int], zone: np.ndarray
) -> tuple[sparse.csr_array, sparse.csr_array, sparse.csr_array]:
    """Return where each pair goes with a point in a higher, a lower and the same zone."""
    moves: tuple[list[tuple[int, int]], ...] = ([], [], [])
    for (state, _), source in pairs.items():
        for target_zone in range(machine.following.shape[1]):
            if machine.speaks[state, target_zone]:
                continue
            target = pairs[int(machine.following[state, target_zone]), target_zone]
            kind = 0 if target_zone > zone[source] else 1 if target_zone < zone[source] else 2
            moves[kind].append((target, source))
    size = (len(pairs), len(pairs))
    up, down, same = (
        sparse.csr_array((np.ones(len(move)), tuple(np.array(move).T)), shape=size)
        for move in moves
    )
    return up, down, same


def _sent(other: sparse.csr_array, same: sparse.csr_array, mass: Floats, part: Floats) -> Floats:
    """Send mass on to where the next point can lie beyond it, per unit of that point's chance.

    All of a pair's mass goes to the zones that `other` leads to; within its own zone as much as
    `part` says lies on the right side of each node.
    """
    nodes, pairs = mass.shape[:2]
    flat = mass.reshape(nodes, pairs, -1)
    within = np.tensordot(part, flat, axes=1)
    whole = np.asarray(other @ flat.sum(axis=0))
    sent = np.array([same @ at_node + whole for at_node in within])
    return sent.reshape(mass.shape)
