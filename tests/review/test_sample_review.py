"""A review of the sample history finds what its README says is planted."""

import math
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from drift.report.pages.dossier import dossier_page
from drift.report.pages.evidence import evidence_page
from drift.review.evidence import gather_evidence
from drift.review.policy import Policy
from drift.review.results import Review
from tests.sample_reviews import SampleReviews

SAMPLE = Path(__file__).resolve().parents[2] / "sample_history"


@pytest.fixture(scope="module")
def review(sample_on: SampleReviews) -> Review:
    return sample_on(date(2026, 10, 1))


def meter(review: Review, meter_id: str) -> dict[str, object]:
    return review.meters.filter(pl.col("meter_id") == meter_id).row(0, named=True)


@pytest.mark.parametrize(
    ("meter_id", "standing"),
    [
        ("AM-01", "holding"),
        ("AM-02", "holding"),
        ("AM-03", "holding"),
        ("AM-04", "watch"),
        ("AM-06", "drifting"),
        ("AM-07", "drifting"),
        ("AM-09", "watch"),
        ("AM-12", "out"),
        ("AM-19", "unproven"),
        ("AM-24", "holding"),
    ],
)
def test_planted_meters_stand_as_planted(review: Review, meter_id: str, standing: str) -> None:
    """Steady, drifting, failed, leaking and new meters are told apart."""
    assert meter(review, meter_id)["standing"] == standing


def test_the_leak_comes_first_then_the_overdue_the_early_and_the_drifting(review: Review) -> None:
    """Meters are in the order of what is owed: AM-18 is overdue, AM-04 nears its limit."""
    first = review.meters.head(4)
    assert first["meter_id"].to_list() == ["AM-12", "AM-18", "AM-04", "AM-06"]
    strongest = first["obligations"].str.split(" ").list.first()
    assert strongest.to_list() == ["do_not_use", "overdue", "see_early", "find_cause"]


def test_drifts_are_recovered(review: Review) -> None:
    """The drifts of AM-05 (−0.020), AM-06 (0.15) and AM-07 (0.13) lie in their intervals.

    They are those at 10 %, which is the worst point of the two that drift fast; the slow one is as
    likely out at 5 %.
    """
    at_ten = review.ledger.filter(point_pct=10.0).select("series", "meter_id").unique()
    trends = review.path_trends.join(at_ten, on="series")
    for meter_id, drift in (("AM-05", -0.020), ("AM-06", 0.15), ("AM-07", 0.13)):
        row = trends.row(by_predicate=pl.col("meter_id") == meter_id, named=True)
        assert row["drift_low"] < drift < row["drift_high"]
    assert {meter(review, name)["worst_point_pct"] for name in ("AM-06", "AM-07")} == {10.0}


def test_overdue_and_retired_are_apart_from_charts(review: Review) -> None:
    """AM-18 alone is overdue; nothing is due of the retired AM-20 and the withdrawn AM-12."""
    assert review.meters.filter("overdue")["meter_id"].to_list() == ["AM-18"]
    assert meter(review, "AM-20")["next_due_on"] is None
    assert meter(review, "AM-12")["next_due_on"] is None
    assert meter(review, "AM-20")["action"] == "Nothing: not in use."


def test_the_drop_is_dated_and_its_signal_answered(review: Review) -> None:
    """AM-08 fell on 2024-02-29: the interval of a jump holds that day, a signal is answered."""
    series = review.ledger.filter(
        (pl.col("meter_id") == "AM-08") & (pl.col("point_pct") == 10.0)
    ).select("series", "t_years", "performed_on")
    jump = review.changes.filter(pl.col("series") == series["series"][0]).row(0, named=True)
    fell = (date(2024, 2, 29) - date(2000, 1, 1)).days / 365.25
    assert jump["t_low"] < fell < jump["t_high"]
    assert jump["size_low"] < -0.12 < jump["size_high"]
    answered = review.signals.filter(pl.col("answered_on").is_not_null())
    assert set(answered["meter_id"]) == {"AM-08", "AM-10", "AM-11"}
    stray = review.responses.filter(pl.col("problem") != "")
    assert stray["signal_id"].to_list() == ["S-0000000000"]


def test_lost_evidence_is_kept_apart(review: Review) -> None:
    """AM-21's adjustment of 2025-06-13 without as-found breaks the path there, at every point."""
    lost = review.ledger.filter("evidence_lost")
    assert lost["meter_id"].unique().to_list() == ["AM-21"]
    assert lost["performed_on"].unique().to_list() == [date(2025, 6, 13)]


