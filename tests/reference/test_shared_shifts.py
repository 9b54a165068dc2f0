"""What all meters share in time, found from written files whether vessels are named or not."""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.stats import binom

from drift.api.reviews import find
from drift.reference.crossed_fit import fit_crossed
from drift.reference.shared_effects import find_shared_effects
from drift.report.pages.fleet import fleet_page
from drift.review.policy import Policy
from drift.review.sourced import ledger_of, reference_of
from tests.csv_folders import load
from tests.meter.cause_simulator import QUARTER_DAYS, START, Fleet, Plan, simulate_fleet

# Three years of a laboratory's dozen meters, dials read to 0.05.
FLEET = Plan(meters=12, visits=12, shift_visit=6)
SHIFTED_ON = START + timedelta(days=QUARTER_DAYS * FLEET.shift_visit)
LAST = START + timedelta(days=QUARTER_DAYS * FLEET.visits)
STEPS = ("vessel_step", "shared_step")


def written(folder: Path, fleet: Fleet, *, vessels: bool) -> Path:
    """Write the readings of a simulated fleet as a laboratory keeps them."""
    rows = fleet.sessions.select(
        "meter_id",
        "performed_on",
        "stage",
        "correct_air_pct",
        "operator",
        *(["vessel_id"] if vessels else []),
        reading_air_pct=(pl.col("correct_air_pct") + pl.col("bias_pct")).round(4),
    )
    folder.mkdir(parents=True, exist_ok=True)
    rows.write_csv(folder / "readings.csv")
    return folder


@dataclass(frozen=True)
class Told:
    """What was found of fleets: how many with a shift, dated rightly, a season, a common drift."""

    shifts: int
    dated: int
    seasons: int
    drifts: int


def told_of(folder: Path, plan: Plan, seeds: range, *, vessels: bool) -> Told:
    """Write fleets, read them back and count what is found in them at the usual rate."""
    counts = np.zeros(4, dtype=int)
    for seed in seeds:
        _, sources = load(written(folder / str(seed), simulate_fleet(seed, plan), vessels=vessels))
        ledger = ledger_of(sources, source_name="", as_of=LAST, policy=Policy())
        effects = reference_of(sources, ledger, Policy()).effects
        found = effects.filter(pl.col("q") <= Policy().false_discovery_rate)
        steps = found.filter(pl.col("kind").is_in(STEPS))
        dated = steps.filter((pl.col("from_on") < SHIFTED_ON) & (pl.col("to_on") >= SHIFTED_ON))
        kinds = set(found["kind"])
        counts += [
            not steps.is_empty(),
            not dated.is_empty(),
            "season" in kinds,
            "fleet_drift" in kinds,
        ]
    return Told(*counts.tolist())


def at_most(fleets: int, rate: float) -> int:
    """Return a count that fleets with this rate of false alarms exceed once in a thousand."""
    return int(binom.ppf(0.999, fleets, rate))


@pytest.mark.parametrize("vessels", [True, False])
def test_a_shift_of_all_meters_is_found_and_is_no_season(tmp_path: Path, vessels: bool) -> None:
    """0.05 % at 5 % air from one visit on: found, dated, neither a season nor a drift."""
    told = told_of(tmp_path, replace(FLEET, shift=0.05), range(4), vessels=vessels)
    assert (told.shifts, told.dated) == (4, 4)
    assert told.seasons <= 1
    assert told.drifts <= 1


