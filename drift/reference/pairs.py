"""This module checks the correct air content of every sitting by its vessel and its bowl."""

import polars as pl

from drift.frames import Row, Schema
from drift.reference.bowls import BowlSpread
from drift.reference.vessel import TYPE_A_FACTOR, TYPE_A_REASON

_MOST_FILLS = 3
# Last places looked for in correct air contents.
_MOST_PLACES = 6
# How a bowl is known: measured itself; by a value that its vessel was given for it; not at all.
MEASURED, STATED_FOR_IT, UNKNOWN = "measured", "stated", "unknown"
# Meters that state as many values each of its own, or all of fewer meters.
_OWN_VALUES = 3
# How near to the factor of a Type A meter a share is taken for it.
_NEAR_FACTOR = 0.002

# One row per sitting whose vessel is named and whose correct air content is above 0.  expected_pct
# is what the vessel in force stands for on the meter's bowl, times the fills that come nearest;
# u_pct its standard uncertainty by the vessel, bowl_u_pct that by the bowl; off_pct correct minus
# expected.  bowl is how the bowl is known; where it is not, expected_pct is of the bowl that the
# vessel was set against and open_pct says how far off it may be for that.  problem is empty where
# they agree.
REFERENCE_CHECK: Schema = {
    "meter_id": pl.String,
    "visit_id": pl.String,
    "performed_on": pl.Date,
    "stage": pl.String,
    "point_pct": pl.Float64,
    "correct_air_pct": pl.Float64,
    "vessel_id": pl.String,
    "calibrated_on": pl.Date,
    "bowl": pl.String,
    "measured_on": pl.Date,
    "fills": pl.Int64,
    "expected_pct": pl.Float64,
    "u_pct": pl.Float64,
    "bowl_u_pct": pl.Float64,
    "open_pct": pl.Float64,
    "off_pct": pl.Float64,
    "problem": pl.String,
}


def check_stated_values(
    sessions: pl.DataFrame,
    values: pl.DataFrame,
    *,
    bowls: pl.DataFrame,
    spread: BowlSpread,
    half_place: float | None = None,
) -> pl.DataFrame:
    """Compare the correct air content of every sitting with its vessel on its bowl that day.

    Parameters
    ----------
    sessions : pl.DataFrame
        Frame of `drift.store.tables.SESSIONS`.
    values : pl.DataFrame
        Frame of `drift.reference.vessel_record.VESSEL_VALUES`.
    bowls : pl.DataFrame
        Frame of `drift.reference.bowls.BOWL_VALUES`; a bowl counts as it was last measured, one
        that was measured only later as it was first.
    spread : BowlSpread
        How far bowls differ that were not measured.
    half_place : float or None
        Of `half_last_place` of the whole source, where these are some of its sessions.

    Returns
    -------
    pl.DataFrame
        Frame of `REFERENCE_CHECK`, in the order of `sessions`.

    Notes
    -----
    They disagree beyond the uncertainty where they differ by more than 2·u plus half a unit of the
    last place that the correct air contents of the source are given to, since many laboratories
    write 5.0 for 5.014.  Where the bowl is not known and meters state a value each of its own, they
    may be right by as much as two bowls differ: that is left open and is no disagreement.
    """
    used = _used(sessions).with_row_index("_row")
    usable = values.filter("usable")
    rows = _with_expected(_with_bowls(_with_vessels(used, usable), bowls))
    half = half_last_place(sessions) if half_place is None else half_place
    allowed = (
        2 * (pl.col("u_pct") ** 2 + pl.col("bowl_u_pct").fill_null(0.0) ** 2).sqrt() + half + 1e-9
    )
    rows = rows.with_columns(
        off_pct=pl.col("correct_air_pct") - pl.col("expected_pct"),
        allowed=allowed,
        open_pct=pl.when(pl.col("bowl") == UNKNOWN).then(
            pl.col("expected_pct") * spread.half_share
        ),
    )
    rows = _with_own(rows, half=half).with_columns(
        wrong=(pl.col("off_pct").abs() > pl.col("allowed")) & ~pl.col("own")
    )
    return (
        _with_problem(rows, usable, values)
        .sort("_row")
        .select(REFERENCE_CHECK.keys())
        .cast(REFERENCE_CHECK)  # type: ignore[arg-type]  # names to types
    )


