"""This module checks the vessels on record and the correct air contents that readings state."""

import polars as pl

from drift.frames import Schema
from drift.reference.vessel import (
    TYPE_A_FACTOR,
    TYPE_A_REASON,
    USUAL_RELATIVE_U,
    vessel_air_pct,
    vessel_budget,
    why_not_a_vessel,
)

_MOST_FILLS = 3
# Last places looked for in correct air contents.
_MOST_PLACES = 6

# One row per vessel calibration on record.  air_pct is 100·w/W where masses are given, else as
# stated; u_air_pct as stated where above 0, else by a budget of the masses, else the usual share.
# Both are null, and the calibration must not be used, where problem is not empty and usable false.
VESSEL_VALUES: Schema = {
    "vessel_id": pl.String,
    "calibrated_on": pl.Date,
    "air_pct": pl.Float64,
    "u_air_pct": pl.Float64,
    "usable": pl.Boolean,
    "problem": pl.String,
}


def vessel_values(vessels: pl.DataFrame) -> pl.DataFrame:
    """Return what every calibration of every vessel stands for, with what is wrong with it.

    Parameters
    ----------
    vessels : pl.DataFrame
        Input table `vessels`.

    Returns
    -------
    pl.DataFrame
        Frame of `VESSEL_VALUES`, sorted by vessel and date.
    """
    rows = [_value_row(row) for row in vessels.iter_rows(named=True)]
    return pl.DataFrame(rows, schema=VESSEL_VALUES).sort("vessel_id", "calibrated_on")


def _value_row(row: dict[str, object]) -> dict[str, object]:
    """Return what one calibration stands for."""
    stated, w, bowl = (
        None if row[name] is None else float(row[name])  # type: ignore[arg-type]  # numbers by schema
        for name in ("air_pct", "water_mass_g", "bowl_water_mass_g")
    )
    by_mass = None
    if w and bowl:
        by_mass = float(vessel_air_pct(w, bowl_mass=bowl))
    air = by_mass if by_mass is not None else stated
    problem = why_not_a_vessel(air)
    usable = not problem
    if usable and stated is not None and by_mass is not None:
        problem = why_not_a_vessel(stated, type_a_air_pct=by_mass)
    given = row["u_air_pct"]
    u = None if given is None else float(given)  # type: ignore[arg-type]  # a number by schema
    if u == 0 and not problem:
        problem = "a standard uncertainty of 0 cannot be meant; the usual one is used instead"
    if usable and not u and air is not None:
        u = USUAL_RELATIVE_U * air
        if w and bowl:
            u = vessel_budget(vessel_mass=w, bowl_mass=bowl).combined
    return {
        "vessel_id": row["vessel_id"],
        "calibrated_on": row["calibrated_on"],
        "air_pct": air if usable else None,
        "u_air_pct": u if usable else None,
        "usable": usable,
        "problem": problem,
    }


# One row per sitting whose vessel is named and whose correct air content is above 0.  expected_pct
# is what the vessel in force stands for, times the fills that come nearest; u_pct its standard
# uncertainty; off_pct correct minus expected.  problem is empty where they agree.
REFERENCE_CHECK: Schema = {
    "meter_id": pl.String,
    "visit_id": pl.String,
    "performed_on": pl.Date,
    "stage": pl.String,
    "point_pct": pl.Float64,
    "correct_air_pct": pl.Float64,
    "vessel_id": pl.String,
    "calibrated_on": pl.Date,
    "fills": pl.Int64,
    "expected_pct": pl.Float64,
    "u_pct": pl.Float64,
    "off_pct": pl.Float64,
    "problem": pl.String,
}


