"""This module says where meters were found or left outside.

A visit that read too little to be a calibration can condemn a meter, and never acquits it.
"""

from collections import defaultdict
from collections.abc import Iterable
from datetime import date
from typing import Any

import polars as pl

from drift.meter.calibrations import looks_back, looks_forward
from drift.review.meter_facts import Failure, Outside
from drift.review.suspicion import with_verdicts

# What is equal to so many places is equal, and a stated rule decides: beyond lies binary rounding.
POINT_PLACES = 9


def with_limits(ledger: pl.DataFrame, verdicts: pl.DataFrame) -> pl.DataFrame:
    """Return a ledger as of `drift.review.suspicion.with_verdicts`, with the limits in force.

    Returns
    -------
    pl.DataFrame
        The ledger with ``found_inside left_inside found_limit left_limit``.
    """
    key = ["meter_id", "visit_id", "point_pct"]
    limits = (
        verdicts.group_by(key)
        .agg(
            found_limit=pl.col("limit_pct").filter(pl.col("stage") == "as_found").first(),
            left_limit=pl.col("limit_pct").filter(pl.col("stage") == "as_left").first(),
        )
        .with_columns(left_limit=pl.coalesce("left_limit", "found_limit"))
    )
    return with_verdicts(ledger, verdicts).join(limits, on=key, how="left")


def left_outside(judged: pl.DataFrame) -> dict[str, Outside]:
    """Return where each meter was last left outside, or found so and not shown to be put right.

    Only what was read at the last visit that looks forward or later counts; of each point the
    last reading does, so that a visit that read less acquits no other point.
    """
    stands = pl.coalesce("left_inside", "found_inside")
    day = pl.col("performed_on")
    since = day.filter(looks_forward()).max().over("meter_id")
    last = (
        judged.with_columns(stands=stands)
        .filter(pl.col("stands").is_not_null() & (since.is_null() | (day >= since)))
        .group_by("series", "meter_id", "point_pct", maintain_order=True)
        .last()
        .filter(~pl.col("stands"))
        .with_columns(left=pl.when(pl.col("left_inside").is_not_null()).then("left_bias_pct"))
        .with_columns(off=pl.coalesce("left", "as_found_bias_pct"))
    )
    return {
        row["meter_id"]: Outside(
            on=row["performed_on"],
            point=row["point_pct"],
            found=row["as_found_bias_pct"],
            left=row["left"],
            limit=row["found_limit"] if row["left"] is None else row["left_limit"],
        )
        for row in largest(last, "off").iter_rows(named=True)
    }


def settled_visits(responses: pl.DataFrame, decisions: pl.DataFrame) -> pl.DataFrame:
    """Return the visits after which it is on record what became of results: ``meter_id visit_on``.

    Parameters
    ----------
    responses : pl.DataFrame
        Frame of `drift.review.responses.RESPONSES`.
    decisions : pl.DataFrame
        Rows of the input table ``decisions``.  Where there are any, they alone count; where a
        laboratory keeps none, a response to a signal of the visit does.
    """
    if not decisions.is_empty():
        return decisions.select("meter_id", visit_on="about").unique()
    return responses.filter(pl.col("problem") == "").select("meter_id", "visit_on").unique()


def outside_visits(
    judged: pl.DataFrame, settled: pl.DataFrame, *, since: date
) -> dict[str, tuple[Failure, ...]]:
    """Return the visits of late, and the last checks, that found a meter outside, newest first.

    `settled` is of `settled_visits`.
    """
    day = pl.col("performed_on")
    good = (
        judged.filter(looks_forward())
        .group_by("meter_id", "performed_on")
        .agg(good=pl.col("left_inside").fill_null(value=False).all())
        .filter("good")
        .select("meter_id", good_on="performed_on", before=day + pl.duration(days=1))
        .sort("before")
    )
    checked = looks_back() | ~pl.col("found_inside")
    last_check = day.filter(checked).max().over("meter_id")
    visits = largest(
        judged.filter((day >= since) | (day == last_check)).filter(~pl.col("found_inside")),
        "as_found_bias_pct",
        by=("meter_id", "performed_on"),
    ).sort("performed_on")
    answered = settled.select("meter_id", performed_on="visit_on", answered=pl.lit(value=True))
    rows = (
        visits.join_asof(
            good,
            left_on="performed_on",
            right_on="before",
            by="meter_id",
            strategy="backward",
            check_sortedness=False,
        )
        .join(answered.unique(), on=["meter_id", "performed_on"], how="left")
        .sort("meter_id", "performed_on", descending=[False, True])
    )
    return grouped(
        (
            row["meter_id"],
            Failure(
                on=row["performed_on"],
                point=row["point_pct"],
                found=row["as_found_bias_pct"],
                limit=row["found_limit"],
                good_on=row["good_on"],
                answered=bool(row["answered"]),
            ),
        )
        for row in rows.iter_rows(named=True)
    )


def failed_in_row(judged: pl.DataFrame) -> dict[str, int]:
    """Return how many checks each meter failed one after another, up to the last."""
    checks = (
        judged.group_by("meter_id", "performed_on", "visit_id")
        .agg(
            failed=(~pl.col("found_inside")).any().fill_null(value=False),
            check=looks_back().any() | (~pl.col("found_inside")).any(),
        )
        .filter("check")
        .sort("meter_id", "performed_on", "visit_id")
    )
    passed_since = (~pl.col("failed")).cast(pl.Int64).cum_sum(reverse=True).over("meter_id")
    rows = checks.filter(passed_since == 0).group_by("meter_id").agg(pl.len())
    return dict(rows.iter_rows())


def largest(
    points: pl.DataFrame, bias: str, *, by: tuple[str, ...] = ("meter_id",)
) -> pl.DataFrame:
    """Return of each group the row with the largest bias either way, of equal ones the lowest."""
    size = pl.col(bias).abs().round(POINT_PLACES)
    return points.sort(*by, size, "point_pct", descending=[*[False] * len(by), True, False]).unique(
        by, keep="first", maintain_order=True
    )


def grouped(pairs: Iterable[tuple[Any, ...]]) -> dict[str, Any]:
    """Return the second of each pair by the first, in order."""
    found: defaultdict[str, list[Any]] = defaultdict(list)
    for meter, thing in pairs:
        found[meter].append(thing)
    return {meter: tuple(things) for meter, things in found.items()}