def _with_vessels(used: pl.DataFrame, usable: pl.DataFrame) -> pl.DataFrame:
    """Add the calibration of its vessel in force, and the one for the meter's own bowl."""
    names = {"air_pct": "air", "u_air_pct": "u", "volume_ml": "vessel_ml"}
    any_bowl = usable.unique(["vessel_id", "calibrated_on"], keep="first", maintain_order=True)
    any_bowl = any_bowl.select(
        "vessel_id",
        "calibrated_on",
        "u_volume_share",
        *(pl.col(a).alias(b) for a, b in names.items()),
    ).with_columns(in_force=pl.col("calibrated_on"))
    own = usable.filter(pl.col("meter_id").is_not_null()).select(
        "vessel_id", "meter_id", own_on="calibrated_on", own_air="air_pct", own_u="u_air_pct"
    )
    rows = used.sort("performed_on").join_asof(
        any_bowl.sort("in_force"),
        left_on="performed_on",
        right_on="in_force",
        by="vessel_id",
        strategy="backward",
        check_sortedness=False,
    )
    if own.is_empty():
        nothing = pl.lit(None, dtype=pl.Float64)
        return rows.with_columns(own_air=nothing, own_u=nothing)
    rows = rows.join_asof(
        own.with_columns(in_force_here=pl.col("own_on")).sort("in_force_here"),
        left_on="performed_on",
        right_on="in_force_here",
        by=["vessel_id", "meter_id"],
        strategy="backward",
        check_sortedness=False,
    )
    still = pl.col("own_on") >= pl.col("calibrated_on")
    return rows.with_columns(
        own_air=pl.when(still).then("own_air"), own_u=pl.when(still).then("own_u")
    )


def _with_bowls(rows: pl.DataFrame, bowls: pl.DataFrame) -> pl.DataFrame:
    """Add the bowl as last measured up to each day, else as first measured after it."""
    known = bowls.filter("usable").select(
        "meter_id", "measured_on", bowl_ml="volume_ml", bowl_u="u_share", by="measured_on"
    )
    if known.is_empty():
        nothing = pl.lit(None, dtype=pl.Float64)
        return rows.with_columns(
            bowl_ml=nothing, bowl_u=nothing, measured_on=pl.lit(None, dtype=pl.Date)
        )
    first = known.unique("meter_id", keep="first", maintain_order=True).drop("by")
    return (
        rows.join_asof(
            known.sort("by"),
            left_on="performed_on",
            right_on="by",
            by="meter_id",
            strategy="backward",
            check_sortedness=False,
        )
        .join(first, on="meter_id", how="left", suffix="_first")
        .with_columns(
            pl.coalesce(name, f"{name}_first").alias(name)
            for name in ("measured_on", "bowl_ml", "bowl_u")
        )
    )


def _with_expected(rows: pl.DataFrame) -> pl.DataFrame:
    """Add what the vessel stands for on the bowl, how surely, and how the bowl is known."""
    by_volume = 100 * pl.col("vessel_ml") / pl.col("bowl_ml")
    measured, stated = by_volume.is_not_null(), pl.col("own_air").is_not_null()
    return (
        rows.with_columns(
            bowl=pl.when(pl.col("air").is_null())
            .then(None)
            .when(measured)
            .then(pl.lit(MEASURED))
            .when(stated)
            .then(pl.lit(STATED_FOR_IT))
            .otherwise(pl.lit(UNKNOWN)),
            fill_pct=pl.coalesce(by_volume, "own_air", "air"),
            fill_u=pl.when(measured)
            .then(by_volume * pl.col("u_volume_share"))
            .otherwise(pl.coalesce("own_u", "u")),
            fill_bowl_u=pl.when(measured).then(by_volume * pl.col("bowl_u")),
        )
        .with_columns(
            fills=(pl.col("correct_air_pct") / pl.col("fill_pct"))
            .round(0)
            .clip(1, _MOST_FILLS)
            .cast(pl.Int64),
            measured_on=pl.when(pl.col("bowl") == MEASURED).then("measured_on"),
        )
        .with_columns(
            expected_pct=pl.col("fill_pct") * pl.col("fills"),
            u_pct=pl.col("fill_u") * pl.col("fills"),
            bowl_u_pct=pl.col("fill_bowl_u") * pl.col("fills"),
        )
    )


def _used(sessions: pl.DataFrame) -> pl.DataFrame:
    """Return the sittings whose vessel is named and whose correct air content is above 0."""
    return sessions.filter(pl.col("vessel_id").is_not_null() & (pl.col("correct_air_pct") > 0))


def half_last_place(sessions: pl.DataFrame) -> float:
    """Return half a unit of the last place that correct air contents are given to, % air."""
    correct = _used(sessions)["correct_air_pct"]
    for places in range(1, _MOST_PLACES):
        if ((correct - correct.round(places)).abs() < 1e-9).all():
            return float(0.5 * 10.0**-places)
    return 0.0