def test_the_new_vessel_is_blamed_before_the_meters(review: Review) -> None:
    """CV-B holds 0.6 % more than weighed: its change is found, +0.03 % at 5 % in the interval."""
    change = review.reference.effects.filter(
        (pl.col("kind") == "vessel_change") & (pl.col("q") <= 0.05)
    )
    assert change.height == 1
    row = change.row(0, named=True)
    assert "CV-B" in row["name"]
    assert row["low"] < 0.03 < row["high"]


def test_every_content_is_its_vessels_and_every_calibration_sound(review: Review) -> None:
    """The sample's correct air contents follow its weighings, which are in order (vessels.csv)."""
    assert review.reference.compared.height > 1000
    assert review.reference.checks.is_empty()
    assert set(review.reference.vessels["problem"]) == {""}


def test_the_budget_recovers_what_was_planted(review: Review) -> None:
    """One reading scatters by 0.02; AM-12 leaks and AM-20 is worn: they scatter more."""
    scatter = {
        row["meter_id"]: row for row in review.conformity.repeatability.iter_rows(named=True)
    }
    apart = {meter_id for meter_id, row in scatter.items() if row["basis"] == "own"}
    assert apart == {"AM-12", "AM-20"}
    assert scatter["AM-01"]["repeatability_pct"] == pytest.approx(0.02, rel=0.1)
    assert scatter["AM-17"]["basis"] == "fleet"  # read to 0.1 only, which is no scatter


def test_the_failure_put_right_is_judged_both_times(review: Review) -> None:
    """AM-09 on 2026-09-03: found out at 5 and 10 %, left within at every point."""
    verdicts = review.conformity.verdicts.filter(
        (pl.col("meter_id") == "AM-09") & (pl.col("performed_on") == date(2026, 9, 3))
    )
    failed = verdicts.filter(pl.col("verdict") == "fail")
    assert failed.select("stage", "point_pct").rows() == [("as_found", 5.0), ("as_found", 10.0)]
    assert (failed["p_conform"] < 0.5).all()
    assert verdicts.filter(pl.col("stage") == "as_left")["two_successive"].all()


@pytest.mark.parametrize(
    ("meter_id", "cause"),
    [
        ("AM-09", "mark_misplaced"),
        ("AM-10", "chamber_water"),
        ("AM-11", "hand_shifted"),
        ("AM-12", "leak"),
    ],
)
def test_the_bench_is_told_where_to_look(review: Review, meter_id: str, cause: str) -> None:
    """The planted cause is the likeliest of the first segment."""
    weighed = review.reference.causes.filter(
        (pl.col("meter_id") == meter_id) & (pl.col("segment") == 1)
    ).sort("probability", descending=True)
    assert weighed["cause"][0] == cause


def days_of(review: Review, name: str, method: str) -> float:
    """Return the days that a method gives, infinite where longer than was looked for."""
    row = review.upkeep.intervals.filter((pl.col("name") == name) & (pl.col("method") == method))
    return float(row["days"].fill_null(math.inf).item())


def test_steep_drifters_may_go_unseen_for_less_than_steady_meters(review: Review) -> None:
    """AM-06 (0.15 a year) and AM-07 (0.13): less than the drift that they show takes from 0 to 0.1.

    What two dozen visits show is a few hundredths of a per cent a year off what was planted.
    """
    for meter_id, planted in (("AM-06", 0.15), ("AM-07", 0.13)):
        shown = review.meters.filter(meter_id=meter_id)["drift_pct_per_year"].item()
        assert shown == pytest.approx(planted, abs=0.02)
        assert 30 < days_of(review, meter_id, "forecast_once_adjusted") < 365.25 * 0.1 / shown
    assert days_of(review, "AM-01", "forecast") > 365


def test_no_recommended_interval_exceeds_the_standards_three_months(review: Review) -> None:
    """The ceiling of 91 days holds for AM-23 too, which is seen every 182; AM-20 is retired."""
    advised = review.upkeep.intervals.filter(method="recommendation")
    assert advised["days"].max() == 91
    meters = advised.drop_nulls("meter_id")["meter_id"].to_list()
    assert meters == [f"AM-{number:02}" for number in range(1, 25) if number != 20]
    assert "182" in advised.filter(meter_id="AM-23")["basis"].item()


def test_what_few_checks_prove_is_said(review: Review) -> None:
    """AM-19 was seen four times: 3 passes of 3 prove 37 % (0.05 to the power 1/3) at 95 %."""
    said = review.upkeep.intervals.filter(
        (pl.col("name") == "AM-19") & (pl.col("method") == "reliability")
    )["basis"].item()
    assert said.startswith("3 of 3 checks passed")
    assert "37" in said
    assert "59 in a row" in said


