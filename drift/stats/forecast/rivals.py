"""This module forecasts visits by simpler methods, to be beaten; it scores nothing."""

import polars as pl

from drift.stats.extrapolation import extrapolate
from drift.stats.forecast.model import Settings
from drift.stats.trend import fit_trends

# Visits from which a straight line is drawn.
_LINE_VISITS = 4


def straight_lines(rows: pl.DataFrame, ledger: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Return what a straight line through the unadjusted path says of each case.

    Parameters
    ----------
    rows : pl.DataFrame
        One row per case: ``case``, ``series``, ``visit`` to forecast and its ``t_years``,
        ``seen_t_years``, ``left`` and ``resolution`` of the visit before.
    ledger : pl.DataFrame
        Frame of `drift.frames.LEDGER`; only visits before each case's are looked at.
    settings : Settings
        Tolerance and levels.

    Returns
    -------
    pl.DataFrame
        ``case`` and ``p_line``, the probability of being out, null where there is no line.
    """
    cases = rows.select("series", "visit", case=pl.col("case").cast(pl.Int64))
    paths = (
        cases.join(
            ledger.select(
                "series",
                "t_years",
                earlier="visit",
                value="unadjusted_path_pct",
                resolution="resolution_pct",
            ),
            on="series",
        )
        .filter(pl.col("earlier") < pl.col("visit"))
        .select("t_years", "value", "resolution", series="case")
    )
    empty = pl.DataFrame(schema={"case": pl.UInt32, "p_line": pl.Float64})
    if paths.drop_nulls("value").is_empty():
        return empty
    now = rows.filter(pl.col("left").is_not_null()).select(
        pl.col("case").cast(pl.Int64).alias("series"),
        pl.col("seen_t_years").alias("t_years"),
        pl.col("left").alias("level"),
        pl.col("t_years").alias("due_t_years"),
        "resolution",
    )
    made = extrapolate(
        fit_trends(paths, fewest=_LINE_VISITS),
        now,
        tolerance=settings.tolerance,
        band_level=settings.band_level,
        horizon_years=settings.horizon_years,
    )
    return made.select(case=pl.col("series").cast(pl.UInt32), p_line="p_out_due")


def with_record(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the share of failures among all visits of the fleet before each visit's day."""
    days = (
        rows.group_by("t_years")
        .agg(number=pl.len().cast(pl.Int64), failures=pl.col("found_out").sum().cast(pl.Int64))
        .sort("t_years")
        .with_columns(
            before=pl.col("number").cum_sum() - pl.col("number"),
            failed=pl.col("failures").cum_sum() - pl.col("failures"),
        )
        # Half a failure among one visit more: the usual guess for a share not yet seen.
        .select("t_years", p_fleet=(pl.col("failed") + 0.5) / (pl.col("before") + 1))
    )
    return rows.join(days, on="t_years", how="left", maintain_order="left")
