"""This module finds what a failed visit of one meter puts in doubt."""

from datetime import date

import polars as pl

from drift.errors import DriftError
from drift.forecast.smooth import smooth
from drift.ids import nearest_ids
from drift.review.field_tests import weigh_tests
from drift.review.forecasts import forecast_settings, jumps_known
from drift.review.results import Review
from drift.review.suspicion import BRACKET, Impact, failed_visits, suspect, with_verdicts
from drift.store.tables import Sources


def find_impact(review: Review, meter_id: str, *, visit: date | None) -> Impact:
    """Find what a visit of one meter puts in doubt.

    Parameters
    ----------
    review : Review
        Of the whole fleet.
    meter_id : str
        A meter of it.
    visit : date or None
        Day of one of its visits; None as in `write_impact`.
    """
    sources, policy = review.sources, review.policy
    judged = with_verdicts(review.ledger, review.conformity.verdicts)
    mine = judged.filter(pl.col("meter_id") == meter_id)
    failed = failed_visits(mine)
    told = mine if failed.is_empty() else failed
    suspicion = suspect(mine, closed=visit or max(told["performed_on"]))
    own = pl.col("meter_id") == meter_id
    drops = sources.service.filter(
        own
        & (pl.col("action") == "dropped")
        & (pl.col("performed_on") > suspicion.started)
        & (pl.col("performed_on") <= suspicion.closed)
    )
    dropped = tuple(drops["performed_on"].sort())
    hindsight = smooth(
        jumps_known(review.ledger, sources),
        meter_id=meter_id,
        opened=suspicion.started,
        closed=suspicion.closed,
        drops=dropped,
        settings=forecast_settings(policy, band_level=policy.band_level),
    )
    tests = sources.field_tests.filter(
        own & pl.col("tested_on").is_between(suspicion.started, suspicion.closed)
    )
    been_out = hindsight.any_been_out
    return Impact(
        suspicion=suspicion,
        drops=dropped,
        bracket=tuple(hindsight.been_out_on(BRACKET)),
        p_been_out=float(been_out[-1]) if been_out.size else None,
        path=hindsight.path(),
        tests=weigh_tests(tests, hindsight),
        held_back=_held_back(sources),
        tests_given="field_tests" in sources.files["table_name"],
    )


def _held_back(sources: Sources) -> int:
    """Count the rows of files of field tests that were held back."""
    files = sources.files.filter(pl.col("table_name") == "field_tests")
    held = sources.held_back.filter(pl.col("file").is_in(files["file"].implode()))
    return held.select("file", "line").n_unique()


def check_meter_and_visit(sessions: pl.DataFrame, meter_id: str, visit: date | None) -> None:
    """Raise where there is no such meter or visit, with the nearest there are."""
    mine = sessions.filter(pl.col("meter_id") == meter_id)
    if mine.is_empty() and not sessions.is_empty():
        near = nearest_ids(meter_id, sessions["meter_id"].unique())
        raise DriftError(
            what="is not a meter with a visit on record",
            where=f"meter {meter_id}",
            expected="the id of one that has",
            hint=f"nearest: {', '.join(near)}" if near else "",
        )
    days = mine.group_by("visit_id").agg(pl.col("performed_on").min())["performed_on"]
    if visit is not None and visit not in set(days):
        near_days = sorted(days, key=lambda day: (abs((day - visit).days), day))[:3]
        raise DriftError(
            what=f"has no visit on {visit}",
            where=f"meter {meter_id}",
            expected="the day of one of its visits",
            hint=f"nearest: {', '.join(day.isoformat() for day in sorted(near_days))}",
        )
