"""This module sorts the checks of a fleet into series by date, each of one meter and one kind."""

import polars as pl

from drift.frames import DAYS_PER_YEAR, EPOCH, Schema

ZERO, LEAK, POINT, ARTEFACT = "zero", "leak", "point", "artefact"
# What a check is called in a sentence.
CHECK_WORDS = {
    ZERO: "zero check",
    LEAK: "leak check",
    POINT: "point check",
    ARTEFACT: "artefact check",
}
PASSED, FAILED = "yes", "no"
AIR = "% air"
_NO_UNIT = "no unit"

_KPA = "kPa"
_KPA_PER_PSI = 6.894757293168  # exact by the definition of the pound-force and the inch
# Units as people write them: what they are called here, and what one of them is in that.
_UNITS: dict[str, tuple[str, float]] = {
    **dict.fromkeys(("%", "% air", "pct", "percent", "dial_pct", "air_pct"), (AIR, 1.0)),
    "kpa": (_KPA, 1.0),
    "pa": (_KPA, 1e-3),
    "hpa": (_KPA, 0.1),
    "mbar": (_KPA, 0.1),
    "bar": (_KPA, 100.0),
    "mpa": (_KPA, 1e3),
    "psi": (_KPA, _KPA_PER_PSI),
}
# Contents that are nearer than this are checks of one point, as with calibrations; of other units,
# as a share of what is expected.
_ONE_POINT_PCT, _ONE_POINT_SHARE = 2.0, 0.2
# Work after which a meter may lose pressure otherwise, or read otherwise.
_SEALING = ("seal_replaced", "gauge_replaced", "cleaned", "chamber_dried", "other")
_SETTING = ("hand_reset", "gauge_replaced")
_MOVING = ("moved", "established")
_PLACES = 9
_FINEST = 6
# Steps that dials are usually read to (common practice, no source).
_DIALS_PCT = (0.1, 0.05)

# One row per series and day.  aim is what the first check of the series was expected to show, null
# where the kind has one aim alone or none was named; expected that of the day.  departures are the
# numbers of the day less what was expected, in unit; value their mean, null where the day has none.
# passed and failed count answers without a number.  phase rises with work after which another level
# is to be expected; step is what the numbers are read to.
PLACED: Schema = {
    "series": pl.Int64,
    "meter_id": pl.String,
    "check": pl.String,
    "unit": pl.String,
    "aim": pl.Float64,
    "visit": pl.Int64,
    "phase": pl.Int64,
    "performed_on": pl.Date,
    "t_years": pl.Float64,
    "expected": pl.Float64,
    "departures": pl.List(pl.Float64),
    "value": pl.Float64,
    "step": pl.Float64,
    "passed": pl.Int64,
    "failed": pl.Int64,
    "limit": pl.Float64,
}
SERIES_KEY = ["meter_id", "check", "unit", "aim"]


def unit_named(unit: str) -> tuple[str, float]:
    """Return what a unit is called here, and what one of it is in that; others stay as written."""
    plain = " ".join(unit.split())
    return _UNITS.get(plain.lower(), (plain, 1.0))


