"""This module lays out the ledger's readings segment by segment for `drift.meter.causes`."""

import polars as pl

from drift.meter.causes import CAUSE_READINGS


def segment_readings(
    ledger: pl.DataFrame,
    *,
    marks: pl.DataFrame,
    service: pl.DataFrame,
    moves: pl.DataFrame,
    common: pl.DataFrame,
) -> pl.DataFrame:
    """Return every reading of every segment with what was done before it.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    marks, service : pl.DataFrame
        Input tables, may be empty.
    moves : pl.DataFrame
        Frame of `drift.meter.marks.MARK_MOVES`.
    common : pl.DataFrame
        What `drift.reference.shared_effects.common_evidence` returned; may be empty.

    Returns
    -------
    pl.DataFrame
        Frame of `CAUSE_READINGS`, sorted by meter, segment and time.

    Notes
    -----
    As-left readings of an adjustment stand twice: at the end of the segment that it closed, with
    what was done, and at the start of the next.  At the end they are left out where nobody wrote
    down what was done, or where the gauge was replaced, since both leave nothing to compare.  What
    the operator is known to read too high is taken out.
    """
    key = ["meter_id", "performed_on"]
    rows = _readings(ledger).join(_done(marks, service, moves), on=key, how="left")
    closed = (
        rows.with_columns(
            pl.col("mark_moved", "hand_reset", "gauge_replaced").fill_null(value=False)
            & pl.col("closing")
        )
        .filter(
            ~pl.col("closing")
            | ((pl.col("mark_moved") | pl.col("hand_reset")) & ~pl.col("gauge_replaced"))
        )
        .sort("meter_id", "segment", "t_years", "stage", "point_pct", maintain_order=True)
    )
    for name, action in (("dried", "chamber_dried"), ("sealed", "seal_replaced")):
        closed = _since_start(closed, service, action=action, name=name)
    known = closed.join(
        common, on=["meter_id", "segment", "performed_on"], how="left", maintain_order="left"
    )
    by_operator = pl.when(pl.col("point_pct") > 0).then("operator_pct").fill_null(0.0)
    return (
        known.with_columns(
            visit=pl.col("t_years").rank("dense").over("meter_id", "segment").cast(pl.Int64) - 1,
            mark_worth_pct=pl.when("mark_moved").then("mark_worth_pct"),
            bias_pct=pl.col("bias_pct") - by_operator,
        )
        .select(CAUSE_READINGS.keys())
        .cast(CAUSE_READINGS)  # type: ignore[arg-type]  # names to types
    )


def _readings(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return one row per reading and segment; closing marks as-left readings of an adjustment."""
    keep = ["meter_id", "performed_on", "t_years", "point_pct", "resolution_pct", "segment"]
    keep.append("adjusted")
    found = ledger.select(
        *keep, air_pct="correct_air_pct", bias_pct="as_found_biases_pct", stage=pl.lit(0)
    )
    left = ledger.select(
        *keep, air_pct="correct_air_pct", bias_pct="as_left_biases_pct", stage=pl.lit(1)
    )
    opening = left.filter("adjusted").with_columns(segment=pl.col("segment") + 1)
    parts = [
        found.with_columns(closing=pl.lit(value=False)),
        left.with_columns(closing="adjusted"),
        opening.with_columns(closing=pl.lit(value=False)),
    ]
    return pl.concat(parts).explode("bias_pct").drop_nulls("bias_pct")


def _done(marks: pl.DataFrame, service: pl.DataFrame, moves: pl.DataFrame) -> pl.DataFrame:
    """Return per meter and day which adjustments were done, and the worth of a mark move."""
    key = ["meter_id", "performed_on"]
    moved = marks.filter(pl.col("action") == "moved").select(*key, what=pl.lit("mark_moved"))
    work = service.select(*key, what="action")
    worth = moves.group_by(key).agg(mark_worth_pct=pl.col("change_5_pct").sum())
    flags = [
        (pl.col("what") == what).any().alias(what)
        for what in ("mark_moved", "hand_reset", "gauge_replaced")
    ]
    return pl.concat([moved, work]).group_by(key).agg(flags).join(worth, on=key, how="left")


def _since_start(
    rows: pl.DataFrame, service: pl.DataFrame, *, action: str, name: str
) -> pl.DataFrame:
    """Add whether some work was done since the segment began and before each reading.

    Work on the day of a visit comes after the as-found and before the as-left readings.
    """
    times = (
        service.filter(pl.col("action") == action)
        .select("meter_id", done_on="performed_on")
        .sort("meter_id", "done_on")
        .with_columns(times=pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("meter_id"))
        .sort("done_on")
    )
    before = pl.col("performed_on").dt.offset_by("-1d")
    counted = (
        rows.with_row_index("_row")
        .with_columns(until=pl.when(pl.col("stage") == 0).then(before).otherwise("performed_on"))
        .sort("until")
        .join_asof(
            times,
            left_on="until",
            right_on="done_on",
            by="meter_id",
            strategy="backward",
            check_sortedness=False,
        )
        .sort("_row")
        .with_columns(pl.col("times").fill_null(0))
    )
    started = pl.col("times").first().over("meter_id", "segment")
    return counted.with_columns((pl.col("times") > started).alias(name)).drop(
        "_row", "until", "times", "done_on", strict=False
    )
