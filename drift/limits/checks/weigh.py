"""This module charts the checks between calibrations, each series by its own history, in dates."""

from dataclasses import dataclass, field
from functools import partial

import polars as pl

from drift.frames import Schema
from drift.limits.charting import chart_settings, draw_family
from drift.limits.checks.check_signals import chart_name, check_signals
from drift.limits.checks.check_words import said_of_series, series_words
from drift.limits.checks.judging import OUTSIDE, judge_checks
from drift.limits.checks.placing import SERIES_KEY, place_checks
from drift.limits.choices import LimitChoices
from drift.limits.rounding.borrowing import Lenders
from drift.limits.rules import apply_rules
from drift.limits.signals import SIGNALS

_CHARTS = ("ewma", "cusum")
# Charts with a memory: only a point beyond the limits speaks.
_RULE = "beyond_limits"

# One row per meter, kind of check, unit and aim: `data/check_series.csv`.  aim is what the first
# check of the series was to show, null where none was named; name says both in words.  days on
# which it was done; numbers, those that gave a number; passed and failed answers without one.
# outside: days judged outside their limit; limit and basis are those of the last day.  last is its
# departure from what was expected; centre and sigma (of one day) set the limits of the charts,
# from baseline days.  in_control is null where there are no limits; restarts counts where they
# were set anew.
CHECK_SERIES: Schema = {
    "meter_id": pl.String,
    "check": pl.String,
    "unit": pl.String,
    "aim": pl.Float64,
    "name": pl.String,
    "days": pl.Int64,
    "numbers": pl.Int64,
    "passed": pl.Int64,
    "failed": pl.Int64,
    "first_on": pl.Date,
    "last_on": pl.Date,
    "limit": pl.Float64,
    "basis": pl.String,
    "outside": pl.Int64,
    "last": pl.Float64,
    "baseline": pl.Int64,
    "centre": pl.Float64,
    "sigma": pl.Float64,
    "in_control": pl.Boolean,
    "restarts": pl.Int64,
    "sentence": pl.String,
}

# One row per series and day: `data/check_days.csv`.  departure is the mean of the day less what was
# expected; the charts and their limits are in its unit, null where there is no number or no limit.
CHECK_DAYS: Schema = {
    "meter_id": pl.String,
    "check": pl.String,
    "unit": pl.String,
    "aim": pl.Float64,
    "performed_on": pl.Date,
    "phase": pl.Int64,
    "replicates": pl.Int64,
    "departure": pl.Float64,
    "passed": pl.Int64,
    "failed": pl.Int64,
    "limit": pl.Float64,
    "judged": pl.String,
    "ewma": pl.Float64,
    "centre": pl.Float64,
    "ewma_lower": pl.Float64,
    "ewma_upper": pl.Float64,
    "cusum_high": pl.Float64,
    "cusum_low": pl.Float64,
    "cusum_limit": pl.Float64,
    "in_baseline": pl.Boolean,
}


@dataclass(frozen=True, slots=True)
class CheckCharts:
    """What checks between calibrations say.

    Attributes
    ----------
    series, days : pl.DataFrame
        Frames of `CHECK_SERIES` and `CHECK_DAYS`.
    signals : pl.DataFrame
        Frame of `drift.limits.signals.SIGNALS`.
    """

    series: pl.DataFrame = field(default_factory=partial(pl.DataFrame, schema=CHECK_SERIES))
    days: pl.DataFrame = field(default_factory=partial(pl.DataFrame, schema=CHECK_DAYS))
    signals: pl.DataFrame = field(default_factory=partial(pl.DataFrame, schema=SIGNALS))


def weigh_checks(
    checks: pl.DataFrame,
    *,
    ledger: pl.DataFrame,
    marks: pl.DataFrame,
    service: pl.DataFrame,
    policy: LimitChoices,
    tolerance_pct: float,
    comparison: str,
) -> CheckCharts:
    """Chart and judge the checks of the meters of a ledger.

    Parameters
    ----------
    checks, marks, service : pl.DataFrame
        Rows in force of those input tables.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    policy : LimitChoices
        How charts are set, and the limit of a leak.
    tolerance_pct, comparison
        As of `drift.limits.checks.judging.judge_checks`.

    Notes
    -----
    Charts count checks, not days: an EWMA forgets by the check, however far apart they are.  They
    are set by the first checks of the series and by nothing else, so that a meter is judged alike
    whatever fleet it is in; rounded numbers and short baselines as in `drift.limits.charting`.
    """
    placed = place_checks(
        checks,
        ledger=ledger,
        marks=marks,
        service=service,
        baseline_visits=policy.baseline_visits,
    )
    if placed.is_empty():
        return CheckCharts()
    judged = judge_checks(placed, policy=policy, tolerance_pct=tolerance_pct, comparison=comparison)
    points = _points(placed)
    # Nobody lends: a series borrows from no other meter.
    alone = Lenders(points.clear())
    family = draw_family(
        points,
        settings=chart_settings(policy),
        charts=_CHARTS,
        lenders=(alone, alone),
    )
    charted = family.points.join(
        placed.select("series", "visit", "check"), on=["series", "visit"]
    ).with_columns(chart=chart_name(pl.col("check"), pl.col("chart")))
    findings = apply_rules(
        family.points,
        rules=tuple(name for name in policy.rules if name == _RULE),
    )
    return CheckCharts(
        series=_series(judged, family.points, family.limits, needed=policy.baseline_visits),
        days=_days(judged, family.points),
        signals=check_signals(judged, charted, findings),
    )


