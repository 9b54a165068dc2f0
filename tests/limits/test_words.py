"""Findings in the words of a laboratory: what is it, how sure, what to do."""

from datetime import date

import polars as pl
import pytest

from drift.limits import baseline_change as change
from drift.limits.baseline_change import BASELINE_CHANGES, SINCE_BASELINE, tell_phases
from drift.limits.phase_tests import PHASES
from drift.limits.signals import sentence
from drift.meter.ledger import LEDGER
from drift.report.figures.findings import TOLD_DRIFT, notice
from drift.report.pages.captions import wide_limits
from drift.review.evidence import study_detectability
from drift.review.policy import Policy


def plain(words: str) -> str:
    return words.replace("\u00a0", " ").replace("\u2212", "-")


@pytest.mark.parametrize(
    ("value", "limit", "told", "edge"),
    [
        (-0.00672869, -0.00723864, "-0.0067 % air", "limit of -0.0072 % air"),
        (0.0999999, 0.1, "+0.0999999 % air", "limit of +0.1000000 % air"),
        (0.056, 0.053, "+0.056 % air", "limit of +0.053 % air"),
    ],
)
def test_a_value_and_its_limit_never_read_alike(
    value: float, limit: float, told: str, edge: str
) -> None:
    """As many places as tell them apart, three where these do."""
    said = plain(sentence("beyond_limits", chart="ewma", value=value, limit=limit, on="2 Feb 2024"))
    assert f"was {told}" in said
    assert edge in said


def since(verdict: str, stands: str) -> str:
    """Return what is said of visits since a baseline."""
    row = dict.fromkeys(BASELINE_CHANGES) | {
        "series": 1,
        "phase": 1,
        "old_points": 7,
        "new_points": 9,
    }
    row |= {"verdict": verdict, "t": 0.4, "t_df": 14.0, "t_p": 0.7}
    ledger = pl.DataFrame(
        [dict.fromkeys(LEDGER) | {"series": 1, "meter_id": "A", "point_pct": 5.0, "visit": 1}],
        schema=LEDGER,
    ).with_columns(performed_on=pl.lit(date(2024, 1, 1)))
    told = tell_phases(
        pl.DataFrame(schema=PHASES),
        pl.DataFrame([row], schema=BASELINE_CHANGES),
        ledger=ledger,
        levels=(0.1, 0.01),
        unsettled={1: stands} if stands else {},
    )
    assert told["compared"].to_list() == [SINCE_BASELINE]
    return str(told["sentence"][0])


def test_pooling_is_proposed_only_where_nothing_stands_against_it() -> None:
    """Not where it cannot be said, nor under a jump or a signal; the threshold stands beside."""
    assert "later visits may be pooled with the baseline" in since(change.ALIKE, "")
    assert "changed means p below 0.01" in since(change.ALIKE, "")
    for said in (since(change.ALIKE, "a jump"), since(change.CANNOT_TEST, "a signal")):
        assert "may be pooled" not in said
        assert said.startswith("Do not pool later visits with the baseline while a")
    unsure = since(change.CANNOT_TEST, "")
    assert "whether later visits may be pooled with the baseline cannot be said" in unsure


def test_limits_outside_the_tolerance_say_so_and_why() -> None:
    """Only the limits past it are named, with the drift where one is confirmed."""
    latest = [(5.0, -0.05), (5.0, 0.09), (10.0, -0.02), (10.0, 0.129)]
    said = plain(wide_limits(latest, tolerance_pct=0.1, drifts=True))
    assert (
        "+0.129 % air at 10 %, because it was drifting already at the visits that set them" in said
    )
    assert "at 5 %" not in said
    assert "scatter widely or are few" in wide_limits(latest, tolerance_pct=0.1, drifts=False)
    assert wide_limits(latest[:2], tolerance_pct=0.1, drifts=True) == ""


def test_what_charts_see_begins_with_the_finding_and_its_numbers_are_the_tables() -> None:
    """Years told are those of the table, rounded; a chart that is not drawn is not told."""
    policy = Policy()
    found = study_detectability(policy)
    first, on_average, alarms = (plain(words) for words in notice(found, charts=policy.charts))
    assert first == "A drift of 0.08 % air a year is noticed after about a year."
    assert "CUSUM" not in on_average
    rows = found.drifts.filter(pl.col("drift_pct_per_year") == TOLD_DRIFT)
    ewma = rows.filter(pl.col("monitor") == "ewma")["mean_years"][0]
    assert f"EWMA {ewma:.1f} years" in on_average
    rate = found.false_alarms.filter(pl.col("monitor") == "ewma")["false_alarms_a_quarter"][0]
    assert f"EWMA {rate:.2f}" in alarms
