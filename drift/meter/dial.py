"""This module is the physics of a pressure-type meter: what the dial shows when something is off.

Isothermal release of a chamber at gauge pressure p1 into a bowl that holds a % of air gives
p2 = p1 / (1 + a/k), with k = 100·Vc/Vb the *chamber scale* in % air.  Barometric pressure cancels.
The dial is scaled for a nominal initial pressure, and the operator pumps the hand to the mark, so
that a fault of the dial that is the same at setting and at reading cancels too.

References
----------
Boyle's law for both sides at atmospheric pressure before release; ASTM C231, Type B meter (working
principle; from memory, to be checked against the current edition).
"""

import numpy as np
import numpy.typing as npt
import polars as pl

from drift.arrays import Floats
from drift.frames import Schema

# Air content at which amplitudes of a cause are stated, % air.
STATED_AT_PCT = 5.0
# Chamber scale where neither the meter's record nor its mark moves say: median and standard
# deviation of its logarithm.  Common practice, no source: chambers hold about a twentieth of the
# bowl.
USUAL_SCALE = 5.0
USUAL_SCALE_LOG_SD = 0.25

# One row per meter of the ledger, sorted: chamber scale k and its standard deviation, % air, and
# the nominal initial pressure, null where not on record.
DIALS: Schema = {
    "meter_id": pl.String,
    "k": pl.Float64,
    "k_sd": pl.Float64,
    "initial_pressure_kpa": pl.Float64,
}
# A chamber ratio on record was measured to about this share (common practice, no source).
_RATIO_SHARE = 0.02
_ESTIMATES: Schema = {
    "meter_id": pl.String,
    "estimate": pl.Float64,
    "estimate_sd": pl.Float64,
}
_GRID = np.exp(np.linspace(np.log(1.0), np.log(25.0), 401))
# Moves weighed at a time, to bound the memory.
_BLOCK = 5000
# Work on the hand or the gauge, which changes the bias in another proportion than the mark.
_OTHER_WORK = ("hand_reset", "gauge_replaced")


def chamber_scale(chamber_bowl_ratio: npt.ArrayLike) -> Floats:
    """Return k = 100·Vc/Vb, % air, from the ratio of chamber to bowl volume."""
    return 100 * np.asarray(chamber_bowl_ratio, dtype=np.float64)


def chamber_scale_of(meters: pl.DataFrame, meter_id: str) -> float:
    """Return a meter's chamber scale on record, the usual one where there is none, % air."""
    known = meters.filter(pl.col("meter_id") == meter_id)["chamber_bowl_ratio"].drop_nulls()
    return float(chamber_scale(known[-1])) if known.len() else USUAL_SCALE


def bias_of_mark(
    pressure_error: npt.ArrayLike, *, air_pct: npt.ArrayLike, k: npt.ArrayLike
) -> Floats:
    """Return the bias, % air, where the true initial pressure is off by a relative error.

    Parameters
    ----------
    pressure_error : array_like
        ε: true initial pressure over the nominal one, less 1; above −1.  A misplaced mark gives it
        either sign, a leak before release makes it negative and erratic.
    air_pct : array_like
        Correct air content, % air; broadcast with `pressure_error`.
    k : array_like
        Chamber scale, % air; broadcast with both.
    """
    error, scale = np.asarray(pressure_error, dtype=np.float64), np.asarray(k, dtype=np.float64)
    return np.asarray(-error / (1 + error) * (np.asarray(air_pct) + scale))


# To first order a cause's bias is its amplitude at 5 % air times one of these shapes, each 1 there.


def shape_of_mark(air_pct: npt.ArrayLike, *, k: npt.ArrayLike) -> Floats:
    """Return (a + k)/(5 + k): a misplaced mark, or a leak before release."""
    air, scale = np.asarray(air_pct, dtype=np.float64), np.asarray(k, dtype=np.float64)
    return np.asarray((air + scale) / (STATED_AT_PCT + scale))


def shape_of_hand(air_pct: npt.ArrayLike, *, k: npt.ArrayLike) -> Floats:
    """Return a(a + k)/(5(5 + k)): a hand shifted on its shaft."""
    air = np.asarray(air_pct, dtype=np.float64)
    return np.asarray(air / STATED_AT_PCT * shape_of_mark(air, k=k))


def shape_of_volume(air_pct: npt.ArrayLike) -> Floats:
    """Return a/5: water in the chamber, or a vessel off in volume."""
    return np.asarray(air_pct, dtype=np.float64) / STATED_AT_PCT


def pressure_error_of_move(
    mark_before: npt.ArrayLike, mark_after: npt.ArrayLike, *, k: npt.ArrayLike
) -> Floats:
    """Return the relative change of the initial pressure when a mark is moved along the dial.

    Parameters
    ----------
    mark_before, mark_after : array_like
        Positions in the dial's own % graduations; negative lies above the zero pressure.
    k : array_like
        Chamber scale, % air; it must exceed minus either position.

    Notes
    -----
    The graduation m stands at the pressure pI/(1 + m/k), so that the ratio of the two pressures is
    (k + before)/(k + after).
    """
    scale = np.asarray(k, dtype=np.float64)
    before, after = np.asarray(mark_before), np.asarray(mark_after)
    return np.asarray((scale + before) / (scale + after) - 1)


