"""This module lays out a fleet's visits so that what meters share can be separated from the meters.

One row is one sitting of one meter: as found, or as left after an adjustment.  Within a *block*
(the sittings of a meter from one adjustment to the next) the bias is a free level plus drift plus
the common effects plus noise; the free level takes whatever the adjustment did, so that a reset
neither hides nor imitates a common effect.  The module estimates nothing.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from drift.arrays import Floats, Integers
from drift.meter.dial import STATED_AT_PCT
from drift.reference.content_order import meters_by_content

# A step this many robust standard deviations from those of the other meters is the meter's own
# shock (a drop, a slip of the pen) and says nothing about what the meters share.
_SHOCK = 6.0
_NORMAL_MAD = 1.4826
_MOVED_TOGETHER = 8
# Meters of one day that show what it did to all; where sessions are monthly, two steps of three of
# a quarter are none of a shift.
_OF_ONE_DAY = 4
# Below this a difference of recorded values is binary rounding, % air.
_ROUNDING = 1e-9
# Share of sittings with a water temperature from which temperature stands for the season.
_ENOUGH_TEMPERATURES = 0.8
# Operators beyond the busiest are taken together, and bins are made wider, so that a review of a
# very large fleet stays within a minute.
_MOST_OPERATORS = 300
_MOST_BINS = 240
_FEWEST_BINS_EACH = 4
# Days are bins where two meters or more were read on each, else bins hold twice as many: a shift
# inside a bin is dated beside it, and what is left of it there looks like another.
_ROWS_PER_DAY, _ROWS_PER_BIN = 2, 4
NOT_RECORDED = "not recorded"
# Names of further columns, and what is added to one that is 0 in the first half of the dates.
SEASON = ("season_cosine", "season_sine")
FLEET_DRIFT, FLEET_LEVEL, LATER = "fleet_drift", "level", "_later"
OTHERS = "all others"


@dataclass(frozen=True, slots=True)
class Design:
    """A fleet's sittings as arrays; rows by meter, in an order of content, block and time.

    Attributes
    ----------
    rows : pl.DataFrame
        Frame of `sittings` with the further columns meter, block, bin and operator_code.
    bins : pl.DataFrame
        One row per bin: bin, vessel_id, calibrated_on, first_on, last_on, meters, visits.
    operators : pl.DataFrame
        One row per operator code: operator_code, operator, first_on, last_on, meters, visits.
    extra_names : tuple of str
        Names of the further columns: season or water temperature, those of them and of the drift
        that are 0 in the first half of the dates (`LATER`), then drift.
    response, t_years, air : array (n,)
        Bias, % air; time; air content over `STATED_AT_PCT`.
    meter, block, bin_code, operator_code : int array (n,)
    extra : array (n, len(extra_names))
    """

    rows: pl.DataFrame
    bins: pl.DataFrame
    operators: pl.DataFrame
    extra_names: tuple[str, ...]
    response: Floats
    t_years: Floats
    air: Floats
    meter: Integers
    block: Integers
    bin_code: Integers
    operator_code: Integers
    extra: Floats

    @property
    def width(self) -> int:
        """Number of columns: bins, operators, extra."""
        return self.bins.height + self.operators.height + len(self.extra_names)


def sittings(
    ledger: pl.DataFrame, *, sessions: pl.DataFrame, vessels: pl.DataFrame
) -> pl.DataFrame:
    """Return one row per sitting of each meter, its points above 0 % averaged.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    sessions : pl.DataFrame
        Frame of `drift.store.tables.SESSIONS`; only its water temperatures are used.
    vessels : pl.DataFrame
        Input table `vessels`, may be empty; its dates end one calibration period and start the
        next.

    Returns
    -------
    pl.DataFrame
        Columns meter_id, visit_id, performed_on, t_years, segment, points, bias_pct, air_pct,
        vessel_id, calibrated_on (null before the first calibration on record), operator,
        water_temp_c, block; sorted by meter (in an order fixed by what was read), block and time.

    Notes
    -----
    The zero point has no vessel in it and is left out.  A block holds sittings of one set of
    points only, so that a visit with fewer points does not look like a shift.  air_pct is the mean
    of the nominal points, so that it is one number within a block: vessels that differ in the
    second decimal of their air content are alike for the size of an effect.  A block also ends
    where the meter takes a step that is far from what the other meters took (its own shock).
    """
    above_zero = ledger.filter(pl.col("point_pct") > 0)
    keep = ["meter_id", "visit_id", "performed_on", "t_years", "point_pct"]
    keep += ["vessel_id", "operator"]
    found = above_zero.select(*keep, "segment", bias="as_found_bias_pct", stage=pl.lit(0))
    left = above_zero.filter(pl.col("adjusted") | pl.col("as_found_bias_pct").is_null()).select(
        *keep,
        segment=pl.col("segment") + pl.col("adjusted").cast(pl.Int64),
        bias="as_left_bias_pct",
        stage=pl.lit(1),
    )
    temperatures = sessions.group_by("meter_id", "visit_id").agg(pl.col("water_temp_c").mean())
    rows = (
        pl.concat([found, left])
        .drop_nulls("bias")
        .sort("point_pct")
        .group_by("meter_id", "visit_id", "performed_on", "t_years", "segment", "stage")
        .agg(
            points=pl.col("point_pct").cast(pl.String).str.join(" "),
            bias_pct=pl.col("bias").mean(),
            air_pct=pl.col("point_pct").mean(),
            vessel_id=pl.col("vessel_id").drop_nulls().first(),
            operator=pl.col("operator").drop_nulls().first(),
        )
        .join(temperatures, on=["meter_id", "visit_id"], how="left")
    )
    return _blocks(_in_periods(rows, vessels))


def _in_periods(rows: pl.DataFrame, vessels: pl.DataFrame) -> pl.DataFrame:
    """Add the date of the vessel's calibration in force."""
    periods = vessels.select("vessel_id", "calibrated_on").unique().sort("calibrated_on")
    return rows.sort("performed_on").join_asof(
        periods.with_columns(used_from="calibrated_on"),
        left_on="performed_on",
        right_on="used_from",
        by="vessel_id",
        strategy="backward",
        check_sortedness=False,
    )


