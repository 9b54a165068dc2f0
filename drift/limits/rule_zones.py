"""This module turns rules into state machines over zones.

A rule is a *step*: from what it remembers and the newest point to what it remembers next and
whether it signalled.  The newest point reaches it as a zone and a direction alone, so that a finite
table can stand for the rule.  The same tables judge charted points and give the exact run lengths,
so that what is promised and what is done cannot differ.

Zones are signed thirds of the distance from the centre to the limit: ±1 the inner third, ±2 the
middle third, ±3 the outer third, ±4 beyond the limit, 0 on the centre itself.  On 3-sigma charts a
third is one standard deviation.  The direction is +1 for a rise from the point before, −1 for a
fall, 0 for a tie or a first point.

A reading stands for every value that is rounded to it.  It counts as past the centre or past a
third only where all of them are, so that a coarse dial never makes a run rule signal where it would
have been silent on unrounded values.  The limit itself is compared as it stands: whoever set it has
reckoned with the steps of the dial.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Memory = tuple[int, ...]
Step = Callable[[Memory, int, int], tuple[Memory, bool]]
Symbol = tuple[int, int]

ZONES = tuple(range(-4, 5))
DIRECTIONS = (-1, 0, 1)
OUTER, MIDDLE = 3, 2
LONG_RUN = 8
CLIMB = 6
# A point this close to a bound lies on it: biases come from decimals and are stored in binary.
MARGIN = 1e-9


@dataclass(frozen=True, slots=True)
class Machine:
    """A step, or several at once, as tables.

    Attributes
    ----------
    following : NDArray[np.int32]
        Shape (states, symbols): the state after a symbol.  State 0 is the start, to which a rule
        returns when it has signalled.
    speaks : NDArray[np.bool_]
        Same shape: whether a rule signals on that symbol.
    """

    following: NDArray[np.int32]
    speaks: NDArray[np.bool_]


def zones_of(
    deviation: NDArray[np.float64],
    *,
    third: NDArray[np.float64] | float,
    half_step: NDArray[np.float64] | float,
) -> NDArray[np.int64]:
    """Return the zone of each point.

    Parameters
    ----------
    deviation : NDArray[np.float64]
        Value minus centre, any shape.
    third : NDArray[np.float64] or float
        A third of the distance from the centre to the limit on that side, same unit.
    half_step : NDArray[np.float64] or float
        Half the step that the value is rounded to, same unit; 0 where it is not rounded.
    """
    size = np.abs(deviation)
    certain = size - half_step
    depth = (certain > MARGIN).astype(np.int64)
    for edge in (1, 2):
        depth += certain > edge * third + MARGIN
    depth = np.where(size > 3 * third + MARGIN, 4, depth)
    return np.where(deviation > 0, depth, -depth)


def side_of(zone: int, least: int) -> int:
    """Return +1 or −1 for a point in zone `least` or farther out, else 0."""
    if abs(zone) < least:
        return 0
    return 1 if zone > 0 else -1


def _some_of_last(memory: Memory, side: int, *, need: int, window: int) -> tuple[Memory, bool]:
    """Speak when `need` of the last `window` points, the newest among them, are on one side."""
    recent = (*memory, side)[-window:]
    if side and recent.count(side) >= need:
        return (), True
    kept = list(recent[1:] if len(recent) == window else recent)
    while kept and not kept[0]:
        kept.pop(0)
    return tuple(kept), False


def beyond_limits(memory: Memory, zone: int, direction: int) -> tuple[Memory, bool]:
    """Speak on a point beyond a control limit."""
    del memory, direction
    return (), abs(zone) == 4


def two_of_three_outer(memory: Memory, zone: int, direction: int) -> tuple[Memory, bool]:
    """Speak when two of three points lie in the outer third or beyond, on one side."""
    del direction
    return _some_of_last(memory, side_of(zone, OUTER), need=2, window=3)


def four_of_five_middle(memory: Memory, zone: int, direction: int) -> tuple[Memory, bool]:
    """Speak when four of five points lie in the middle third or farther out, on one side."""
    del direction
    return _some_of_last(memory, side_of(zone, MIDDLE), need=4, window=5)


def long_run_one_side(memory: Memory, zone: int, direction: int) -> tuple[Memory, bool]:
    """Speak when eight points in a row lie on one side of the centre."""
    del direction
    return _run(memory, side_of(zone, 1), length=LONG_RUN)


def steady_climb(memory: Memory, zone: int, direction: int) -> tuple[Memory, bool]:
    """Speak when six points in a row each lie higher, or each lower, than the one before."""
    del zone
    return _run(memory, direction, length=CLIMB - 1)


def wide_swing(memory: Memory, zone: int, direction: int) -> tuple[Memory, bool]:
    """Speak when a point in the outer third or beyond follows one on the other side."""
    del direction
    side = side_of(zone, OUTER)
    if side and memory == (-side,):
        return (), True
    return ((side,) if side else ()), False


def _run(memory: Memory, mark: int, *, length: int) -> tuple[Memory, bool]:
    """Speak when `mark` (not 0) has come `length` times in a row."""
    if not mark:
        return (), False
    count = memory[1] + 1 if memory and memory[0] == mark else 1
    return ((), True) if count == length else ((mark, count), False)


def machine_of(steps: tuple[Step, ...], *, symbols: Iterable[Symbol]) -> Machine:
    """Build the machine that runs `steps` side by side, by listing what they can remember.

    Parameters
    ----------
    steps : tuple of Step
        The rules; the machine speaks when any of them does.
    symbols : iterable of (zone, direction)
        What a point can be, in the order of the tables' columns.

    Returns
    -------
    Machine
        With states that no continuation can tell apart merged into one.

    References
    ----------
    C. W. Champ and W. H. Woodall (1987), Exact results for Shewhart control charts with
    supplementary runs rules, Technometrics 29, 393-399: the rules as a chain over histories.
    Merging is the partition refinement of E. F. Moore (1956).
    """
    columns = tuple(symbols)
    start: tuple[Memory, ...] = ((),) * len(steps)
    number = {start: 0}
    waiting = [start]
    following: list[list[int]] = []
    speaks: list[list[bool]] = []
    for memories in waiting:
        nexts, spoken = [], []
        for zone, direction in columns:
            moved = [
                step(memory, zone, direction) for step, memory in zip(steps, memories, strict=True)
            ]
            after = tuple(memory for memory, _ in moved)
            if after not in number:
                number[after] = len(number)
                waiting.append(after)
            nexts.append(number[after])
            spoken.append(any(spoke for _, spoke in moved))
        following.append(nexts)
        speaks.append(spoken)
    return _merged(
        Machine(
            following=np.array(following, dtype=np.int32), speaks=np.array(speaks, dtype=np.bool_)
        )
    )


def _merged(machine: Machine) -> Machine:
    """Merge the states that every sequence of symbols treats alike; the start stays state 0."""
    classes = np.unique(machine.speaks, axis=0, return_inverse=True)[1].ravel()
    while True:
        described = np.column_stack([classes, classes[machine.following]])
        finer = np.unique(described, axis=0, return_inverse=True)[1].ravel()
        if finer.max() == classes.max():
            break
        classes = finer
    # The start's class is swapped with class 0, and one state stands for each class.
    swap = np.arange(classes.max() + 1)
    swap[[0, classes[0]]] = swap[[classes[0], 0]]
    classes = swap[classes]
    example = np.unique(classes, return_index=True)[1]
    return Machine(
        following=classes[machine.following[example]].astype(np.int32),
        speaks=machine.speaks[example],
    )