def check_stated_values(
    sessions: pl.DataFrame, values: pl.DataFrame, *, half_place: float | None = None
) -> pl.DataFrame:
    """Compare the correct air content of every sitting with its vessel's value in force that day.

    Parameters
    ----------
    sessions : pl.DataFrame
        Frame of `drift.store.tables.SESSIONS`.
    values : pl.DataFrame
        Frame of `VESSEL_VALUES`.
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
    write 5.0 for 5.014.
    """
    used = _used(sessions).with_row_index("_row")
    half_place = half_last_place(sessions) if half_place is None else half_place
    usable = values.filter("usable").select("vessel_id", "calibrated_on", "air_pct", "u_air_pct")
    rows = (
        used.sort("performed_on")
        .join_asof(
            usable.with_columns(in_force=pl.col("calibrated_on")).sort("in_force"),
            left_on="performed_on",
            right_on="in_force",
            by="vessel_id",
            strategy="backward",
            check_sortedness=False,
        )
        .with_columns(
            fills=(pl.col("correct_air_pct") / pl.col("air_pct"))
            .round(0)
            .clip(1, _MOST_FILLS)
            .cast(pl.Int64)
        )
        .with_columns(
            expected_pct=pl.col("air_pct") * pl.col("fills"),
            u_pct=pl.col("u_air_pct") * pl.col("fills"),
        )
        .with_columns(off_pct=pl.col("correct_air_pct") - pl.col("expected_pct"))
    )
    allowed = 2 * pl.col("u_pct") + half_place + 1e-9
    rows = rows.with_columns(wrong=pl.col("off_pct").abs() > allowed, allowed=allowed)
    return (
        _with_problem(rows, usable, values)
        .sort("_row")
        .select(REFERENCE_CHECK.keys())
        .cast(REFERENCE_CHECK)  # type: ignore[arg-type]  # names to types
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


def _with_problem(rows: pl.DataFrame, usable: pl.DataFrame, values: pl.DataFrame) -> pl.DataFrame:
    """Add what is wrong with each row, empty where nothing is.

    A fleet repeats few combinations of vessel, calibration and correct air content; each is judged
    once.
    """
    by_vessel: dict[str, list[tuple[object, float]]] = {}
    for vessel, on, air, _ in usable.iter_rows():
        by_vessel.setdefault(vessel, []).append((on, air))
    known = set(values["vessel_id"])
    key = ["vessel_id", "calibrated_on", "correct_air_pct"]
    judged = rows.select(*key, "expected_pct", "wrong", "allowed").unique(key)
    found = []
    for vessel, on, correct, expected, wrong, allowed in judged.iter_rows():
        if vessel not in known:
            found.append("this vessel is not in the vessels table")
        elif vessel not in by_vessel:
            found.append("no calibration of this vessel can be used")
        elif on is None:
            found.append("this vessel was calibrated only after this use")
        elif not wrong:
            found.append("")
        else:
            found.append(
                _why_off(by_vessel, vessel, on, correct=correct, expected=expected, allowed=allowed)
            )
    problems = judged.select(key).with_columns(problem=pl.Series(found, dtype=pl.String))
    return rows.join(problems, on=key, how="left", nulls_equal=True)


def _why_off(
    by_vessel: dict[str, list[tuple[object, float]]],
    vessel: str,
    on: object,
    *,
    correct: float,
    expected: float,
    allowed: float,
) -> str:
    """Return the likeliest reason why a correct air content is not that of its vessel."""

    def fits(air: float) -> bool:
        return any(abs(correct - fills * air) <= allowed for fills in range(1, _MOST_FILLS + 1))

    if abs(correct / expected - TYPE_A_FACTOR) < 0.002:
        return TYPE_A_REASON
    if any(other_on != on and fits(air) for other_on, air in by_vessel[vessel]):
        return "this is what the vessel stood for at another calibration: an old value was used"
    others = sorted(
        name
        for name, periods in by_vessel.items()
        if name != vessel and any(fits(air) for _, air in periods)
    )
    if others:
        return f"this is what another vessel stands for: {others[0]}"
    return "it differs from the vessel in force by more than the uncertainty allows"
