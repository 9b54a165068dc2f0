"""This module lists field tests made with a meter that was not to be used."""

from datetime import date, timedelta

import polars as pl

from drift.format import day
from drift.frames import Row, Schema
from drift.meter.calibrations import looks_forward
from drift.review.noted_rows import NOTED, unread_since
from drift.review.suspicion import with_verdicts

# One row per field test made with a meter while it was not to be used: `data/barred_uses.csv`.
# why is out (left outside tolerance, not put right since), withdrawn, retired or overdue, the
# gravest first; since_on the visit or due date from which, of withdrawn and retired meters the last
# visit, since the day on which they were is not on record.
BARRED_USES: Schema = {
    "meter_id": pl.String,
    "test_id": pl.String,
    "tested_on": pl.Date,
    "why": pl.String,
    "since_on": pl.Date,
    "sentence": pl.String,
}


def find_barred_uses(
    field_tests: pl.DataFrame,
    *,
    ledger: pl.DataFrame,
    verdicts: pl.DataFrame,
    meters: pl.DataFrame,
    noted: pl.DataFrame,
    interval_days: int,
) -> pl.DataFrame:
    """Return the field tests made with a meter that was not to be used on that day.

    Parameters
    ----------
    field_tests, meters : pl.DataFrame
        Rows of those input tables; tests of meters that are not in the ledger are left out.
    ledger, verdicts : pl.DataFrame
        As of `drift.review.suspicion.with_verdicts`.
    noted : pl.DataFrame
        Rows that could not be read, of `drift.review.noted_rows.NOTED`.
    interval_days : int
        Days between calibrations where a meter has no interval of its own.

    Returns
    -------
    pl.DataFrame
        Frame of `BARRED_USES`, by meter, newest first.

    Notes
    -----
    A meter left outside is out until a calibration shows it put right (a visit that read less
    acquits of nothing), both days left aside: whether a test of the very day came before or after
    is not known.  A calibration of the day itself ends overdue.  Before the first visit on
    record nothing is known.
    """
    history = _history(with_verdicts(ledger, verdicts))
    known = meters.select("meter_id", "status", own_days="interval_days").unique(
        "meter_id", keep="last"
    )
    found = _judged(
        _on_their_days(field_tests, history).join(known, on="meter_id", how="left"),
        interval_days=interval_days,
    )
    rows = [row | {"sentence": _sentence(row, noted)} for row in found.iter_rows(named=True)]
    return pl.DataFrame(
        [{name: row[name] for name in BARRED_USES} for row in rows], schema=BARRED_USES
    ).sort("meter_id", "tested_on", "test_id", descending=[False, True, False])


def _on_their_days(field_tests: pl.DataFrame, history: pl.DataFrame) -> pl.DataFrame:
    """Return each test with what its meter was on the day before and on the day itself."""
    tests = field_tests.select("meter_id", "test_id", "tested_on").sort("tested_on", "test_id")
    before = history.select("meter_id", "performed_on", "out_on")
    at = history.select("meter_id", "performed_on", "calibrated_on", still_out="out_on")
    return (
        tests.join_asof(
            before,
            left_on="tested_on",
            right_on="performed_on",
            by="meter_id",
            allow_exact_matches=False,
            check_sortedness=False,
        )
        .join_asof(
            at,
            left_on="tested_on",
            right_on="performed_on",
            by="meter_id",
            check_sortedness=False,
        )
        .join(history.group_by("meter_id").agg(last_on=pl.col("performed_on").max()), on="meter_id")
    )


def _judged(tests: pl.DataFrame, *, interval_days: int) -> pl.DataFrame:
    """Return the tests of meters not to be used, with ``why`` and ``since_on``."""
    due_on = pl.col("calibrated_on") + pl.duration(days=pl.col("own_days").fill_null(interval_days))
    gone = pl.col("status").is_in(["withdrawn", "retired"]) & (
        pl.col("tested_on") > pl.col("last_on")
    )
    out = pl.col("out_on").is_not_null() & pl.col("still_out").is_not_null()
    overdue = due_on < pl.col("tested_on")
    why = pl.when(out).then(pl.lit("out")).when(gone).then("status")
    since_on = pl.when(out).then("out_on").when(gone).then("last_on").otherwise(due_on)
    return tests.with_columns(
        why=why.when(overdue).then(pl.lit("overdue")), since_on=since_on
    ).drop_nulls("why")


def late_uses(uses: pl.DataFrame, *, as_of: date, days: int) -> pl.DataFrame:
    """Return the barred uses of the last days: those that something must be done about."""
    return uses.filter(pl.col("tested_on") >= as_of - timedelta(days=days))


def uses_noted(uses: pl.DataFrame) -> pl.DataFrame:
    """Return barred uses as what is noted of their meters."""
    return uses.select(
        "meter_id",
        on_date="tested_on",
        words=pl.col("sentence").str.strip_suffix(".").str.replace("^F", "f"),
        speaks=pl.lit(value=False),
    ).cast(NOTED)  # type: ignore[arg-type]  # names to types


def _history(judged: pl.DataFrame) -> pl.DataFrame:
    """Return of each meter and day of a visit since when it is out and when last calibrated."""
    left, found = pl.col("left_inside"), pl.col("found_inside")
    out = ((~left) | (left.is_null() & ~found)).fill_null(value=False)
    put_right = looks_forward() & left.fill_null(value=True)
    first = pl.col("performed_on").min().over("meter_id")
    return (
        judged.group_by("meter_id", "performed_on")
        .agg(out=out.any(), good=put_right.all(), calibrated=looks_forward().any())
        .sort("meter_id", "performed_on")
        .with_columns(
            # A day keeps what it was before: null in between, 1 or 0 where it changes.
            state=pl.when("out").then(1).when("good").then(0).forward_fill().over("meter_id"),
            calibrated_on=pl.when("calibrated")
            .then("performed_on")
            .forward_fill()
            .over("meter_id")
            .fill_null(first),
        )
        .with_columns(
            began=pl.when(
                (pl.col("state") == 1)
                & (pl.col("state").shift(1).over("meter_id").fill_null(0) == 0)
            ).then("performed_on")
        )
        .with_columns(
            out_on=pl.when(pl.col("state") == 1).then(
                pl.col("began").forward_fill().over("meter_id")
            )
        )
        .sort("performed_on")
    )


def _sentence(row: Row, noted: pl.DataFrame) -> str:
    """Say which test was made, and why the meter was not to be used."""
    made = f"Field test {row['test_id']} of {day(row['tested_on'])}"
    since = day(row["since_on"])
    if row["why"] == "out":
        return f"{made}: left outside tolerance on {since} and not shown to be put right since."
    if row["why"] == "overdue":
        mine = noted.filter(
            pl.col("meter_id") == row["meter_id"],
            (pl.col("on_date") <= row["tested_on"]) | pl.col("on_date").is_null(),
        )
        unread = unread_since(mine, row["calibrated_on"])
        doubt = " as far as its rows could be read" if unread else ""
        return f"{made}: overdue since {since}{doubt}."
    return f"{made}: the meter is {row['why']}, last seen {since}; the day itself is not on record."
