"""This module says what a meter's bias was on each day of a past span, from all of its readings.

Readings after a day tell of it as those before do: where a meter is found out of tolerance, the
days before the check are judged in the light of the check.  Forward and backward recursions of a
hidden Markov model on the filter's model (Rabiner, 1989, Proceedings of the IEEE 77, 257–286,
section III; from memory), all points of a meter together.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from drift.arrays import Floats, Integers
from drift.forecast.fit import fit_fleet
from drift.forecast.forecasts import any_out
from drift.forecast.grid.content import in_order_of_content
from drift.forecast.grid.lattice import Lattice
from drift.forecast.grid.model import Settings, make_grid
from drift.forecast.grid.predict import Model
from drift.forecast.grid.span import inside, known_before, open_span, told_later
from drift.forecast.grid.visits import Visits, read_visits
from drift.forecast.habits import with_points_heard
from drift.forecast.learn import point_ties
from drift.frames import DAYS_PER_YEAR, EPOCH, Schema

# Parts of a cell in which levels are counted.
_PARTS = 4
# Shares of probability below the equally likely values that are given.
_SHARES = (np.arange(40) + 0.5) / 40

# One row per point and day of a span: the true bias with its band, the probability that it is out
# of tolerance on that day, and that it has been out on that day or one before it in the span.
PATH: Schema = {
    "point_pct": pl.Float64,
    "on_date": pl.Date,
    "bias_pct": pl.Float64,
    "low_pct": pl.Float64,
    "high_pct": pl.Float64,
    "p_out": pl.Float64,
    "p_been_out": pl.Float64,
}


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


def smooth_point(
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
    message = told_later(visits, life, until=until, lattice=chain.lattice)
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
        # A sum of chances may pass 1 by its last digit; the complement then has no logarithm.
        p_been_out=np.clip(np.maximum.accumulate(been_out), 0.0, 1.0),
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


@dataclass(frozen=True, slots=True)
class Hindsight:
    """What is known of a meter on the days of a span; arrays of shape (points, days), % air.

    Attributes
    ----------
    points_pct : array, shape (points,)
        Verification points; none where the span cannot be followed.
    days : list of date
        Days, at most some 400, the first and last of the span among them.
    bias, low, high : array
        True bias and its band.
    p_out, p_been_out : array
        P(out of tolerance on the day), P(out on it or a day before).
    quantiles : array, shape (points, days, shares)
        Equally likely values of the true bias.
    any_out, any_been_out : array, shape (days,)
        The same probabilities for the meter: out at any point.
    """

    points_pct: Floats
    days: list[date]
    bias: Floats
    low: Floats
    high: Floats
    p_out: Floats
    p_been_out: Floats
    quantiles: Floats
    any_out: Floats
    any_been_out: Floats

    def path(self) -> pl.DataFrame:
        """Return the frame of `PATH`, sorted by point and day."""
        points, days = self.bias.shape
        return pl.DataFrame(
            {
                "point_pct": np.repeat(self.points_pct, days),
                "on_date": self.days * points,
                "bias_pct": self.bias.ravel(),
                "low_pct": self.low.ravel(),
                "high_pct": self.high.ravel(),
                "p_out": self.p_out.ravel(),
                "p_been_out": self.p_been_out.ravel(),
            },
            schema=PATH,
        )

    def been_out_on(self, shares: tuple[float, ...]) -> list[date | None]:
        """Return the days by which `shares` of the chance of having been out had come.

        None where it was hardly ever out (under 1 % by the last day).
        """
        chance = self.any_been_out
        if chance.size == 0 or chance[-1] < 0.01:
            return [None] * len(shares)
        places = np.searchsorted(chance / chance[-1], np.array(shares) - 1e-9)
        return [self.days[int(place)] for place in places]


def smooth(
    ledger: pl.DataFrame,
    *,
    meter_id: str,
    opened: date,
    closed: date,
    drops: tuple[date, ...] = (),
    settings: Settings | None = None,
) -> Hindsight:
    """Follow one meter from the visit on `opened` (as left) to that on `closed` (as found).

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER` of the whole fleet, with known jumps where there are
        any.
    meter_id : str
        A meter of the ledger.
    opened, closed : date
        Days of two of its visits, in order.  Points not read on `closed` are left out; where the
        gauge was replaced in between, a point is followed from then on.
    drops : tuple of date
        Recorded drops.
    settings : Settings, optional
        The caller's choices.

    Returns
    -------
    Hindsight
        Without points where none can be followed.
    """
    settings = settings or Settings()
    visits = in_order_of_content(read_visits(ledger, resolution=settings.resolution))
    fit = fit_fleet(visits, tolerance=settings.tolerance, sample=settings.sample)
    model = Model(settings, fit.hyper, make_grid(fit.hyper, resolutions=visits.resolutions))
    visits = with_points_heard(visits, hyper=model.hyper, grid=model.grid)
    rows = ledger.filter(pl.col("meter_id") == meter_id).sort("point_pct", "visit")
    dropped = np.array([_years(day) for day in drops])
    followed: dict[float, Smoothed] = {}
    for (point, series), visit_rows in rows.group_by("point_pct", "series", maintain_order=True):
        numbers = dict(visit_rows.select("performed_on", "visit").iter_rows())
        span = _span(visits, int(series), numbers, opened=opened, closed=closed)
        if span is not None:
            life, first, until = span
            followed[float(point)] = smooth_point(
                visits, life, model, first=first, until=until, drops=dropped
            )
    tie, _ = point_ties(visits, model)
    return _gathered(followed, opened=opened, closed=closed, tie=tie)


def _years(day: date) -> float:
    """Return a day in years since the epoch."""
    return (day - EPOCH).days / DAYS_PER_YEAR


def _span(
    visits: Visits, series: int, numbers: dict[date, int], *, opened: date, closed: date
) -> tuple[int, int, int] | None:
    """Return the life of a series and its visits that open and close a span, None for none."""
    if closed not in numbers:
        return None
    start = max((number for day, number in numbers.items() if day <= opened), default=0)
    for life in np.flatnonzero(visits.series == series):
        number = visits.visit[life, : visits.count[life]]
        until = np.flatnonzero(
            (number == numbers[closed]) & (visits.years[life, 0] < _years(closed))
        )
        if until.size and until[0] > 0:
            first = np.flatnonzero(number <= start)
            return int(life), int(first[-1]) if first.size else 0, int(until[0])
    return None


def _gathered(
    followed: dict[float, Smoothed], *, opened: date, closed: date, tie: float
) -> Hindsight:
    """Put the points on common days."""
    times = np.unique(np.concatenate([[], *(each.years for each in followed.values())]))
    whole = np.unique(np.rint(times * DAYS_PER_YEAR)).astype(np.int64)
    days = [date.fromordinal(EPOCH.toordinal() + int(day)) for day in whole]
    kept = [place for place, day in enumerate(days) if opened <= day <= closed]
    at, points = whole[kept] / DAYS_PER_YEAR, list(followed.values())

    def on_days(of: Callable[[Smoothed], Floats]) -> Floats:
        each = [np.interp(at, one.years, of(one)) for one in points]
        return np.array(each).reshape(len(points), at.size)

    below, above = on_days(lambda one: one.p_below), on_days(lambda one: one.p_above)
    been = on_days(lambda one: one.p_been_out)
    meter = np.zeros(len(points), dtype=np.int64)
    any_out_now, any_been = (
        np.array(
            [
                any_out(low[:, day], high[:, day], meter, meters=1, tie=tie)[0]
                for day in range(at.size if points else 0)
            ]
        )
        for low, high in ((below, above), (np.zeros_like(been), been))
    )
    shares = [
        [np.interp(at, one.years, quantile) for quantile in one.quantiles.T] for one in points
    ]
    return Hindsight(
        points_pct=np.array(list(followed)),
        days=[days[place] for place in kept],
        bias=on_days(lambda one: one.level),
        low=on_days(lambda one: one.low),
        high=on_days(lambda one: one.high),
        p_out=below + above,
        p_been_out=been,
        quantiles=np.array(shares)
        .reshape(len(points), -1 if points else 0, at.size)
        .transpose(0, 2, 1),
        any_out=any_out_now,
        any_been_out=np.maximum.accumulate(any_been) if any_been.size else any_been,
    )
