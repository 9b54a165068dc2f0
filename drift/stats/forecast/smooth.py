"""This module says what a meter's bias was on each day of a past span, from all of its readings.

Readings after a day tell of it as those before do: where a meter is found out of tolerance, the
days before the check are judged in the light of the check.  Forward and backward recursions of a
hidden Markov model on the filter's model (Rabiner, 1989, Proceedings of the IEEE 77, 257–286,
section III; from memory).
"""

from dataclasses import dataclass

import numpy as np

from drift.stats.blocks import Floats, Integers
from drift.stats.forecast.lattice import Lattice
from drift.stats.forecast.predict import Model
from drift.stats.forecast.span import inside, known_before, open_span, told_later
from drift.stats.forecast.visits import Visits

# Parts of a cell in which levels are counted.
_PARTS = 4
# Shares of probability below the equally likely values that are given.
_SHARES = (np.arange(40) + 0.5) / 40


@dataclass(frozen=True, slots=True)
class Smoothed:
    """What is known of a series on the days of a span; arrays of shape (times,), % air.

    Attributes
    ----------
    years : array
        The days, `t_years`, from the visit that opens the span (as left) to the one that closes it
        (as found).
    level, low, high : array
        Mean and band of the true bias.
    sd : array
        Its standard deviation.
    p_below, p_above : array
        P(true bias out of tolerance) on either side.
    p_been_out : array
        P(out of tolerance on that day or on one before it in the span).
    quantiles : array, shape (times, shares)
        Equally likely values of the true bias, rising.
    """

    years: Floats
    level: Floats
    sd: Floats
    low: Floats
    high: Floats
    p_below: Floats
    p_above: Floats
    p_been_out: Floats
    quantiles: Floats


def smooth(
    visits: Visits,
    life: int,
    model: Model,
    *,
    first: int,
    until: int,
    drops: Floats | None = None,
) -> Smoothed:
    """Say what the true bias of one life was on each day between two of its visits.

    Parameters
    ----------
    visits : Visits
        The fleet.
    life : int
        Position in `visits`.
    model : Model
        Of the fleet.
    first, until : int
        Visits that open and close the span, counted from 0 in the life; `first` < `until`.
    drops : array, optional
        Times of recorded drops, `t_years`: each makes a shock on its day as likely as not.

    Raises
    ------
    ValueError
        If the life has no such visits.
    """
    count = int(visits.count[life])
    if not 0 <= first < until < count:
        raise ValueError(f"visits {first} to {until} asked for; expected two of {count} in order")
    chain = open_span(
        visits, life, model, first=first, until=until, drops=np.empty(0) if drops is None else drops
    )
    known = known_before(chain, model.settings.tolerance)
    message = told_later(visits, life, until, chain.lattice)
    told, quantiles = [], []
    for place in range(chain.times.size - 1, -1, -1):
        if place in chain.meetings:
            message = chain.meetings[place].back(message)
        joint = known[place] * message
        joint = joint / joint[0].sum()
        time = float(chain.times[place])
        curve = _cumulated(joint[0].sum(axis=0), chain.lattice, time)
        told.append(_describe(joint, curve, chain.lattice, time, model))
        quantiles.append(np.interp(_SHARES, *curve))
        if place > 0:
            message = chain.carries[place - 1].back(message)
            message /= message.max()
    level, sd, low, high, below, above, been_out = np.array(told[::-1]).T
    return Smoothed(
        years=chain.times,
        level=level,
        sd=sd,
        low=low,
        high=high,
        p_below=below,
        p_above=above,
        p_been_out=np.maximum.accumulate(been_out),
        quantiles=np.array(quantiles[::-1]),
    )


def _cumulated(mass: Floats, lattice: Lattice, time: float) -> tuple[Floats, Floats]:
    """Return the mass below rising levels, and these, % air, from mass by rate and cell."""
    part = lattice.grid.step / _PARTS
    bottom = lattice.bottom - lattice.grid.step
    place: Integers = np.rint((lattice.levels(time) - bottom) / part).astype(np.int64)
    counted = np.bincount(place.ravel(), weights=mass.ravel())
    # Each level stands for a step about it.
    below = np.cumsum(np.convolve(counted, np.full(_PARTS, 1 / _PARTS)))
    levels: Floats = bottom + part * (np.arange(below.size, dtype=np.float64) + 1 - _PARTS / 2)
    return below, levels


def _describe(
    joint: Floats, curve: tuple[Floats, Floats], lattice: Lattice, time: float, model: Model
) -> list[float]:
    """Return level, sd, low, high, P(below), P(above) and P(been out) at one time."""
    levels = lattice.levels(time)
    mass = joint[0].sum(axis=0)
    mean = float((mass * levels).sum())
    sd = float(np.sqrt((mass * (levels - mean) ** 2).sum()))
    outside = mass * (1 - inside(lattice, time, model.settings.tolerance))
    share = (1 - model.settings.band_level) / 2
    low, high = np.interp([share, 1 - share], *curve)
    return [
        mean,
        sd,
        float(low),
        float(high),
        float(outside[levels < 0].sum()),
        float(outside[levels > 0].sum()),
        float(1 - joint[1].sum()),
    ]