def dials_of(
    meters: pl.DataFrame,
    ledger: pl.DataFrame,
    *,
    marks: pl.DataFrame,
    service: pl.DataFrame,
    repeatability: float,
) -> pl.DataFrame:
    """Return the chamber scale of every meter with its standard deviation.

    Parameters
    ----------
    meters, marks, service : pl.DataFrame
        Input tables of those names.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    repeatability : float
        Standard deviation of one reading, % air.

    Returns
    -------
    pl.DataFrame
        Frame of `DIALS`.

    Notes
    -----
    The scale on record comes first; else it is estimated from the visits on which the mark alone
    was moved and both stages were read; else the usual scale is taken.
    """
    known = meters.select("meter_id", "chamber_bowl_ratio", "initial_pressure_kpa")
    ratio = pl.Series(chamber_scale(known["chamber_bowl_ratio"].to_numpy()), dtype=pl.Float64)
    recorded = known.with_columns(recorded=ratio.fill_nan(None))
    told = recorded.filter(pl.col("recorded").is_not_null()).select("meter_id")
    moved = _changes(ledger, marks, service, repeatability=repeatability)
    estimated = estimate_scales(moved.join(told, on="meter_id", how="anti"))
    return (
        ledger.select("meter_id")
        .unique()
        .join(recorded, on="meter_id", how="left")
        .join(estimated, on="meter_id", how="left")
        .select(
            "meter_id",
            k=pl.coalesce("recorded", "estimate", pl.lit(USUAL_SCALE)),
            k_sd=pl.coalesce(
                pl.col("recorded") * _RATIO_SHARE,
                "estimate_sd",
                pl.lit(USUAL_SCALE * USUAL_SCALE_LOG_SD),
            ),
            initial_pressure_kpa="initial_pressure_kpa",
        )
        .cast(DIALS)  # type: ignore[arg-type]  # names to types
        .sort("meter_id")
    )


def _changes(
    ledger: pl.DataFrame, marks: pl.DataFrame, service: pl.DataFrame, *, repeatability: float
) -> pl.DataFrame:
    """Return what visits on which the mark alone was moved changed, point by point."""
    day = ["meter_id", "performed_on"]
    mark_days = marks.filter(pl.col("action") == "moved").select(day).unique()
    other_days = service.filter(pl.col("action").is_in(_OTHER_WORK)).select(day).unique()
    readings = 1 / pl.col("as_found_replicates") + 1 / pl.col("as_left_replicates")
    rounding = pl.col("resolution_pct") ** 2 / 6
    return (
        ledger.join(mark_days, on=day, how="semi")
        .join(other_days, on=day, how="anti")
        .select(
            "meter_id",
            "visit_id",
            "point_pct",
            "correct_air_pct",
            change=pl.col("as_left_bias_pct") - pl.col("as_found_bias_pct"),
            sd=(repeatability**2 * readings + rounding).sqrt(),
        )
        .drop_nulls()
    )


def estimate_scales(changes: pl.DataFrame) -> pl.DataFrame:
    """Estimate each meter's chamber scale from what moves of its mark did to the bias.

    Parameters
    ----------
    changes : pl.DataFrame
        ``meter_id visit_id correct_air_pct change sd``: as left minus as found at each point of the
        visits on which only the mark was moved, and its standard deviation, above 0, % air.

    Returns
    -------
    pl.DataFrame
        ``meter_id estimate estimate_sd``, sorted: posterior mean and standard deviation, % air.

    Notes
    -----
    A move changes the bias by c·(a + k) with c free for each move and flat beforehand, so that what
    counts is the proportion between points.  The prior is log-normal about the usual scale; the
    posterior is computed on a grid from 1 to 25 % air.
    """
    air, weight = pl.col("correct_air_pct"), 1 / pl.col("sd") ** 2
    moves = (
        changes.group_by("meter_id", "visit_id")
        .agg(
            ones=weight.sum(),
            air=(weight * air).sum(),
            squares=(weight * air**2).sum(),
            value=(weight * pl.col("change")).sum(),
            product=(weight * pl.col("change") * air).sum(),
        )
        .sort("meter_id", "visit_id")
    )
    if moves.is_empty():
        return pl.DataFrame(schema=_ESTIMATES)
    logs = np.concatenate(
        [_log_likelihoods(moves[at : at + _BLOCK]) for at in range(0, moves.height, _BLOCK)]
    )
    counts = moves.group_by("meter_id", maintain_order=True).len()
    starts = np.concatenate([[0], np.cumsum(counts["len"].to_numpy())[:-1]]).astype(np.int64)
    prior = -((np.log(_GRID / USUAL_SCALE) / USUAL_SCALE_LOG_SD) ** 2) / 2
    posterior = np.add.reduceat(logs, starts, axis=0) + prior
    posterior = np.exp(posterior - posterior.max(axis=1, keepdims=True))
    posterior /= posterior.sum(axis=1, keepdims=True)
    mean = posterior @ _GRID
    variance = (posterior * (_GRID - mean[:, None]) ** 2).sum(axis=1)
    return counts.select(
        "meter_id",
        estimate=pl.Series(mean, dtype=pl.Float64),
        estimate_sd=pl.Series(np.sqrt(variance), dtype=pl.Float64),
    )


def _log_likelihoods(moves: pl.DataFrame) -> Floats:
    """Return how likely each scale of the grid makes each move, its size averaged over."""
    ones, air, squares, value, product = (
        moves[name].to_numpy()[:, None] for name in ("ones", "air", "squares", "value", "product")
    )
    inner = squares + 2 * _GRID * air + _GRID**2 * ones
    cross = product + _GRID * value
    # The flat prior of c·(5 + k), the change at 5 % air, leaves the width of the likelihood.
    width = np.log((_GRID + STATED_AT_PCT) ** 2 / inner)
    return np.asarray((cross**2 / inner + width) / 2)
