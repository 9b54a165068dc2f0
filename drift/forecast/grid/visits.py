"""This module turns a ledger into padded arrays that a filter can walk.

A *life* is what a series lives between two replacements of its gauge: its drift rate is one and
the same.  Lives, not series, are filtered; the last life of a series is the one to forecast.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from drift.arrays import Flags, Floats, Integers
from drift.forecast.grid.ledger_rows import rows_by_life

# A step below this is read as this one: no dial or display of an air meter resolves it.
_FINEST = 1e-6
# Arrays by life and visit that are taken as they come, and what stands where there is no visit.
_PADDED = {
    "visit": -1,
    "years": float("nan"),
    "found": float("nan"),
    "left": float("nan"),
    "found_count": 0,
    "reset": False,
    "mixed": False,
    "off": float("nan"),
    "occasion": -1,
    "jump": float("nan"),
    "jump_sd": float("nan"),
    "later": float("nan"),
    "later_sd": float("nan"),
    "jolt": False,
}


@dataclass(frozen=True, slots=True)
class Visits:
    """Visits of many lives, padded to the longest.

    Attributes
    ----------
    series, meter : array, shape (lives,)
        Series of the ledger; position of its meter in `meter_ids`.
    meter_ids : tuple of str
        Names of the meters.
    last : array of bool, shape (lives,)
        The life is its series' last.
    count : array, shape (lives,)
        Visits of each life.
    visit : array, shape (lives, visits)
        Visit number in the ledger, −1 where padded.
    years : array, shape (lives, visits)
        Time of each visit, `t_years`.
    found, left : array, shape (lives, visits, replicates)
        Biases of the replicates, % air, NaN where there are none.  Readings taken as left without
        any adjustment stand among `found`.
    found_count : array, shape (lives, visits)
        Replicates as found, without those taken as left.
    kind : array, shape (lives, visits)
        Position of the visit's resolution in `resolutions`.
    resolutions : array, shape (kinds,)
        The different steps to which dials are read, % air.
    reset : array of bool, shape (lives, visits)
        After its as-found readings the meter was adjusted for certain.
    mixed : array of bool, shape (lives, visits)
        It was read as found and as left without a record: read again, or adjusted.
    off : array, shape (lives, visits)
        Largest as-found mean of the points of the visit, without sign, % air, NaN for none.
    odds : array, shape (lives, visits)
        What the other points of a mixed visit say for an adjustment: the log of a likelihood ratio.
    occasion : array, shape (lives, visits)
        Number of the meter and visit, the same for all its points.
    jump, jump_sd : array, shape (lives, visits)
        Size of that adjustment where known and its standard uncertainty, % air, else NaN.
    later, later_sd : array, shape (lives, visits)
        The same of what was done after the visit, before the next, NaN for nothing or not known.
    jolt : array of bool, shape (lives, visits)
        Something unrecorded changed the meter before the visit.
    fresh : array of bool, shape (lives,)
        The life starts with an adjustment, not with a first visit.
    """

    series: Integers
    meter: Integers
    meter_ids: tuple[str, ...]
    last: Flags
    count: Integers
    visit: Integers
    years: Floats
    found: Floats
    left: Floats
    found_count: Integers
    kind: Integers
    resolutions: Floats
    reset: Flags
    mixed: Flags
    off: Floats
    odds: Floats
    occasion: Integers
    jump: Floats
    jump_sd: Floats
    later: Floats
    later_sd: Floats
    jolt: Flags
    fresh: Flags


@dataclass(frozen=True, slots=True)
class Dials:
    """How a fleet is read: what the rows of some of its meters cannot tell alone.

    Attributes
    ----------
    resolutions : array, shape (kinds,)
        The different steps to which dials are read, % air, rising.
    left_declared : bool
        As-left biases are right by definition, not by reading.
    """

    resolutions: Floats
    left_declared: bool


def read_dials(
    ledger: pl.DataFrame, *, resolution: float, further: tuple[float, ...] = ()
) -> Dials:
    """Return how the meters of a ledger are read; `resolution` as for `read_visits`.

    `further` are steps, % air, to which other dials of the fleet are read.
    """
    others = pl.DataFrame({"resolution_pct": further}, schema={"resolution_pct": pl.Float64})
    steps = pl.concat([one.select(_step(resolution)) for one in (ledger, others)])
    return Dials(
        resolutions=steps.unique().to_series().sort().to_numpy(),
        left_declared=_left_is_declared(ledger),
    )


def _step(resolution: float) -> pl.Expr:
    """Return the step to which each row's dial is read."""
    return pl.col("resolution_pct").fill_null(resolution).clip(lower_bound=_FINEST)


