"""This module turns moves of the initial pressure mark into the bias they are worth.

It follows the mark from record to record, with what adjustments changed of the readings.
"""

import numpy as np
import polars as pl

from drift.arrays import Floats
from drift.format import typed
from drift.frames import Schema
from drift.meter.dial import STATED_AT_PCT, bias_of_mark, pressure_error_of_move

KPA_PER_PSI = 6.894757293168  # exact by the definition of the pound-force and the inch

# One row per change of a meter's mark, in time order.  pressure_error is the relative change of
# the initial pressure; change_*_pct what it does to the bias at 0, 5 and 10 % air; travel_pct the
# mark's way since its first record, in bias at 5 % air with signs, and total_travel_pct the same
# without.  recorded is false where the position changed though the record says "verified".  Null
# where two positions cannot be compared; note says why.
MARK_MOVES: Schema = {
    "meter_id": pl.String,
    "performed_on": pl.Date,
    "mark_before": pl.Float64,
    "mark_after": pl.Float64,
    "mark_unit": pl.String,
    "pressure_error": pl.Float64,
    "change_0_pct": pl.Float64,
    "change_5_pct": pl.Float64,
    "change_10_pct": pl.Float64,
    "travel_pct": pl.Float64,
    "total_travel_pct": pl.Float64,
    "recorded": pl.Boolean,
    "note": pl.String,
}

# One row per meter that was adjusted: how far mark moves and hand resets took its reading at 5 %
# air, with signs.  verdict: they "accumulate" (same sign), "cancel" (opposite signs), only one of
# the two was done, or it "cannot say" (a change is unknown or too small to have a sign).
ADJUSTMENT_BALANCE: Schema = {
    "meter_id": pl.String,
    "mark_moves": pl.Int64,
    "mark_change_pct": pl.Float64,
    "hand_resets": pl.Int64,
    "hand_change_pct": pl.Float64,
    "net_change_pct": pl.Float64,
    "verdict": pl.String,
}

ACCUMULATE, CANCEL, CANNOT_TELL = "accumulate", "cancel", "cannot say"
ONLY_MARK, ONLY_HAND = "only the mark was moved", "only the hand was reset"


def mark_moves(marks: pl.DataFrame, *, dials: pl.DataFrame) -> pl.DataFrame:
    """Return every change of every meter's mark with the bias it is worth.

    Parameters
    ----------
    marks : pl.DataFrame
        Input table `marks`; a null mark_unit is dial_pct.
    dials : pl.DataFrame
        One row per meter: meter_id, k (chamber scale, % air) and initial_pressure_kpa, the latter
        null where unknown.

    Returns
    -------
    pl.DataFrame
        Frame of `MARK_MOVES`, sorted by meter and date.

    Notes
    -----
    A position on the dial becomes a pressure by the dial model, pI/(1 + m/k); positions in kPa and
    psi are compared directly.  The dial's own nominal pressure is needed only to compare a position
    in graduations with one in pressure.
    """
    placed = (
        marks.with_columns(pl.col("mark_unit").fill_null("dial_pct"))
        .join(dials.select("meter_id", "k", "initial_pressure_kpa"), on="meter_id", how="left")
        .sort("meter_id", "performed_on", maintain_order=True)
        .with_columns(
            kpa=pl.when(pl.col("mark_unit") == "kpa")
            .then("mark")
            .when(pl.col("mark_unit") == "psi")
            .then(pl.col("mark") * KPA_PER_PSI)
            .otherwise(pl.col("initial_pressure_kpa") / (1 + pl.col("mark") / pl.col("k")))
        )
        .with_columns(
            mark_before=pl.col("mark").shift(1).over("meter_id"),
            unit_before=pl.col("mark_unit").shift(1).over("meter_id"),
            kpa_before=pl.col("kpa").shift(1).over("meter_id"),
        )
    )
    same_unit = pl.col("unit_before") == pl.col("mark_unit")
    moved = placed.filter(
        pl.col("mark_before").is_not_null()
        & (~same_unit | ((pl.col("mark") - pl.col("mark_before")).abs() > 1e-9))
    )
    error = _pressure_errors(moved)
    k = moved["k"].cast(pl.Float64).to_numpy()
    changes = {
        f"change_{typed(air)}_pct": _nullable(bias_of_mark(error, air_pct=air, k=k))
        for air in (0.0, STATED_AT_PCT, 10.0)
    }
    travel = pl.col("change_5_pct").fill_null(0.0)
    rows = moved.with_columns(
        **changes,
        pressure_error=_nullable(error),
        mark_after="mark",
        recorded=pl.col("action") != "verified",
    ).filter(pl.col("pressure_error").is_null() | (pl.col("pressure_error").abs() > 1e-9))
    return rows.select(
        "meter_id",
        "performed_on",
        "mark_before",
        "mark_after",
        "mark_unit",
        "pressure_error",
        *changes,
        travel_pct=travel.cum_sum().over("meter_id"),
        total_travel_pct=travel.abs().cum_sum().over("meter_id"),
        recorded="recorded",
        note=_notes(),
    ).cast(MARK_MOVES)  # type: ignore[arg-type]  # names to types