def _points(placed: pl.DataFrame) -> pl.DataFrame:
    """Return placed checks as points of charts."""
    return placed.select(
        "series",
        "visit",
        "phase",
        "t_years",
        "value",
        replicates=pl.col("departures").list.len().cast(pl.Int64),
        resolution="step",
        values="departures",
    )


def _wide(points: pl.DataFrame) -> pl.DataFrame:
    """Return the points of all charts with one row a series and visit."""
    key = ["series", "visit"]
    slow = points.filter(pl.col("chart") == "ewma").select(
        *key,
        "in_baseline",
        "centre",
        own_phase="phase",
        ewma="value",
        ewma_lower="lower",
        ewma_upper="upper",
    )
    high = points.filter(pl.col("chart") == "cusum_high").select(
        *key, cusum_high="value", cusum_limit="upper"
    )
    low = points.filter(pl.col("chart") == "cusum_low").select(*key, cusum_low="value")
    return slow.join(high, on=key, how="left").join(low, on=key, how="left")


def _days(judged: pl.DataFrame, points: pl.DataFrame) -> pl.DataFrame:
    """Return a row for each series and day."""
    return (
        judged.join(_wide(points), on=["series", "visit"], how="left")
        .with_columns(
            phase=pl.coalesce("own_phase", "phase"),
            replicates=pl.col("departures").list.len().cast(pl.Int64)
            + pl.col("passed")
            + pl.col("failed"),
            departure="value",
            in_baseline=pl.col("in_baseline").fill_null(value=False),
        )
        .sort("series", "visit")
        .select(CHECK_DAYS.keys())
        .cast(CHECK_DAYS)  # type: ignore[arg-type]  # names to types
    )


def _series(
    judged: pl.DataFrame, points: pl.DataFrame, limits: pl.DataFrame, *, needed: int
) -> pl.DataFrame:
    """Return a row for each series."""
    wide = _wide(points).sort("series", "visit")
    beyond = ~pl.col("ewma").is_between("ewma_lower", "ewma_upper") | (
        pl.max_horizontal("cusum_high", -pl.col("cusum_low")) > pl.col("cusum_limit")
    )
    newest = wide.group_by("series").agg(
        in_control=(~beyond).last(), restarts=pl.col("own_phase").n_unique() - 1
    )
    cusum = limits.filter(pl.col("chart") == "cusum_high").sort("series", "phase")
    sources = cusum.group_by("series").agg(
        baseline=pl.col("points").last(),
        centre=pl.col("centre").last(),
        sigma=pl.col("sigma").last(),
    )
    rows = (
        judged.sort("series", "visit")
        .group_by("series", *SERIES_KEY, maintain_order=True)
        .agg(
            days=pl.len().cast(pl.Int64),
            numbers=pl.col("value").count().cast(pl.Int64),
            passed=pl.col("passed").sum(),
            failed=pl.col("failed").sum(),
            first_on=pl.col("performed_on").min(),
            last_on=pl.col("performed_on").max(),
            limit=pl.col("limit").last(),
            basis=pl.col("basis").last(),
            outside=(pl.col("judged") == OUTSIDE).sum().cast(pl.Int64),
            last=pl.col("value").drop_nulls().last(),
        )
        .join(newest, on="series", how="left")
        .join(sources, on="series", how="left")
        .sort("series")
        .with_columns(pl.col("restarts").fill_null(0))
    )
    names = [series_words(*row) for row in rows.select("check", "unit", "aim").iter_rows()]
    said = [said_of_series(row, needed=needed) for row in rows.iter_rows(named=True)]
    return (
        rows.with_columns(
            name=pl.Series(names, dtype=pl.String), sentence=pl.Series(said, dtype=pl.String)
        )
        .select(CHECK_SERIES.keys())
        .cast(CHECK_SERIES)  # type: ignore[arg-type]  # names to types
    )