@pytest.mark.parametrize(
    ("plan", "fewest"),
    [
        # Sixteen monthly sessions, the shift at the eighth: between two sessions, not two pairs.
        (Plan(meters=4, visits=16, shift_visit=7, every_days=30), 10),
        # Two years of weekly ones: more days than bins would be on a large fleet.
        (Plan(meters=4, visits=104, shift_visit=53, every_days=7), 10),
    ],
)
def test_a_shift_between_any_two_sessions_has_its_size(plan: Plan, fewest: int) -> None:
    """0.08 % at 5 % air, season and drift fitted beside it: a 95 % interval holds it, in 12."""
    on, held = START + timedelta(days=plan.every_days * plan.shift_visit), 0
    still = replace(plan, shift=0.08, drift_sd=0.0, wander_sd=0.0, adjust=False, points=(5.0, 10.0))
    for seed in range(12):
        fleet = simulate_fleet(seed, still)
        fit = fit_crossed(fleet.ledger, sessions=fleet.sessions, vessels=fleet.vessels)
        assert fit is not None
        steps = find_shared_effects(fit).steps
        held += any(
            step["from_on"] < on <= step["to_on"] and step["low"] <= 0.08 <= step["high"]  # type: ignore[operator]  # days and numbers
            for step in steps
        )
    assert held >= fewest


@pytest.mark.parametrize("vessels", [True, False])
def test_a_quiet_fleet_shares_nothing(tmp_path: Path, vessels: bool) -> None:
    """Meters that drift and wander each by itself share neither shift nor season nor drift."""
    told = told_of(tmp_path, FLEET, range(10, 14), vessels=vessels)
    assert max(told.shifts, told.seasons, told.drifts) <= at_most(4, 0.05)


def test_a_season_that_returns_is_one(tmp_path: Path) -> None:
    """0.03 % between summer and winter, three years long."""
    told = told_of(tmp_path, replace(FLEET, season=0.03), range(20, 23), vessels=False)
    assert told.seasons == 3


@pytest.mark.long
@pytest.mark.parametrize("vessels", [True, False])
@pytest.mark.parametrize(("meters", "visits"), [(24, 16), (12, 10), (6, 12)])
def test_shared_shifts_in_full(tmp_path: Path, meters: int, visits: int, vessels: bool) -> None:
    """40 fleets each: every shift found, 5 % false alarms, seasons only where they return."""
    plan = replace(FLEET, meters=meters, visits=visits)
    shifted = told_of(tmp_path / "s", replace(plan, shift=0.05), range(40), vessels=vessels)
    assert shifted.shifts >= 39
    assert shifted.dated >= 38
    assert max(shifted.seasons, shifted.drifts) <= at_most(40, 0.05)
    quiet = told_of(tmp_path / "q", plan, range(100, 140), vessels=vessels)
    assert max(quiet.shifts, quiet.seasons, quiet.drifts) <= at_most(40, 0.05)


def test_the_page_says_what_moved_and_does_not_blame_the_meters(tmp_path: Path) -> None:
    """Without a vessel column the fleet page names the shift, its dates and what to look at."""
    fleet = simulate_fleet(2, replace(FLEET, shift=0.05))
    review = find(written(tmp_path, fleet, vessels=False), as_of=LAST, policy=Policy())
    part = fleet_page(review).reference
    assert part.verdict == "in doubt"
    assert "12 meters read" in part.lead[0]
    assert "No vessel is named on their readings" in part.lead[0]
    assert "drift together" not in " ".join(part.lead)
    assert not review.own_meters.is_empty()


@pytest.mark.parametrize("seed", range(3))
def test_nothing_is_said_of_all_meters_where_a_few_drift(tmp_path: Path, seed: int) -> None:
    """Three of twelve meters drift upward: that is no drift of the fleet."""
    fleet = simulate_fleet(seed, replace(FLEET, drift_sd=0.0))
    years = (pl.col("performed_on") - pl.lit(date(2018, 1, 8))).dt.total_days() / 365.25
    few = pl.col("meter_id").is_in(["M00000", "M00001", "M00002"])
    moved = fleet.sessions.with_columns(
        bias_pct=pl.when(few).then(pl.col("bias_pct") + 0.08 * years).otherwise("bias_pct")
    )
    told = find(
        written(tmp_path, replace(fleet, sessions=moved), vessels=False),
        as_of=LAST,
        policy=Policy(),
    )
    assert "drift together" not in " ".join(fleet_page(told).reference.lead)
