"""Uncertainty and conformity as a review works them out of a laboratory's files."""

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from drift.api.reviews import find
from drift.conformity import weigh
from drift.conformity.decision_rules import ACCEPTED, DECISION_RULES, conformance_probability
from drift.reference.uncertainty import make_budget
from drift.reference.vessel import USUAL_RELATIVE_U, vessel_budget
from drift.report.data_files import plain_columns
from drift.review.policy import Policy
from drift.review.results import Review
from tests.conformity.budgets import bias_components
from tests.csv_folders import write

AS_OF = date(2026, 6, 1)
READINGS = (
    "meter_id,performed_on,stage,correct_air_pct,reading_air_pct,replicate,resolution_pct,vessel_id,"
    "operator\n"
)
VESSELS = (
    "vessel_id,calibrated_on,air_pct,u_air_pct,water_mass_g,bowl_water_mass_g\n"
    "V1,2024-01-01,,,353.0,7060.0\n"
    "V2,2024-01-01,5.0,0.01,,\n"
)


def _sitting(
    meter: str, on: str, *readings: float, stage: str = "as_found", vessel: str = "V1"
) -> str:
    return "".join(
        f"{meter},{on},{stage},5.0,{reading:.3f},{number},0.05,{vessel},one\n"
        for number, reading in enumerate(readings, start=1)
    )


# Meter A ends 0.08 high, within the tolerance but not once U is added; B was put right; C is sound.
HISTORY = READINGS + "".join(
    [
        _sitting("A", "2026-01-10", 5.0, 5.05, 5.0),
        _sitting("A", "2026-04-10", 5.05, 5.1, 5.1),
        _sitting("B", "2026-01-10", 5.0, 5.0, 5.05),
        _sitting("B", "2026-04-10", 5.15, 5.2, 5.2),
        _sitting("B", "2026-04-10", 5.15, 5.0, stage="as_left", vessel="V2"),
        _sitting("C", "2026-01-10", 5.0, 5.05, 5.0, vessel=""),
        _sitting("C", "2026-04-10", 5.0, 5.0, 5.05, vessel=""),
    ]
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("lab"), readings=HISTORY, vessels=VESSELS)


def _review(folder: Path, rule: str = "simple_acceptance") -> Review:
    return find(folder, as_of=AS_OF, policy=Policy(decision_rule=rule))


@pytest.fixture(scope="module")
def review(folder: Path) -> Review:
    return _review(folder)


def _verdict(review: Review, meter: str, on: date, stage: str = "as_found") -> dict[str, object]:
    row = review.conformity.verdicts.filter(
        (pl.col("meter_id") == meter) & (pl.col("performed_on") == on) & (pl.col("stage") == stage)
    )
    return row.row(0, named=True)


LAST = date(2026, 4, 10)


def test_every_bias_is_judged_once(review: Review) -> None:
    """As many verdicts as sittings, each with an uncertainty and a probability."""
    verdicts = review.conformity.verdicts
    assert verdicts.height == review.sources.sessions.height == 7
    assert verdicts.select("meter_id", "visit_id", "point_pct", "stage").is_unique().all()
    assert verdicts.select("u_pct", "expanded_u_pct", "verdict", "p_conform").null_count().row(
        0
    ) == (0, 0, 0, 0)


def test_a_vessel_by_masses_brings_its_own_uncertainty(review: Review) -> None:
    """The budget of A's last bias holds u(R) from the masses, though the table gives no R."""
    reference = vessel_budget(vessel_mass=353.0, bowl_mass=7060.0).combined
    rows = review.conformity.budgets.filter(
        (pl.col("meter_id") == "A") & (pl.col("stage") == "as_found")
    )
    scatter = review.conformity.repeatability.row(0, named=True)
    one = make_budget(
        bias_components(
            reference_u=reference,
            resolution=0.05,
            air_left=Policy().air_left_pct,
            repeatability=scatter["repeatability_pct"],
            replicates=3,
            repeatability_freedom=scatter["degrees_of_freedom"],
        )
    )
    assert rows["contribution_pct"].head(6).to_list() == pytest.approx(
        one.table["contribution"].to_list()
    )
    assert rows["basis"][0] == "vessel V1, calibrated 2024-01-01"
    assert _verdict(review, "A", LAST)["u_pct"] == pytest.approx(one.combined)


