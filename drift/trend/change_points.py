"""This module finds when a path jumped and by how much, and puts recorded events beside it.

A jump is one drift step that lies too far from the others, with the drift, the reading noise and
the wander of the series all left free, so that neither a steady climb nor a wandering path passes
for one.
"""

import numpy as np
import polars as pl
from scipy import special

from drift.arrays import Flat, Floats, Integers, flatten, take_block
from drift.frames import DAYS_PER_YEAR, EPOCH, Schema, empty
from drift.trend import jump_scan, local_level, t_mixtures
from drift.trend.false_discovery import discovery_q
from drift.trend.fleet_drifts import FleetDrifts
from drift.trend.jump_blocks import JUMP_COLUMNS, JumpBlock, jump_blocks, weights_of_series

# A jump must pass this many of the dial's steps: a slow drift seen on a coarse dial climbs in jumps
# of one step.
_DIAL_STEPS = 1.25
_ROUNDS_OF_REFINING = 3
# No jump.
_NONE = -1

# Work on a meter beside which a jump is no riddle, the likelier cause first.
_TELLING = ("dropped", "gauge_replaced")

# One row per jump, by series and time: after and by are the ends of the interval for its date,
# size_low to size_high that of its size in % air.  event is the action of the service table that
# lies in that time, and event_on its day; null where none does.
JUMP_EVENTS: Schema = {
    "series": pl.Int64,
    "meter_id": pl.String,
    "point_pct": pl.Float64,
    "size": pl.Float64,
    "size_low": pl.Float64,
    "size_high": pl.Float64,
    "after": pl.Date,
    "by": pl.Date,
    "event": pl.String,
    "event_on": pl.Date,
}

# One row per series and jump of its unadjusted path, in time order.  It happened after the visit
# at t_before and was first seen at t_after; t_low to t_high is the interval for its date.  size is
# in % air, p for "there is none".  The drift of the series, % air per year, with its jumps taken
# out, is the same in all its rows.
CHANGES: Schema = {
    "series": pl.Int64,
    "t_before": pl.Float64,
    "t_after": pl.Float64,
    "t_low": pl.Float64,
    "t_high": pl.Float64,
    "size": pl.Float64,
    "size_low": pl.Float64,
    "size_high": pl.Float64,
    "p": pl.Float64,
    "drift": pl.Float64,
    "drift_low": pl.Float64,
    "drift_high": pl.Float64,
    "drift_p": pl.Float64,
}


def find_change_points(
    steps: pl.DataFrame,
    *,
    level: float = 0.05,
    false_discovery_rate: float = 0.05,
    most: int = 3,
    fewest: int = 8,
    fleet: FleetDrifts | None = None,
) -> pl.DataFrame:
    """Find the jumps of each series' path.

    Parameters
    ----------
    steps : pl.DataFrame
        Of `drift.meter.segments.drift_steps`.
    level : float
        Two-sided error probability of the intervals for date, size and drift.
    false_discovery_rate : float
        Share of false findings accepted among the series said to have jumped.
    most : int
        Most jumps looked for in a series.
    fewest : int
        Visits below which none is looked for, at least 6.
    fleet : FleetDrifts or None
        What is known of the fleet that these are some series of; None where they are all of it.

    Returns
    -------
    pl.DataFrame
        Columns of `drift.trend.change_points.CHANGES`, one row per jump, by series and time; series
        without one have no row.  A jump of no more than 1.25 steps of the dial is taken for drift.

    Raises
    ------
    ValueError
        If a setting is out of range or a step or time is not finite.

    Notes
    -----
    Each step in turn gets a jump of its own in the model of `drift.trend.local_level`, whose ratio
    of wander to noise is weighed anew, since a jump looks like wander as long as it is not in
    the model.  The most likely one is tested by its t statistic, the p value being multiplied
    by the number of steps (Bonferroni); over the fleet the false discovery rate is controlled.
    Further jumps are added one at a time while their p value is no larger than those accepted;
    then each is placed again given the others.  The interval for the date is the set of most
    likely steps that holds 1 − `level` of the posterior of a jump that way and at least half as
    large, from its first visit to its last.
    The rounding error of one reading is a floor under the scale (JCGM 100:2008, F.2.2.1).

    References
    ----------
    Chang, Tiao and Chen (1988), Technometrics 30, 193–204 (jumps and outliers found one by one
    with noise re-estimated); Cook and Weisberg (1982), Residuals and Influence in Regression,
    section 2.2 (Bonferroni for the largest deleted residual).  Both from memory.
    """
    _check(level=level, rate=false_discovery_rate, most=most, fewest=fewest)
    flat = flatten(steps, *JUMP_COLUMNS)
    weights, first, p = _first_jumps(flat, fewest=fewest, fleet=fleet)
    jumps = np.full((flat.series.size, most), _NONE)
    jumps[:, 0] = first
    every = p if fleet is None else fleet.jump_p
    accepted = discovery_q(p, among=None if fleet is None else every) <= false_discovery_rate
    jumps[~accepted] = _NONE
    if accepted.any():
        taken = every[discovery_q(every) <= false_discovery_rate]
        _add_further(flat, jumps, weights, p_limit=float(taken.max()))
    rows = [
        row
        for count in range(1, most + 1)
        for block in jump_blocks(flat, np.flatnonzero((jumps != _NONE).sum(axis=1) == count))
        for row in _report(flat, block, jumps[block.at, :count], weights, level=level)
    ]
    found = pl.concat(rows) if rows else pl.DataFrame(schema=CHANGES)
    return found.select(pl.col(name).cast(kind) for name, kind in CHANGES.items()).sort(
        "series", "t_after"
    )