def _blocks(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the number of each block, from 0."""
    key = ["meter_id", "segment", "points"]
    places = meters_by_content(rows, value="bias_pct")
    rows = rows.join(places, on="meter_id").sort(
        "meter_place", "segment", "points", "t_years", "stage"
    )
    rows = rows.with_columns(
        step=pl.col("bias_pct").diff().over(key),
        before=pl.col("vessel_id").shift(1).over(key),
        quarter=(pl.col("t_years") * 4).floor(),
    )
    alike = ["vessel_id", "before", "quarter"]
    of_day = ["vessel_id", "before", "performed_on"]
    typical = (
        pl.when(pl.col("step").count().over(of_day) >= _OF_ONE_DAY)
        .then(pl.col("step").median().over(of_day))
        .when(pl.len().over(alike) >= _MOVED_TOGETHER)
        .then(pl.col("step").median().over(alike))
    )
    rows = rows.with_columns(own=pl.col("step") - typical.fill_null(pl.col("step").median()))
    middle, mean = pl.col("own").abs().median(), pl.col("own").abs().mean()
    # On a coarse dial more than half of the steps may be 0; then the mean stands in.
    scale = pl.when(middle > _ROUNDING).then(_NORMAL_MAD * middle).otherwise(mean)
    shock = ((pl.col("own").abs() > _SHOCK * scale) & (scale > _ROUNDING)).fill_null(value=False)
    new = (pl.struct(key) != pl.struct(key).shift(1)).fill_null(value=True) | shock
    return rows.with_columns(block=new.cum_sum().cast(pl.Int64) - 1).drop(
        "step", "before", "quarter", "own", "stage", "meter_place"
    )


def lay_out(rows: pl.DataFrame, *, bins_each: int | None = None) -> Design:
    """Turn the rows of `sittings` into a design.

    Parameters
    ----------
    rows : pl.DataFrame
        Frame of `sittings`, not empty.
    bins_each : int, optional
        Most bins that each calibration period of a vessel is cut into by date; fewer where there
        are few rows or many periods.
    """
    rows = _with_bins(rows.with_columns(pl.col("vessel_id").fill_null(NOT_RECORDED)), bins_each)
    rows = _with_operators(rows)
    rows = rows.with_columns(meter=pl.col("meter_id").rle_id().cast(pl.Int64))
    t = rows["t_years"].to_numpy()
    names, extra = _extra(rows)
    return Design(
        rows=rows,
        bins=_summary(rows, ["bin", "vessel_id", "calibrated_on"]),
        operators=_summary(rows, ["operator_code", "operator"]),
        extra_names=names,
        response=rows["bias_pct"].to_numpy(),
        t_years=t,
        air=rows["air_pct"].to_numpy() / STATED_AT_PCT,
        meter=rows["meter"].to_numpy(),
        block=rows["block"].to_numpy(),
        bin_code=rows["bin"].to_numpy(),
        operator_code=rows["operator_code"].to_numpy(),
        extra=extra,
    )


def _with_bins(rows: pl.DataFrame, bins_each: int | None) -> pl.DataFrame:
    """Cut each vessel's calibration periods into bins of whole days with about equal visits."""
    period = ["vessel_id", "calibrated_on"]
    periods = rows.select(pl.struct(period).n_unique()).item()
    most = min(bins_each or _MOST_BINS, max(_MOST_BINS // periods, _FEWEST_BINS_EACH))
    of_days, of_more = (
        max(min(most, rows.height // (each * periods)), 1)
        for each in (_ROWS_PER_DAY, _ROWS_PER_BIN)
    )
    day = pl.col("performed_on")
    exact = (day.rank("dense").over(period) - 1).cast(pl.Int64)
    before = (day.rank("min").over(period) - 1) / pl.len().over(period)
    part = pl.when(day.n_unique().over(period) <= of_days).then(exact)
    rows = rows.with_columns(part=part.otherwise((before * of_more).floor().cast(pl.Int64)))
    number = pl.struct(*period, "part").rank("dense").cast(pl.Int64) - 1
    return rows.with_columns(bin=number).drop("part")


def _with_operators(rows: pl.DataFrame) -> pl.DataFrame:
    """Give each operator a code; those beyond the busiest share one."""
    counts = rows["operator"].drop_nulls().value_counts(name="rows")
    busiest = counts.sort("rows", "operator", descending=[True, False])["operator"]
    known = busiest.head(_MOST_OPERATORS)
    name = (
        pl.when(pl.col("operator").is_null())
        .then(pl.lit(NOT_RECORDED))
        .when(pl.col("operator").is_in(known.implode()))
        .then("operator")
        .otherwise(pl.lit(OTHERS))
    )
    return rows.with_columns(operator=name).with_columns(
        operator_code=pl.col("operator").rank("dense").cast(pl.Int64) - 1
    )


def _extra(rows: pl.DataFrame) -> tuple[tuple[str, ...], Floats]:
    """Return the water temperature or the yearly swing, and the drift all meters share.

    What is to return or to go on is laid out for the later half of the dates once more.
    """
    t = rows["t_years"].to_numpy()
    middle = (t.min() + t.max()) / 2
    later = (t > middle).astype(np.float64)
    steady = {FLEET_LEVEL + LATER: later, FLEET_DRIFT + LATER: later * (t - middle)}
    drift = {FLEET_DRIFT: t - t.mean()}
    temperature = rows["water_temp_c"].cast(pl.Float64).to_numpy()
    known = np.isfinite(temperature)
    if known.mean() >= _ENOUGH_TEMPERATURES and len(np.unique(temperature[known])) > 2:
        mean = temperature[known].mean()
        warm = {"water_temperature": (np.where(known, temperature, mean) - mean) / 10}
        columns = warm | steady | drift
    else:
        angle = 2 * np.pi * t
        swing = dict(zip(SEASON, (np.cos(angle), np.sin(angle)), strict=True))
        again = {name + LATER: later * column for name, column in swing.items()}
        columns = swing | again | steady | drift
    return tuple(columns), np.column_stack(list(columns.values()))


def _summary(rows: pl.DataFrame, key: list[str]) -> pl.DataFrame:
    """Return one row per level with its dates and how many meters and visits it has."""
    return (
        rows.group_by(key)
        .agg(
            first_on=pl.col("performed_on").min(),
            last_on=pl.col("performed_on").max(),
            meters=pl.col("meter_id").n_unique().cast(pl.Int64),
            visits=pl.struct("meter_id", "visit_id").n_unique().cast(pl.Int64),
        )
        .sort(key[0])
    )
