"""This module lays out a past span of one series, day by day and visit by visit.

What was known before each day goes forward, what later readings tell goes backward; where they
meet is for `drift.forecast.smooth` to say.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from drift.arrays import Floats
from drift.forecast.grid.filter import walk
from drift.forecast.grid.lattice import Carry, Lattice, carry, make_lattice, reading_likelihood
from drift.forecast.grid.model import Masses, wide_mass
from drift.forecast.grid.predict import Model
from drift.forecast.grid.reading_likelihood import make_tables
from drift.forecast.grid.state import State, take
from drift.forecast.grid.visits import Visits
from drift.frames import DAYS_PER_YEAR

# Times in a span: every day, or every so many days where it is longer.
_MOST_TIMES = 400
# Probability that a recorded drop changed the reading; judgement, no source.
_DROP_TELLS = 0.5
# Cells of the lattice at most; a reading that lies farther off is a slip of the pen.
_MOST_CELLS = 500


@dataclass(frozen=True, slots=True)
class _Steps:
    """What passes between neighbouring times, computed once for all that are alike."""

    lattice: Lattice
    drops: Floats
    jolts: Floats
    kernels: dict[tuple[int, float | None], Carry]

    def between(self, time: float, until: float) -> Carry:
        """Return what the time between does.

        A drop falls on the day that it closes, an unrecorded change on that of the visit that
        met it.
        """

        def holds(times: Floats) -> bool:
            return bool(((times > time + 1e-9) & (times <= until + 1e-9)).any())

        shock = 1.0 if holds(self.jolts) else _DROP_TELLS if holds(self.drops) else None
        key = (round((until - time) * DAYS_PER_YEAR * 1e3), shock)
        if key not in self.kernels:
            self.kernels[key] = carry(self.lattice, time, until, shock=shock)
        shift = self.lattice.offsets(until)[0] - self.lattice.offsets(time)[0]
        return Carry(shift, self.kernels[key].kernels)


@dataclass(frozen=True, slots=True)
class _Meeting:
    """What a visit does: readings as found, then perhaps an adjustment with readings as left.

    Attributes
    ----------
    found, left : array, shape (kinds, rates, cells)
        Probability of the readings at each level.
    reset : array, shape (rates, cells) or (cells, cells), or None
        Where an adjustment puts the level: anew, or from each level by a known jump; None for
        no adjustment.
    jumps : bool
        `reset` is by a known jump.
    share : float
        Probability of the adjustment before the readings as left are seen.
    later : array, shape (cells, cells), or None
        What was done after the visit, by a known jump.
    """

    found: Floats
    left: Floats
    reset: Masses | None
    jumps: bool
    share: float
    later: Masses | None

    def ahead(self, mass: Floats) -> Floats:
        """Return `mass`, shape (…, kinds, rates, cells), after the visit."""
        mass = mass * self.found
        if self.reset is not None and self.jumps:
            mass = mass @ self.reset
        elif self.reset is not None:
            fresh = mass.sum(axis=-1, keepdims=True) * self.reset
            mass = self.share * fresh + (1 - self.share) * mass
        mass = mass * self.left
        return mass if self.later is None else mass @ self.later

    def back(self, message: Floats) -> Floats:
        """Return the probability of the visit and all that comes later from before it."""
        if self.later is not None:
            message = message @ self.later.T
        message = message * self.left
        if self.reset is not None and self.jumps:
            message = message @ self.reset.T
        elif self.reset is not None:
            fresh = (message * self.reset).sum(axis=-1, keepdims=True)
            message = self.share * fresh + (1 - self.share) * message
        message = message * self.found
        scaled: Floats = message / message.max()
        return scaled


@dataclass(frozen=True, slots=True)
class Span:
    """A span: what was known when it opened, its times, what lies between and what was met.

    Attributes
    ----------
    lattice : Lattice
        Of its levels.
    mass : array, shape (kinds, rates, cells)
        What was known at its first time.
    times : array
        `t_years`.
    carries : list of Carry
        From each time to the next.
    meetings : dict of int to _Meeting
        Visits by the position of their time, that which closes the span among them.
    """

    lattice: Lattice
    mass: Floats
    times: Floats
    carries: list[Carry]
    meetings: dict[int, _Meeting]


def open_span(
    visits: Visits, life: int, model: Model, *, first: int, until: int, drops: Floats
) -> Span:
    """Lay out a span."""
    low, high = _range(visits, life, first, model)
    state = _after(visits, life, first, model)
    lattice, mass = make_lattice(state, low, high, hyper=model.hyper, grid=model.grid)
    ends = visits.years[life, first : until + 1]
    times = _times(float(ends[0]), ends[1:])
    if lattice.start < times[0]:
        # The visit that opens the span had no reading: time has passed since the last one.
        mass = carry(lattice, lattice.start, float(times[0])).ahead(mass)
    jolts = ends[visits.jolt[life, first : until + 1]]
    steps = _Steps(lattice, drops, jolts, {})
    return Span(
        lattice=lattice,
        mass=mass,
        times=times,
        carries=[steps.between(times[i], times[i + 1]) for i in range(times.size - 1)],
        meetings={
            int(np.searchsorted(times, ends[j - first] - 1e-9)): _meet(visits, life, j, lattice)
            for j in range(first + 1, until + 1)
        },
    )


def known_before(chain: Span, tolerance: float) -> list[Masses]:
    """Return what is known at each time from before, shape (2, kinds, rates, cells).

    In the first place stand all paths, in the second those that were inside on every day so far.
    """
    both = np.stack([chain.mass, chain.mass * inside(chain.lattice, chain.times[0], tolerance)])
    known: list[Masses] = [both]
    for place, each in enumerate(chain.carries, start=1):
        if place - 1 in chain.meetings:
            both = chain.meetings[place - 1].ahead(both)
        both = each.ahead(both)
        both[1] *= inside(chain.lattice, chain.times[place], tolerance)
        both /= both[0].sum()
        known.append(both.astype(np.float32))
    return known


def told_later(visits: Visits, life: int, until: int, lattice: Lattice) -> Floats:
    """Return the probability of all that comes after visit `until`, from right after it."""
    shape = (len(lattice.hyper.kinds), lattice.grid.drifts.size, lattice.cells)
    message = np.ones(shape)
    for j in range(int(visits.count[life]) - 1, until, -1):
        message = _meet(visits, life, j, lattice).back(message)
        between = visits.years[life, j - 1 : j + 1]
        shock = 1.0 if visits.jolt[life, j] else None
        message = carry(lattice, float(between[0]), float(between[1]), shock=shock).back(message)
        message /= message.max()
    return message


def inside(lattice: Lattice, time: float, tolerance: float) -> Floats:
    """Return the share of each cell that lies within the tolerance, shape (rates, cells)."""
    beyond = (np.abs(lattice.levels(time)) - tolerance) / lattice.grid.step
    inside: Floats = np.clip(0.5 - beyond, 0.0, 1.0)
    return inside


def _after(visits: Visits, life: int, first: int, model: Model) -> State:
    """Return what is known of a life after visit `first` from the visits until then."""
    kept: list[State] = []

    def watch(j: int, _: int, state: State) -> None:
        if j - 1 == first:
            kept.append(take(state, np.array([0])))

    tables = make_tables(model.hyper, model.grid, resolutions=visits.resolutions)
    walk(
        visits,
        np.array([life]),
        hyper=model.hyper,
        grid=model.grid,
        tables=tables,
        watch=watch,
    )
    return kept[0]


def _range(visits: Visits, life: int, first: int, model: Model) -> tuple[float, float]:
    """Return the levels between which a life is followed from visit `first` on."""
    last = int(visits.count[life])
    both = (visits.found[life, first:last], visits.left[life, first:last])
    readings = np.concatenate([each[~np.isnan(each)] for each in both])
    readings = np.append(readings, [-model.settings.tolerance, model.settings.tolerance])
    noisiest = max(kind.noise for kind in model.hyper.kinds) * model.hyper.noise_sd
    margin = visits.resolutions.max() / 2 + 3 * noisiest + model.hyper.shock_size
    half = model.grid.step * _MOST_CELLS / 2
    middle = float(np.median(readings))
    near = np.clip(readings, middle - half + margin, middle + half - margin)
    return float(near.min() - margin), float(near.max() + margin)


def _times(start: float, ends: Floats) -> Floats:
    """Return the days from `start` to the last of `ends`, all of which are among them."""
    days = round((ends[-1] - start) * DAYS_PER_YEAR)
    gap = max(1, int(np.ceil(days / _MOST_TIMES)))
    even = start + np.arange(0, days, gap) / DAYS_PER_YEAR
    away = np.abs(even[1:, None] - ends).min(axis=1) * DAYS_PER_YEAR
    times: Floats = np.unique(np.concatenate([even[:1], even[1:][away > 0.5], ends]))
    return times


def _meet(visits: Visits, life: int, j: int, lattice: Lattice) -> _Meeting:
    """Return what visit `j` of a life does."""
    time, hyper, grid = float(visits.years[life, j]), lattice.hyper, lattice.grid
    resolution = float(visits.resolutions[visits.kind[life, j]])
    found, left = (
        reading_likelihood(lattice, time, each[life, j], resolution=resolution)
        for each in (visits.found, visits.left)
    )
    reset, later, jump = None, None, float(visits.jump[life, j])
    if visits.reset[life, j] and not np.isnan(jump):
        sd = float(visits.jump_sd[life, j])
        reset = wide_mass(lattice.lags(jump), sd=hyper.reset_sd if np.isnan(sd) else sd, grid=grid)
    elif visits.reset[life, j] or visits.mixed[life, j]:
        reset = wide_mass(lattice.levels(time), sd=hyper.reset_sd, grid=grid)
    if not np.isnan(visits.later[life, j]):
        shift, sd = float(visits.later[life, j]), float(visits.later_sd[life, j])
        later = wide_mass(lattice.lags(shift), sd=sd, grid=grid)
    share = 1.0
    if visits.mixed[life, j]:
        odds = special.logit(hyper.habit.share(visits.off[life, j])) + visits.odds[life, j]
        share = float(special.expit(odds))
    return _Meeting(found, left, reset, not np.isnan(jump), share, later)