def place_checks(
    checks: pl.DataFrame,
    *,
    ledger: pl.DataFrame,
    marks: pl.DataFrame,
    service: pl.DataFrame,
    baseline_visits: int,
) -> pl.DataFrame:
    """Return the checks of the meters of a ledger in series by date.

    Parameters
    ----------
    checks, marks, service : pl.DataFrame
        Rows in force of those input tables.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`: its dials, and when they were adjusted.
    baseline_visits : int
        First days of a series, by whose numbers it is told what they are read to.

    Returns
    -------
    pl.DataFrame
        Frame of `PLACED`, by series and visit; series are numbered in the order of their key.

    Notes
    -----
    A check of the day of an adjustment is taken as made after it: what the meter read before is
    the calibration's as found.
    """
    ours = checks.join(ledger.select("meter_id").unique(), on="meter_id", how="semi")
    if ours.is_empty():
        return pl.DataFrame(schema=PLACED)
    rows = _with_aims(_in_units(ours))
    days = (
        rows.group_by(*SERIES_KEY, "performed_on")
        .agg(
            expected=pl.col("expected").drop_nulls().last(),
            departures=pl.col("departure").drop_nulls(),
            places=pl.col("places").max(),
            passed=(pl.col("value") == PASSED).sum().cast(pl.Int64),
            failed=(pl.col("value") == FAILED).sum().cast(pl.Int64),
            limit=pl.col("limit").drop_nulls().min(),
        )
        .sort(*SERIES_KEY, "performed_on")
        .with_columns(
            series=(pl.struct(SERIES_KEY).rank("dense").cast(pl.Int64) - 1),
            value=pl.col("departures").list.mean().round(_PLACES),
        )
        .sort("series", "performed_on")
        .with_columns(visit=pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("series"))
    )
    stepped = _with_steps(days, ledger, baseline_visits)
    phased = _with_phases(stepped, _work(ledger, marks, service))
    t_years = (pl.col("performed_on") - EPOCH).dt.total_days() / DAYS_PER_YEAR
    return (
        phased.with_columns(t_years=t_years)
        .select(PLACED.keys())
        .cast(PLACED)  # type: ignore[arg-type]  # names to types
        .sort("series", "visit")
    )


def _in_units(checks: pl.DataFrame) -> pl.DataFrame:
    """Add the departure from what was expected, all in one unit a quantity."""
    written = pl.coalesce(
        "unit", pl.when(pl.col("check") == LEAK).then(pl.lit(_NO_UNIT)).otherwise(pl.lit(AIR))
    )
    rows = checks.with_columns(unit=written)
    named = {unit: unit_named(unit) for unit in rows["unit"].unique()}
    factor = pl.col("unit").replace_strict(
        {unit: size for unit, (_, size) in named.items()}, return_dtype=pl.Float64
    )
    name = pl.col("unit").replace_strict(
        {unit: name for unit, (name, _) in named.items()}, return_dtype=pl.String
    )
    decimals = pl.col("value").str.extract(r"\.(\d+)$").str.len_chars().fill_null(0)
    return rows.with_columns(
        number=pl.col("value").cast(pl.Float64, strict=False) * factor,
        expected=pl.col("expected") * factor,
        limit=pl.col("limit") * factor,
        # Of numbers that were turned into another unit the last place is no decimal one.
        places=pl.when(factor == 1.0).then(decimals),
        unit=name,
    ).with_columns(departure=(pl.col("number") - pl.col("expected").fill_null(0.0)).round(_PLACES))


def _with_aims(rows: pl.DataFrame) -> pl.DataFrame:
    """Add what each series of checks of a point or an artefact aims at."""
    key = ["meter_id", "check", "unit"]
    has_aim = pl.col("check").is_in((POINT, ARTEFACT)) & pl.col("expected").is_not_null()
    aimed = (
        rows.filter(has_aim).group_by(*key, "expected").agg(first_on=pl.col("performed_on").min())
    ).sort(*key, "expected")
    room = (
        pl.when(pl.col("unit") == AIR)
        .then(_ONE_POINT_PCT)
        .otherwise(pl.col("expected").abs() * _ONE_POINT_SHARE)
    )
    apart = (pl.col("expected").diff().over(key) >= room).fill_null(value=False)
    aims = aimed.with_columns(cluster=apart.cast(pl.Int64).cum_sum().over(key)).with_columns(
        aim=pl.col("expected").sort_by("first_on", "expected").first().over(*key, "cluster")
    )
    return (
        rows.with_columns(_aimed=pl.when(has_aim).then("expected"))
        .join(
            aims.select(*key, "aim", _aimed="expected"),
            on=[*key, "_aimed"],
            how="left",
            maintain_order="left",
        )
        .drop("_aimed")
    )