def test_without_a_vessel_the_usual_share_is_counted(review: Review) -> None:
    """C names no vessel: its budget says so and counts the usual share of 5 % air."""
    row = review.conformity.budgets.filter(
        (pl.col("meter_id") == "C") & (pl.col("component") == "reference")
    ).row(0, named=True)
    assert row["value"] == pytest.approx(5.0 * USUAL_RELATIVE_U)
    assert "no usable calibration" in row["basis"]


def test_the_probability_is_that_of_the_bias_and_its_uncertainty(review: Review) -> None:
    """JCGM 106:2012, clause 7, for the columns as they stand."""
    row = _verdict(review, "B", LAST)
    p = conformance_probability(row["bias_pct"], u=row["u_pct"], lower=-0.1, upper=0.1)  # type: ignore[arg-type]  # numbers
    assert row["p_conform"] == pytest.approx(float(p))
    assert row["p_conform"] < 0.05  # type: ignore[operator]  # a number


def test_the_step_of_a_last_visit_is_told_where_it_is_known(review: Review) -> None:
    """One vessel served both of A's visits, so that it cancels; the rest is √2 as large."""
    budgets = review.conformity.budgets.filter(pl.col("meter_id") == "A")
    step = budgets.filter(pl.col("stage") == "step")
    found = budgets.filter(pl.col("stage") == "as_found")
    contribution = dict(step.select("component", "contribution_pct").iter_rows())
    assert contribution["reference"] == 0
    once = dict(found.select("component", "contribution_pct").iter_rows())
    for component in ("resolution", "repeatability"):
        assert contribution[component] == pytest.approx(once[component] * 2**0.5)


def test_two_successive_readings_as_left(review: Review) -> None:
    """B was left with 5.15 and 5.0: the two do not both pass; as found the rule is not asked."""
    assert _verdict(review, "B", LAST, "as_left")["two_successive"] is False
    assert _verdict(review, "B", LAST)["two_successive"] is None


@pytest.mark.parametrize("rule", [rule.name for rule in DECISION_RULES])
def test_the_standing_out_follows_the_rule_in_force(folder: Path, rule: str) -> None:
    """A fails once its uncertainty is guarded against, and its reason says of what limit."""
    review = _review(folder, rule)
    judged = _verdict(review, "A", LAST)
    standing = review.meters.filter(pl.col("meter_id") == "A").row(0, named=True)
    assert (standing["standing"] == "out") == (judged["verdict"] not in ACCEPTED)
    guarded = rule.startswith("guarded")
    assert (judged["verdict"] == "fail") == guarded
    assert (judged["verdict"] == "conditional_pass") == (rule == "four_way")
    factor = {"guarded_by_u": 1.0, "guarded_by_083_u": 0.83}.get(rule, 0.0)
    assert judged["limit_pct"] == pytest.approx(0.1 - factor * judged["expanded_u_pct"])  # type: ignore[operator]  # numbers
    if guarded:
        assert "what its uncertainty leaves of ±0.1" in standing["reason"]
    sound = review.meters.filter(pl.col("meter_id") == "C")["standing"][0]
    assert sound != "out"


def test_the_rule_does_not_touch_the_charts(folder: Path, review: Review) -> None:
    """Control is another question: limits, signals and forecasts are the same under any rule."""
    guarded = _review(folder, "guarded_by_u")
    assert guarded.charted.equals(review.charted)
    assert guarded.limits.equals(review.limits)
    assert guarded.signals.equals(review.signals)
    assert guarded.forecast.equals(review.forecast)


@pytest.mark.parametrize("at_once", [1, 2])
def test_a_large_fleet_is_judged_some_meters_at_a_time_and_alike(
    folder: Path, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    """What is written of the fleet does not depend on how many meters are held at once."""
    whole = _review(folder).conformity
    monkeypatch.setattr(weigh, "_METERS_AT_ONCE", at_once)
    parts = _review(folder).conformity
    assert whole.verdicts["meter_id"].n_unique() == 3
    assert plain_columns(parts.verdicts).equals(plain_columns(whole.verdicts))
    assert plain_columns(parts.budgets).equals(plain_columns(whole.budgets))
    assert plain_columns(parts.risks).equals(plain_columns(whole.risks))