def test_no_chart_calls_a_drifting_meter_stable(review: Review) -> None:
    """AM-07's adjustments keep its charts quiet for years; AM-01 is steady and said to be so."""
    drifting, steady = dossier_page(review, "AM-07"), dossier_page(review, "AM-01")
    assert (
        "Control: no point outside control limits, but without adjustments it drifts"
        in drifting.brief[2]
    )
    assert steady.brief[2] == "Control: no point outside control limits."
    quiet = {chart.name: chart.conclude for chart in drifting.control.charts}
    assert "yet the path without adjustments shows a drift" in quiet["ewma"]
    assert {chart.name: chart.conclude for chart in steady.control.charts}["ewma"].endswith(
        "nothing shows that its level has moved."
    )


def test_a_cause_claims_no_more_than_its_visits_show(review: Review) -> None:
    """AM-09's mark slipped before one visit: nothing is said to last; 12 visits were weighed."""
    lead = dossier_page(review, "AM-09").bench.lead.replace("\u00a0", " ")
    assert lead.startswith("Initial pressure mark misplaced, over 99 %: the bias keeps the")
    assert "visit to visit" not in lead
    assert "its latest 12 visits, 14 Dec 2023 to 3 Sep 2026, with no adjustment" in lead


def test_results_in_doubt_are_dated(review: Review) -> None:
    """AM-09 is suspect since its visit of 2026-06-05, by the sample's list."""
    told = str(meter(review, "AM-09")["action"])
    assert "Review results since 5\u00a0Jun\u00a02026." in told


def test_exactly_the_planted_rows_are_held_back(review: Review) -> None:
    """The README's table of held-back rows, by file and line."""
    table = (SAMPLE / "README.md").read_text(encoding="utf-8").split("## Rows that must be held")[1]
    planted = {
        (cells[1].strip().strip("`"), int(cells[2]))
        for cells in (line.split("|") for line in table.splitlines())
        if len(cells) > 4 and cells[2].strip().isdigit()
    }
    held = review.sources.held_back
    assert set(held.select("file", "line").iter_rows()) == planted


def test_the_evidence_pack_tells_what_is_planted(review: Review) -> None:
    """Responses, lost evidence, overdue and held-back rows are those of the sample's list."""
    evidence = gather_evidence(review)
    assert evidence.proof is not None
    page = evidence_page(review, evidence)
    told = {
        entry.clause: " ".join(entry.answer).replace("\u00a0", " ")
        for part in page.parts
        for entry in part.clauses
    }
    assert "3 with a response" in told["7.7.3"]
    assert "1 response that names no signal" in told["7.7.3"]
    assert "before it was read as found: 1 visit (13 Jun 2025)" in told["6.4.12"]
    assert "Overdue now: AM-18" in told["6.4.7"]
    assert "9 rows held back" in told["7.5"]
    assert "an interval above 92 days: AM-23. The justification is not" in told["intervals"]
    assert "(AM-12)" in told["7.10"]
    assert "CV-B" in told["6.4.11"]
    assert "90 % bands" in next(
        s.conclude for s in page.studies if s.name == "forecast-proof"
    ).replace("\u00a0", " ")
    assert {study.name for study in page.studies} == {"detectability", "forecast-proof"}


def test_limits_of_the_sample_are_frozen(review: Review, sample_on: SampleReviews) -> None:
    """Between July and October no complete baseline's limits move and no old visit signals anew."""
    summer = date(2026, 7, 1)
    then = sample_on(summer)
    key = ["series", "chart", "phase"]
    names = review.ledger.select("series", "meter_id", "point_pct").unique()
    assert_frame_equal(
        names.sort("series"),
        then.ledger.select("series", "meter_id", "point_pct").unique().sort("series"),
    )
    whole = then.limits.filter(pl.col("points") >= Policy().baseline_visits)
    frozen = whole.filter(~pl.col("note").str.contains("may change"))
    now = review.limits.join(frozen, on=key, how="semi")
    assert frozen.height > 100
    assert_frame_equal(frozen.sort(key), now.sort(key), check_exact=True)
    place = ["meter_id", "point_pct", "chart", "rule", "visit_on"]
    old = review.signals.filter(pl.col("visit_on") <= summer)
    assert_frame_equal(old.select(place).sort(place), then.signals.select(place).sort(place))