def _first_jumps(
    flat: Flat, *, fewest: int, fleet: FleetDrifts | None
) -> tuple[Floats, Integers, Floats]:
    """Return weights of ratios, the likeliest jump of each series and its p value, NaN for none."""
    everyone = np.flatnonzero(flat.lengths >= fewest - 1)
    weights = weights_of_series(flat, everyone, fleet)
    first, p = np.full(flat.series.size, _NONE), np.full(flat.series.size, np.nan)
    for block in jump_blocks(flat, everyone):
        scan = jump_scan.scan_jumps(
            block.years, block.step, block.shares, weights=weights[block.at], floor=block.floor
        )
        first[block.at], p[block.at] = _test(scan, block.resolution)
    return weights, first, p


def first_jump_p(steps: pl.DataFrame, *, fleet: FleetDrifts, fewest: int = 8) -> Floats:
    """Return the p value of the likeliest jump of each series, shape (series,), NaN for none.

    Parameters
    ----------
    steps, fleet, fewest
        As for `find_change_points`.
    """
    return _first_jumps(flatten(steps, *JUMP_COLUMNS), fewest=fewest, fleet=fleet)[2]


def _check(*, level: float, rate: float, most: int, fewest: int) -> None:
    """Raise where a setting cannot be meant."""
    for name, value in (("level", level), ("false_discovery_rate", rate)):
        if not 0 < value < 1:
            raise ValueError(f"{name} is {value}; expected over 0 and under 1")
    if most < 1:
        raise ValueError(f"most is {most}; expected at least 1")
    if fewest < 6:
        raise ValueError(f"fewest is {fewest}; expected at least 6")


def _test(scan: jump_scan.Scan, resolution: Floats) -> tuple[Integers, Floats]:
    """Return the most likely step for a jump in each series, and its p value.

    The p value is 1 where the jump is no larger than the dial's steps make of a drift.
    """
    jump = scan.score.argmax(axis=0)
    estimate = jump_scan.size_of(scan, jump)
    tails = special.stdtr(scan.freedom, -np.abs(estimate.centre) / estimate.scale)
    p = 2 * len(scan.score) * (estimate.weight * tails).sum(axis=1)
    size = np.abs((estimate.weight * estimate.centre).sum(axis=1))
    return jump, np.where(size > _DIAL_STEPS * resolution, np.minimum(p, 1.0), 1.0)


def _add_further(flat: Flat, jumps: Integers, weights: Floats, *, p_limit: float) -> None:
    """Write further jumps into `jumps`, shape (series, most), as long as their p allows."""
    for known in range(1, jumps.shape[1]):
        open_ = np.flatnonzero((jumps[:, known - 1] != _NONE) & (flat.lengths >= known + 5))
        for block in jump_blocks(flat, open_):
            scan = jump_scan.scan_jumps(
                block.years,
                block.step,
                block.shares,
                weights=weights[block.at],
                floor=block.floor,
                known=jumps[block.at, :known],
            )
            jump, p = _test(scan, block.resolution)
            jumps[block.at, known] = np.where(p <= p_limit, jump, _NONE)