def _with_steps(days: pl.DataFrame, ledger: pl.DataFrame, first: int) -> pl.DataFrame:
    """Add what the numbers of each series are read to.

    That is the coarsest step of dials that all first numbers lie on, no finer than the meter's own;
    else the last decimal place that any of them was written to; null where they were turned into
    another unit.  Too coarse a step widens limits, too fine a one signals falsely: seven numbers
    that all lie on tenths were hardly read to less.
    """
    dials = ledger.group_by("meter_id").agg(dial=pl.col("resolution_pct").last())
    rows = days.join(dials, on="meter_id", how="left", maintain_order="left")
    begun = rows.filter(pl.col("visit") <= first)
    read = begun.select("departures", "dial", "unit", pl.col("expected").fill_null(0.0))
    on_dial = pl.Series("on_dial", [_dial_read(*row) for row in read.iter_rows()], pl.Float64)
    of_series = (
        begun.with_columns(on_dial)
        .group_by("series")
        .agg(
            on_dial=pl.when(pl.col("on_dial").null_count() == 0).then(pl.col("on_dial").min()),
            most=pl.col("places").max().clip(upper_bound=_FINEST),
        )
    )
    written = pl.lit(10.0).pow(-pl.col("most").cast(pl.Float64))
    steps = of_series.select("series", step=pl.coalesce("on_dial", written))
    return rows.drop("dial").join(steps, on="series", how="left", maintain_order="left")


def _dial_read(
    numbers: list[float] | None, dial: float | None, unit: str, shift: float
) -> float | None:
    """Return the coarsest step that the numbers of a day lie on, at least that of the dial.

    None in another unit than % air, and where the numbers or the dial are not known.
    """
    if unit != AIR or numbers is None or dial is None or not dial > 0:
        return None
    for step in sorted({dial, *_DIALS_PCT}, reverse=True):
        shown = [(number + shift) / step for number in numbers]
        if step >= dial and all(abs(steps - round(steps)) < 1e-6 for steps in shown):
            return step
    return None


def _work(ledger: pl.DataFrame, marks: pl.DataFrame, service: pl.DataFrame) -> pl.DataFrame:
    """Return ``meter_id on sealing``: days of work after which another level is to be expected."""
    adjusted = ledger.filter("adjusted").select("meter_id", on="performed_on")
    moved = marks.filter(pl.col("action").is_in(_MOVING)).select("meter_id", on="performed_on")
    done = service.select("meter_id", "action", on="performed_on")
    reset = done.filter(pl.col("action").is_in(_SETTING)).drop("action")
    sealed = done.filter(pl.col("action").is_in(_SEALING)).drop("action")
    return pl.concat(
        [
            pl.concat([adjusted, moved, reset]).unique().with_columns(sealing=pl.lit(value=False)),
            sealed.unique().with_columns(sealing=pl.lit(value=True)),
        ]
    )


def _with_phases(days: pl.DataFrame, work: pl.DataFrame) -> pl.DataFrame:
    """Add how often something was done to a meter up to each day, and one."""
    parts = []
    for sealing in (False, True):
        rows = days.filter((pl.col("check") == LEAK) == sealing)
        counted = (
            work.filter(pl.col("sealing") == sealing)
            .sort("meter_id", "on")
            .select("meter_id", "on", done=pl.int_range(1, pl.len() + 1).over("meter_id"))
            .sort("on")
        )
        parts.append(
            rows.sort("performed_on")
            .join_asof(
                counted,
                left_on="performed_on",
                right_on="on",
                by="meter_id",
                check_sortedness=False,
            )
            .with_columns(phase=1 + pl.col("done").fill_null(0).cast(pl.Int64))
            .drop("on", "done", strict=False)
        )
    return pl.concat(parts, how="diagonal").sort("series", "visit")