def _with_own(rows: pl.DataFrame, *, half: float) -> pl.DataFrame:
    """Say of which sittings the content may be right for a bowl of their own.

    Notes
    -----
    It may where the bowl is not known, at least three meters of the calibration (or all, where they
    are fewer, but two) state different values within twice the spread of bowls, the meter keeps to
    one value, and that one is not what it stated before the vessel got a new value.
    """
    near = pl.col("off_pct").abs() <= 2 * pl.col("open_pct") + half
    unknown = rows.filter((pl.col("bowl") == UNKNOWN) & near).with_columns(
        per_fill=pl.col("correct_air_pct") / pl.col("fills")
    )
    of_pair = ["vessel_id", "calibrated_on", "meter_id"]
    # The fewest fills: their values are rounded least.
    values = (
        unknown.sort("fills", maintain_order=True)
        .group_by(of_pair, maintain_order=True)
        .agg(
            own_pct=pl.col("per_fill").filter(pl.col("fills") == pl.col("fills").min()).median(),
            air=pl.col("air").first(),
            u=pl.col("u").first(),
        )
    )
    step = max(2 * half, 1e-6)
    values = values.sort(of_pair).with_columns(
        of_meters=pl.len().over("vessel_id", "calibrated_on"),
        different=(pl.col("own_pct") / step).round(0).n_unique().over("vessel_id", "calibrated_on"),
    )
    before = {
        name: pl.col(name).shift().over("vessel_id", "meter_id", order_by="calibrated_on")
        for name in ("own_pct", "air")
    }
    kept = ((pl.col("own_pct") - before["own_pct"]).abs() <= half + 1e-9) & (
        (pl.col("air") - before["air"]).abs() > 2 * pl.col("u") + half
    )
    enough = pl.min_horizontal(pl.lit(_OWN_VALUES), "of_meters")
    own = values.filter(
        (pl.col("of_meters") > 1) & (pl.col("different") >= enough) & ~kept.fill_null(value=False)
    ).select(*of_pair, "own_pct")
    per_fill = pl.col("correct_air_pct") / pl.col("fills")
    return rows.join(own, on=of_pair, how="left").with_columns(
        own=((per_fill - pl.col("own_pct")).abs() <= pl.col("allowed") / pl.col("fills")).fill_null(
            value=False
        )
    )


def _with_problem(rows: pl.DataFrame, usable: pl.DataFrame, values: pl.DataFrame) -> pl.DataFrame:
    """Add what is wrong with each row, empty where nothing is.

    A fleet repeats few combinations of vessel, calibration, bowl and correct air content; each is
    judged once.
    """
    by_vessel: dict[str, list[tuple[object, float]]] = {}
    for vessel, on, air in usable.select("vessel_id", "calibrated_on", "air_pct").iter_rows():
        by_vessel.setdefault(vessel, []).append((on, air))
    known = set(values["vessel_id"])
    key = ["vessel_id", "calibrated_on", "correct_air_pct", "expected_pct", "bowl", "wrong"]
    judged = rows.select(*key, "air", "fill_pct", "allowed").unique(key)
    found = []
    for row in judged.iter_rows(named=True):
        if row["vessel_id"] not in known:
            found.append("this vessel is not in the vessels table")
        elif row["vessel_id"] not in by_vessel:
            found.append("no calibration of this vessel can be used")
        elif row["calibrated_on"] is None:
            found.append("this vessel was calibrated only after this use")
        else:
            found.append(_why_off(row, by_vessel) if row["wrong"] else "")
    problems = judged.select(key).with_columns(problem=pl.Series(found, dtype=pl.String))
    return rows.join(problems, on=key, how="left", nulls_equal=True)


def _why_off(row: Row, by_vessel: dict[str, list[tuple[object, float]]]) -> str:
    """Return the likeliest reason why a correct air content is not that of its vessel."""
    vessel, correct = row["vessel_id"], row["correct_air_pct"]
    # What this bowl makes of any vessel's value.
    of_bowl = row["fill_pct"] / row["air"]

    def fits(air: float) -> bool:
        return any(
            abs(correct - fills * air) <= row["allowed"] for fills in range(1, _MOST_FILLS + 1)
        )

    if abs(correct / row["expected_pct"] - TYPE_A_FACTOR) < _NEAR_FACTOR:
        return TYPE_A_REASON
    if row["bowl"] != UNKNOWN and fits(row["air"]):
        return "this is what the vessel stands for on another bowl; this meter's own is on record"
    if any(on != row["calibrated_on"] and fits(air * of_bowl) for on, air in by_vessel[vessel]):
        return "this is what the vessel stood for at another calibration: an old value was used"
    others = sorted(
        name
        for name, periods in by_vessel.items()
        if name != vessel and any(fits(air * of_bowl) for _, air in periods)
    )
    if others:
        return f"this is what another vessel stands for: {others[0]}"
    return "it differs from the vessel in force by more than the uncertainty allows"