def read_visits(ledger: pl.DataFrame, *, resolution: float, dials: Dials | None = None) -> Visits:
    """Lay a ledger out as padded arrays.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`; it may have the further columns of
        `drift.meter.known_jumps.KNOWN_JUMPS`.
    resolution : float
        Step of a dial where the ledger gives none, % air.
    dials : Dials, optional
        How the whole fleet is read, where `ledger` is a part of it.

    Raises
    ------
    ValueError
        If the ledger is empty, a time or bias is not finite or a step is none of `dials`.
    """
    if ledger.is_empty():
        raise ValueError("the ledger is empty; expected at least one visit")
    dials = dials or read_dials(ledger, resolution=resolution)
    rows = rows_by_life(ledger, step=_step(resolution), left_declared=dials.left_declared)
    kind = np.searchsorted(dials.resolutions, rows.step)
    if not np.isin(rows.step, dials.resolutions).all():
        raise ValueError("column 'resolution_pct' holds a step that is none of the fleet's")
    life, count = rows.life, np.bincount(rows.life)
    starts = np.cumsum(count) - count
    place = np.arange(life.size) - starts[life]
    shape = (count.size, int(count.max()))

    def pad(values: NDArray[np.generic], fill: float) -> NDArray[np.generic]:
        padded = np.full((*shape, *values.shape[1:]), fill, dtype=values.dtype)
        padded[life, place] = values
        return padded

    series = rows.series[starts]
    meter_ids, meter = np.unique(rows.meter_id[starts].astype(str), return_inverse=True)
    return Visits(
        series=series,
        meter=meter,
        meter_ids=tuple(str(each) for each in meter_ids),
        last=np.append(series[1:] != series[:-1], True),
        count=count,
        fresh=rows.fresh[starts],
        resolutions=dials.resolutions,
        odds=np.zeros(shape),
        kind=pad(kind, 0),  # type: ignore[arg-type]  # stays integer
        **{name: pad(rows.columns[name], fill) for name, fill in _PADDED.items()},  # type: ignore[arg-type]  # arrays keep their types
    )


def recent_visits(visits: Visits, lives: Integers, first: Integers, *, width: int) -> Visits:
    """Return the lives `lives` from visit `first` on, at most `width` visits of them.

    Parameters
    ----------
    visits : Visits
        The fleet.
    lives, first : array, shape (lives,)
        Positions in `visits`, and the visit at which each begins.
    width : int
        Visits kept.
    """
    column = np.minimum(first[:, None] + np.arange(width), visits.years.shape[1] - 1)
    row = lives[:, None]
    return replace(
        visits,
        series=visits.series[lives],
        meter=visits.meter[lives],
        last=visits.last[lives],
        fresh=visits.fresh[lives],
        count=np.minimum(visits.count[lives] - first, width),
        visit=visits.visit[row, column],
        years=visits.years[row, column],
        found=visits.found[row, column],
        left=visits.left[row, column],
        found_count=visits.found_count[row, column],
        kind=visits.kind[row, column],
        reset=visits.reset[row, column],
        mixed=visits.mixed[row, column],
        off=visits.off[row, column],
        odds=visits.odds[row, column],
        occasion=visits.occasion[row, column],
        jump=visits.jump[row, column],
        jump_sd=visits.jump_sd[row, column],
        later=visits.later[row, column],
        later_sd=visits.later_sd[row, column],
        jolt=visits.jolt[row, column],
    )


def visits_before(visits: Visits, time: float) -> Visits:
    """Return the fleet as it was known just before `time` (`t_years`); lives may be empty."""
    seen = visits.years < time
    return replace(
        visits,
        count=seen.sum(axis=1),
        found=np.where(seen[:, :, None], visits.found, np.nan),
        left=np.where(seen[:, :, None], visits.left, np.nan),
        found_count=np.where(seen, visits.found_count, 0),
        reset=visits.reset & seen,
        mixed=visits.mixed & seen,
    )


def _left_is_declared(ledger: pl.DataFrame) -> bool:
    """Return whether as-left biases are right by definition, not by reading.

    Where the display is far finer than the biases found, readings as left cannot all be exactly
    right; a certificate with new coefficients can.
    """
    left = ledger["as_left_biases_pct"].drop_nulls().explode()
    found = ledger["as_found_bias_pct"].drop_nulls().abs()
    if left.is_empty() or found.is_empty():
        return False
    exact = (left.abs() < _FINEST).mean()
    resolution = ledger["resolution_pct"].drop_nulls().median()
    fine = resolution is not None and resolution < 0.1 * found.median()  # type: ignore[operator]  # numbers
    return bool(exact is not None and exact > 0.9 and fine)  # type: ignore[operator]  # numbers