def _pressure_errors(moved: pl.DataFrame) -> Floats:
    """Return the relative change of the initial pressure of each move, NaN where unknown."""
    before, after = (moved[name].cast(pl.Float64).to_numpy() for name in ("mark_before", "mark"))
    k = moved["k"].cast(pl.Float64).to_numpy()
    on_dial = ((moved["mark_unit"] == "dial_pct") & (moved["unit_before"] == "dial_pct")).to_numpy()
    on_dial &= (k + before > 0) & (k + after > 0)
    kpa = {name: moved[name].cast(pl.Float64).to_numpy() for name in ("kpa", "kpa_before")}
    by_pressure = np.where(
        (kpa["kpa"] > 0) & (kpa["kpa_before"] > 0), kpa["kpa"] / kpa["kpa_before"] - 1, np.nan
    )
    by_dial = pressure_error_of_move(
        np.where(on_dial, before, 0.0), np.where(on_dial, after, 0.0), k=np.where(on_dial, k, 1.0)
    )
    return np.where(on_dial, by_dial, by_pressure)


def _notes() -> pl.Expr:
    """Return why a move has no bias, or that it was not recorded as one."""
    return (
        pl.when(pl.col("k").is_null())
        .then(pl.lit("the chamber scale of this meter is unknown"))
        .when(pl.col("pressure_error").is_null() & (pl.col("unit_before") != pl.col("mark_unit")))
        .then(pl.lit("the unit changed and the meter's initial pressure is unknown"))
        .when(pl.col("pressure_error").is_null())
        .then(pl.lit("the position lies off the dial"))
        .when(~pl.col("recorded"))
        .then(pl.lit("the position changed though the record says verified"))
    )


def _nullable(values: Floats) -> pl.Series:
    """Return a series with NaN as null."""
    return pl.Series(values, dtype=pl.Float64).fill_nan(None)


def adjustment_balance(
    moves: pl.DataFrame, *, ledger: pl.DataFrame, service: pl.DataFrame, noise_pct: float
) -> pl.DataFrame:
    """Say whether mark moves and hand resets took each meter the same way.

    Parameters
    ----------
    moves : pl.DataFrame
        Frame of `MARK_MOVES`.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`: what an adjustment changed is as left minus as found
        at the point nearest to 5 % air, on the visit of the same day.
    service : pl.DataFrame
        Input table `service`; its hand_reset rows.
    noise_pct : float
        Standard deviation of one reading, % air: a sum smaller than twice its own noise has no
        sign.

    Returns
    -------
    pl.DataFrame
        Frame of `ADJUSTMENT_BALANCE`, one row per meter with a mark move or a hand reset.

    Notes
    -----
    Where both were done on one day, the hand is given what the mark move does not explain.  A hand
    reset whose as-found or as-left readings are missing counts as a reset without a known change.
    """
    by_mark = moves.group_by("meter_id", "performed_on").agg(
        moves=pl.len().cast(pl.Int64), mark_change=pl.col("change_5_pct").sum()
    )
    resets = (
        service.filter(pl.col("action") == "hand_reset").select("meter_id", "performed_on").unique()
    )
    days = (
        resets.with_columns(reset=pl.lit(value=True))
        .join(by_mark, on=["meter_id", "performed_on"], how="full", coalesce=True)
        .join(_changes(ledger), on=["meter_id", "performed_on"], how="left")
        .with_columns(
            pl.col("reset").fill_null(value=False),
            pl.col("mark_change").fill_null(0.0),
            pl.col("moves").fill_null(0),
        )
        .with_columns(hand_change=pl.when("reset").then(pl.col("change") - pl.col("mark_change")))
    )
    sums = days.group_by("meter_id").agg(
        mark_moves=pl.col("moves").sum(),
        mark_change_pct=pl.col("mark_change").sum(),
        hand_resets=pl.col("reset").sum().cast(pl.Int64),
        known=pl.col("hand_change").is_not_null().sum().cast(pl.Int64),
        hand_change_pct=pl.col("hand_change").sum(),
    )
    clear = (pl.col("hand_change_pct").abs() > 2 * noise_pct * (2 * pl.col("known")).sqrt()) & (
        pl.col("mark_change_pct").abs() > noise_pct
    )
    product = pl.col("mark_change_pct") * pl.col("hand_change_pct")
    return (
        sums.with_columns(
            net_change_pct=pl.col("mark_change_pct") + pl.col("hand_change_pct"),
            verdict=pl.when(pl.col("hand_resets") == 0)
            .then(pl.lit(ONLY_MARK))
            .when(pl.col("mark_moves") == 0)
            .then(pl.lit(ONLY_HAND))
            .when(~clear | (pl.col("known") == 0))
            .then(pl.lit(CANNOT_TELL))
            .when(product > 0)
            .then(pl.lit(ACCUMULATE))
            .otherwise(pl.lit(CANCEL)),
        )
        .select(ADJUSTMENT_BALANCE.keys())
        .cast(ADJUSTMENT_BALANCE)  # type: ignore[arg-type]  # names to types
        .sort("meter_id")
    )


def _changes(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return per meter and day what changed at the point nearest to 5 % air, % air."""
    change = pl.col("as_left_bias_pct") - pl.col("as_found_bias_pct")
    return (
        ledger.with_columns(change=change, off=(pl.col("point_pct") - STATED_AT_PCT).abs())
        .drop_nulls("change")
        .sort("meter_id", "performed_on", "off")
        .group_by("meter_id", "performed_on", maintain_order=True)
        .agg(pl.col("change").first())
    )
