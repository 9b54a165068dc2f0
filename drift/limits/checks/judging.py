"""This module judges checks against their limits, and judges nothing where no limit is set."""

import polars as pl

from drift.frames import Schema
from drift.limits.checks.placing import AIR, LEAK, PLACED, POINT, ZERO, unit_named
from drift.limits.choices import LimitChoices
from drift.meter.tolerance import within_tolerance

INSIDE, OUTSIDE = "inside", "outside"
NOT_JUDGED = "not_judged"
# Where a limit comes from, or why there is none.
BY_POLICY, BY_RECORD, BY_TOLERANCE, BY_ANSWER = "policy", "record", "tolerance", "answer"
NO_LIMIT, OTHER_UNIT = "no_limit_set", "limit_in_another_unit"

# What `judge_checks` adds.  judged of a day is that of its worst check.
JUDGED: Schema = PLACED | {"judged": pl.String, "basis": pl.String}


def judge_checks(
    placed: pl.DataFrame, *, policy: LimitChoices, tolerance_pct: float, comparison: str
) -> pl.DataFrame:
    """Judge the checks of each day.

    Parameters
    ----------
    placed : pl.DataFrame
        Frame of `drift.limits.checks.placing.PLACED`.
    policy : LimitChoices
        ``leak_limit`` and its unit.
    tolerance_pct : float
        Largest departure of a zero or a point that passes where the check has no limit of its own.
    comparison : {"absolute", "rounding"}
        As of `drift.meter.tolerance.within_tolerance`.

    Returns
    -------
    pl.DataFrame
        Frame of `JUDGED`.

    Notes
    -----
    How much pressure may be lost in what time no standard says that we could check: the only
    wording that is published is ambiguous.  A leak is therefore judged by the limit of the
    policy, else by that of the record, else not at all.  An answer without a number is the
    laboratory's own verdict.
    """
    is_leak = pl.col("check") == LEAK
    set_limit = policy.leak_limit > 0
    name, size = unit_named(policy.leak_limit_unit)
    same_unit = pl.lit(not policy.leak_limit_unit.strip()) | (pl.col("unit") == name)
    own = pl.when(pl.col("limit") > 0).then("limit")
    of_tolerance = (
        pl.col("check").is_in((ZERO, POINT))
        & (pl.col("unit") == AIR)
        & ((pl.col("check") == ZERO) | pl.col("expected").is_not_null())
    )
    by_policy = is_leak & set_limit & same_unit
    aimed = (pl.col("check").is_in((ZERO, LEAK))) | pl.col("expected").is_not_null()
    limited = placed.with_columns(
        limit=pl.when(by_policy)
        .then(pl.lit(policy.leak_limit * (size if policy.leak_limit_unit.strip() else 1.0)))
        .when(own.is_not_null() & aimed)
        .then(own)
        .when(of_tolerance)
        .then(pl.lit(tolerance_pct)),
        basis=pl.when(by_policy)
        .then(pl.lit(BY_POLICY))
        .when(own.is_not_null() & aimed)
        .then(pl.lit(BY_RECORD))
        .when(of_tolerance)
        .then(pl.lit(BY_TOLERANCE))
        .when(is_leak & set_limit)
        .then(pl.lit(OTHER_UNIT))
        .otherwise(pl.lit(NO_LIMIT)),
    )
    within = _within(limited, comparison)
    answered = pl.col("passed") + pl.col("failed") > 0
    return (
        limited.join(within, on=["series", "visit"], how="left", maintain_order="left")
        .with_columns(
            judged=pl.when((pl.col("failed") > 0) | pl.col("inside").not_())
            .then(pl.lit(OUTSIDE))
            .when(pl.col("inside") | ((pl.col("passed") > 0) & pl.col("inside").is_null()))
            .then(pl.lit(INSIDE))
            .otherwise(pl.lit(NOT_JUDGED)),
            basis=pl.when(answered & pl.col("inside").is_null())
            .then(pl.lit(BY_ANSWER))
            .otherwise("basis"),
        )
        .select(JUDGED.keys())
    )


def _within(limited: pl.DataFrame, comparison: str) -> pl.DataFrame:
    """Return ``series visit inside`` of the days with numbers and a limit.

    Every number of a day must lie inside.
    """
    numbers = (
        limited.filter(pl.col("limit").is_not_null())
        .select("series", "visit", "limit", departure="departures")
        .explode("departure")
        .drop_nulls("departure")
    )
    parts = [
        part.select(
            "series",
            "visit",
            inside=within_tolerance(
                pl.col("departure"), tolerance=part["limit"][0], comparison=comparison
            ),
        )
        for part in numbers.partition_by("limit")
    ]
    if not parts:
        return pl.DataFrame(schema={"series": pl.Int64, "visit": pl.Int64, "inside": pl.Boolean})
    return pl.concat(parts).group_by("series", "visit").agg(pl.col("inside").all())
