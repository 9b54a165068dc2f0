"""This module finds readings written down at another point of their visit."""

import polars as pl

from drift.frames import Schema

# One row per meter, visit, stage and point whose readings fit another point of that visit.
# fits_pct is that point; mutual is true where the other point's readings fit this one in turn,
# so that the two are swapped.
SWAPS: Schema = {
    "meter_id": pl.String,
    "performed_on": pl.Date,
    "visit_id": pl.String,
    "stage": pl.String,
    "point_pct": pl.Float64,
    "fits_pct": pl.Float64,
    "mutual": pl.Boolean,
    "readings_pct": pl.List(pl.Float64),
}
# Readings fit another point where they lie within this share of the way from its correct air
# content to their own.  Our choice, no source: on a way of 5 % air this leaves a meter 1.25 % off.
_NEAR = 0.25
_VISIT = ["meter_id", "performed_on", "visit_id", "stage"]


def swapped_points(sessions: pl.DataFrame) -> pl.DataFrame:
    """Find points whose readings are what another point of the same visit should show.

    Parameters
    ----------
    sessions : pl.DataFrame
        Frame of `drift.store.tables.SESSIONS`.

    Returns
    -------
    pl.DataFrame
        Frame of `SWAPS`, by meter, date, visit, stage and point.

    Notes
    -----
    No history is asked, so that a meter's first visit is judged too; the price is that only
    readings far nearer to the other point than to their own are told.
    """
    rows = sessions.drop_nulls("bias_pct").select(
        *_VISIT, "point_pct", "correct_air_pct", "biases_pct"
    )
    others = rows.select(*_VISIT, fits_pct="point_pct", other_pct="correct_air_pct")
    way = pl.col("other_pct") - pl.col("correct_air_pct")
    biases = pl.col("biases_pct").list
    furthest = pl.max_horizontal((biases.min() - way).abs(), (biases.max() - way).abs())
    found = rows.join(others, on=_VISIT, nulls_equal=True).filter(
        pl.col("point_pct") != pl.col("fits_pct"), furthest < _NEAR * way.abs()
    )
    back = found.select(
        *_VISIT, point_pct="fits_pct", fits_pct="point_pct", mutual=pl.lit(value=True)
    )
    return (
        found.join(back, on=[*_VISIT, "point_pct", "fits_pct"], how="left", nulls_equal=True)
        .with_columns(
            pl.col("mutual").fill_null(value=False),
            readings_pct=pl.col("biases_pct") + pl.col("correct_air_pct"),
        )
        .select(SWAPS.keys())
        .sort(*_VISIT, "point_pct", "fits_pct")
    )