def _report(
    flat: Flat, block: JumpBlock, jumps: Integers, weights: Floats, *, level: float
) -> list[pl.DataFrame]:
    """Return a frame of one row a series for each jump, placed again given the others."""
    settled = jumps.copy()
    count = jumps.shape[1]

    def scan_without(index: int) -> jump_scan.Scan:
        others = np.delete(settled, index, axis=1)
        return jump_scan.scan_jumps(
            block.years,
            block.step,
            block.shares,
            weights=weights[block.at],
            floor=block.floor,
            known=others,
        )

    for _ in range(_ROUNDS_OF_REFINING if count > 1 else 0):
        for index in range(count):
            settled[:, index] = scan_without(index).score.argmax(axis=0)
    drift = _drift(block, settled, weights, level=level)
    ends = take_block(flat.columns["t_years"], flat.starts[block.at], block.step.shape[1])
    frames = []
    for index in range(count):
        scan = scan_without(index)
        jump, p = _test(scan, np.zeros(block.at.size))
        size = jump_scan.size_of(scan, jump)
        centre = (size.weight * size.centre).sum(axis=1)
        earliest, latest = jump_scan.likely_steps(scan, centre, level=level)
        rows = np.arange(block.at.size)
        starts = ends - block.years
        frames.append(
            pl.DataFrame(
                {
                    "series": flat.series[block.at],
                    "t_before": starts[rows, jump],
                    "t_after": ends[rows, jump],
                    "t_low": starts[rows, earliest],
                    "t_high": ends[rows, latest],
                    "size": centre,
                    "size_low": t_mixtures.mixture_quantile(size, level / 2),
                    "size_high": t_mixtures.mixture_quantile(size, 1 - level / 2),
                    "p": p,
                }
                | drift
            )
        )
    return frames


def _drift(
    block: JumpBlock, jumps: Integers, weights: Floats, *, level: float
) -> dict[str, Floats]:
    """Return each series' drift with its jumps taken out, its interval and its p value."""
    model = jump_scan.start_model(
        local_level.factor_covariance(block.years, block.shares), block.step
    )
    for jump in jumps.T:
        model = jump_scan.take_out(model, jump_scan.one_hot(jump, block.step.shape[1]))
    model = jump_scan.take_out(model, block.years)
    freedom = block.step.shape[1] - len(model.bases)
    squares = np.maximum(model.squares, local_level.LEAST_SQUARES)
    squares = np.maximum(squares, freedom * block.floor[:, None])
    log_likelihood = -(model.log_determinant + freedom * np.log(squares)) / 2
    information = model.bases[-1][1]
    mixed = t_mixtures.Mixtures(
        weight=local_level.ratio_posterior(log_likelihood, weights[block.at]),
        centre=model.coefficient,
        scale=np.sqrt(squares / freedom / information),
        freedom=float(freedom),
    )
    zero = np.zeros(block.at.size)
    return {
        "drift": (mixed.weight * mixed.centre).sum(axis=1),
        "drift_low": t_mixtures.mixture_quantile(mixed, level / 2),
        "drift_high": t_mixtures.mixture_quantile(mixed, 1 - level / 2),
        "drift_p": 2 * np.minimum(t_mixtures.below(mixed, zero), t_mixtures.above(mixed, zero)),
    }


def link_jumps(
    changes: pl.DataFrame, *, ledger: pl.DataFrame, service: pl.DataFrame
) -> pl.DataFrame:
    """Return the jumps of a fleet with the drop or replacement at whose time they happened.

    Parameters
    ----------
    changes : pl.DataFrame
        Frame of `drift.trend.change_points.CHANGES`.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`: which meter and point each series is.
    service : pl.DataFrame
        Input table `service`.

    Returns
    -------
    pl.DataFrame
        Frame of `JUMP_EVENTS`.  That two things happened at one time shows no cause.
    """
    if changes.is_empty():
        return empty(JUMP_EVENTS)
    points = ledger.select("series", "meter_id", "point_pct").unique()
    jumps = changes.join(points, on="series").with_columns(
        after=_to_date("t_low"), by=_to_date("t_high")
    )
    events = service.filter(pl.col("action").is_in(_TELLING)).select(
        "meter_id", event="action", event_on="performed_on"
    )
    met = (
        jumps.select("series", "t_after", "meter_id", "after", "by")
        .join(events, on="meter_id")
        .filter(pl.col("event_on").is_between("after", "by"))
        .sort(pl.col("event").replace_strict({name: at for at, name in enumerate(_TELLING)}))
        .unique(["series", "t_after"], keep="first", maintain_order=True)
        .select("series", "t_after", "event", "event_on")
    )
    return (
        jumps.join(met, on=["series", "t_after"], how="left")
        .sort("series", "t_after")
        .select(JUMP_EVENTS.keys())
        .cast(JUMP_EVENTS)  # type: ignore[arg-type]  # names to types
    )


def _to_date(column: str) -> pl.Expr:
    """Return the day on which a time in years since the epoch falls."""
    return pl.lit(EPOCH) + pl.duration(
        days=(pl.col(column) * DAYS_PER_YEAR).round(0).cast(pl.Int64)
    )
