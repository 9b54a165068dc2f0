"""This module computes how soon a set of rules speaks; charts with a memory are elsewhere."""

from functools import cache

import numpy as np
from scipy import sparse
from scipy.special import ndtr

from drift.stats.rule_machines import ZONES, Machine, Step, machine_of, zones_of
from drift.stats.rules import rules_named
from drift.stats.run_length import Floats, RunLengths, follow
from drift.stats.run_length_climb import climb_run_lengths

# Readings this many sigmas from their mean do not occur (the chance is below 1e-22).
REACH = 10.0


def rule_run_lengths(
    means: Floats,
    *,
    rules: tuple[str, ...],
    limit_sigmas: float,
    resolution_sigmas: float = 0.0,
    offset_sigmas: float = 0.0,
) -> RunLengths:
    """Compute how many visits pass until the first of a set of rules speaks.

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
        Shape (zones, scenarios), in the order of `drift.stats.rule_machines.ZONES`.
    """
    third = limit_sigmas / 3
    if not resolution_sigmas:
        edges = np.array([-np.inf, -3, -2, -1, 0, 0, 1, 2, 3, np.inf]) * third
        return np.asarray(np.diff(ndtr(edges[:, None] - mean[None, :]), axis=0))
    step = resolution_sigmas
    reach = int(np.ceil((limit_sigmas + np.abs(mean).max() + REACH + step) / step))
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
