"""This module computes how soon a set of rules signals, the steady climb among them.

A climb compares a point with the one before, so that the chain must also remember where the last
point lay.  Its density is kept at Gauss-Legendre nodes within each zone; being a normal density
times sums of powers of its integral there, it is smooth, and the sums over lower and higher points
are exact to rounding.
"""

from functools import cache

import numpy as np
from numpy.polynomial import legendre
from scipy import sparse
from scipy.special import ndtr

from drift.arrays import Floats
from drift.limits.rule_zones import CLIMB, ZONES, Machine, Step, machine_of, zones_of
from drift.limits.rules import rules_named
from drift.limits.runs.run_length import RunLengths, follow

# Readings this many sigmas from their mean do not occur (the chance is below 1e-22).
_REACH = 10.0

# Gauss-Legendre nodes in each zone: the permutations of a few points are met to nine digits.
_CLIMB_NODES_AT_LEAST, NODES_PER_SIGMA = 3, 3
# A zone that has no outer edge is cut this many sigmas past the mean farthest out.
_CLIMB_REACH = 8.0
_STEPS = CLIMB - 2  # rises in a row that can be remembered without the rule having signalled


def rule_run_lengths(
    means: Floats,
    *,
    rules: tuple[str, ...],
    limit_sigmas: float,
    resolution_sigmas: float = 0.0,
    offset_sigmas: float = 0.0,
) -> RunLengths:
    """Compute how many visits pass until the first of a set of rules signals.

    Parameters
    ----------
    means : Floats
        Shape (visits, scenarios): the true mean minus the centre, in sigmas; the last row goes on.
    rules : tuple of str
        Names of rules, at least one.
    limit_sigmas : float
        Distance of the control limits from the centre, in sigmas; zones are thirds of it.
    resolution_sigmas : float
        Step that each point is rounded to, in sigmas; 0 (no rounding) by default.
    offset_sigmas : float
        Centre minus the nearest value that can be read, in sigmas; used with rounding only.

    Returns
    -------
    RunLengths
        Of the rules together, each on the same points.

    Raises
    ------
    ValueError
        If a rule is unknown, none is given, or a climb is asked for on rounded readings.

    References
    ----------
    C. W. Champ and W. H. Woodall (1987), Technometrics 29, 393-399: the rules as an absorbing
    Markov chain.
    """
    chosen = rules_named(rules)
    if not chosen:
        raise ValueError("a run length needs at least one rule")
    flat = tuple(rule.step for rule in chosen if rule.name != "steady_climb")
    machine = _machine(flat, with_centre=bool(resolution_sigmas))
    if len(flat) < len(chosen):
        if resolution_sigmas:
            raise ValueError("steady_climb has no exact run length on rounded readings")
        return climb_run_lengths(means, machine=machine, limit_sigmas=limit_sigmas)

    states, columns = machine.following.shape
    route = _route(machine)

    def advance(state: Floats, mean: Floats, visit: int) -> tuple[Floats, Floats]:
        del visit
        chances = zone_chances(
            mean,
            limit_sigmas=limit_sigmas,
            resolution_sigmas=resolution_sigmas,
            offset_sigmas=offset_sigmas,
        )
        if not resolution_sigmas:
            chances = np.delete(chances, ZONES.index(0), axis=0)
        spread = (state[:, None, :] * chances[None, :, :]).reshape(states * columns, -1)
        moved = np.asarray(route @ spread)
        return moved, moved.sum(axis=0)

    start = np.zeros((states, means.shape[1]))
    start[0] = 1.0
    return follow(start, means, advance=advance)


def zone_chances(
    mean: Floats, *, limit_sigmas: float, resolution_sigmas: float, offset_sigmas: float
) -> Floats:
    """Return the probability that a point falls into each zone.

    Parameters
    ----------
    mean : Floats
        Shape (scenarios,), in sigmas from the centre.
    limit_sigmas, resolution_sigmas, offset_sigmas : float
        As in `rule_run_lengths`.

    Returns
    -------
    Floats
        Shape (zones, scenarios), in the order of `drift.limits.rule_zones.ZONES`.
    """
    third = limit_sigmas / 3
    if not resolution_sigmas:
        edges = np.array([-np.inf, -3, -2, -1, 0, 0, 1, 2, 3, np.inf]) * third
        return np.asarray(np.diff(ndtr(edges[:, None] - mean[None, :]), axis=0))
    step = resolution_sigmas
    reach = int(np.ceil((limit_sigmas + np.abs(mean).max() + _REACH + step) / step))
    value: Floats = np.arange(-reach, reach + 1, dtype=np.float64) * step - offset_sigmas
    edges = np.append(value - step / 2, np.inf)
    edges[0] = -np.inf
    cells = np.diff(ndtr(edges[:, None] - mean[None, :]), axis=0)
    zone = zones_of(value, third=third, half_step=step / 2)
    return np.array([cells[zone == one].sum(axis=0) for one in ZONES])


@cache
def _machine(steps: tuple[Step, ...], *, with_centre: bool) -> Machine:
    """Return the machine of `steps`; without rounding no point lies on the centre itself."""
    zones = [zone for zone in ZONES if zone or with_centre]
    return machine_of(steps, symbols=[(zone, 0) for zone in zones])


def _route(machine: Machine) -> sparse.csr_array:
    """Return the matrix that carries (state, symbol) to the next state, and speech to nowhere."""
    states, columns = machine.following.shape
    silent = ~machine.speaks.ravel()
    source = np.arange(states * columns)[silent]
    target = machine.following.ravel()[silent]
    ones = np.ones(len(source))
    return sparse.csr_array((ones, (target, source)), shape=(states, states * columns))


def climb_run_lengths(means: Floats, *, machine: Machine, limit_sigmas: float) -> RunLengths:
    """Compute how many visits pass until a steady climb or a machine's other rules signal.

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
    edges[0] = min(-limit_sigmas, means.min()) - _CLIMB_REACH
    edges[-1] = max(limit_sigmas, means.max()) + _CLIMB_REACH
    ends_speak = bool(machine.speaks[:, [0, -1]].all())
    widest = np.diff(edges)[1:-1].max() if ends_speak else np.diff(edges).max()
    nodes, weights, below = _quadrature(
        _CLIMB_NODES_AT_LEAST + int(np.ceil(NODES_PER_SIGMA * widest))
    )
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
            turned, rises, falls = np.split(state, [1, 1 + _STEPS], axis=2)
            rising, falling = np.empty_like(rises), np.empty_like(falls)
            rising[:, :, :1] = turned + falls.sum(axis=2, keepdims=True)
            rising[:, :, 1:] = rises[:, :, :-1]
            falling[:, :, :1] = turned + rises.sum(axis=2, keepdims=True)
            falling[:, :, 1:] = falls[:, :, :-1]
            moved[:, :, 1 : 1 + _STEPS] = _sent(up, same, rising, below)
            moved[:, :, 1 + _STEPS :] = _sent(down, same, falling, 1 - below)
        moved *= chances(mean)
        return moved, moved.sum(axis=(0, 1, 2))

    start = np.zeros((len(nodes), len(pairs), 1 + 2 * _STEPS, means.shape[1]))
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
