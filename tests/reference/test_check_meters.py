"""Check meters tell a vessel that moved from a fleet that moved, and only where they hold."""

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.stats import binom

from drift.frames import DAYS_PER_YEAR, EPOCH
from drift.reference.check_meters.fitting import OwnMotion, estimate, rounding_variance
from drift.reference.check_meters.placing import WITNESS_ROWS, Witnesses
from drift.reference.check_meters.planner import (
    ChartOfSessions,
    sessions_to_be_sure,
    sessions_to_show,
)
from drift.reference.check_meters.shifts import Shift
from drift.reference.check_meters.steadiness import (
    DRIFTS,
    NEVER_READ,
    STEADY,
    TOO_FEW,
    steadiness,
)
from drift.reference.check_meters.unrecorded import FleetStep, without_jumps
from drift.reference.check_meters.verdicts import (
    ADJUSTED_BETWEEN,
    CANNOT_TELL,
    FLEET,
    NOBODY,
    NOT_SURE,
    ONE_SIDE,
    OTHERWISE,
    VESSEL,
    hear_witnesses,
    verdict_row,
)
from drift.reference.check_meters.words import said_of_shift, said_of_witness
from tests.benchmarks.check_meter_truth import CASES, STAYED, told
from tests.benchmarks.check_meter_truth import MOVED as VESSEL_MOVED
from tests.reference.check_meter_laboratories import (
    FIRST,
    NO_DAYS,
    STILL,
    Laboratory,
    asked,
    asked_of,
    tables,
)

MOVED = Shift("vessel_step", "V-1", date(2024, 8, 1), date(2024, 8, 8), 0.08, 0.005, "V-1", "V-1")


def rows_of(
    values: np.ndarray, *, follows: str = "vessel", series: str = "a", vessel: str | None = None
) -> pl.DataFrame:
    """Return monthly sessions of a check meter that showed `values`."""
    days = [FIRST + timedelta(days=30 * place) for place in range(len(values))]
    return pl.DataFrame(
        [
            {
                "witness": "CM-1",
                "kind": "check_meter",
                "follows": follows,
                "meter_id": "CM-1",
                "series": series,
                "performed_on": on,
                "t_years": (on - EPOCH).days / DAYS_PER_YEAR,
                "vessel_id": vessel,
                "shift_pct": float(value),
                "step_pct": 0.05,
            }
            for on, value in zip(days, values, strict=True)
        ],
        schema=WITNESS_ROWS,
    )


def noise(count: int, *, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 0.02, count)


def stepped(size: float, *, count: int = 16, at: int = 7) -> np.ndarray:
    """Return sessions of which those from `at` on are higher; the shift is between 6 and 7."""
    return noise(count) + np.where(np.arange(count) >= at, size, 0.0)


def verdict(rows: pl.DataFrame, shift: Shift = MOVED) -> dict[str, object]:
    return verdict_row(
        shift, hear_witnesses(rows, shift, others=[shift], motion=STILL), drifting=False
    )


def test_a_check_meter_that_moves_with_the_fleet_shows_the_vessel() -> None:
    found = verdict(rows_of(stepped(0.08)))
    assert found["verdict"] == VESSEL
    assert found["p_vessel"] > 0.99  # type: ignore[operator]
    assert found["change_pct"] == pytest.approx(0.08, abs=0.03)


def test_a_check_meter_that_stays_shows_the_fleet() -> None:
    assert verdict(rows_of(stepped(0.0)))["verdict"] == FLEET


def test_an_artefact_that_the_fleet_reads_is_the_other_way_round() -> None:
    assert verdict(rows_of(stepped(0.08), follows="fleet"))["verdict"] == FLEET
    assert verdict(rows_of(stepped(0.0), follows="fleet"))["verdict"] == VESSEL


def test_a_check_meter_that_did_neither_says_nothing() -> None:
    found = verdict(rows_of(stepped(-0.3)))
    assert (found["verdict"], found["why"]) == (CANNOT_TELL, OTHERWISE)


def test_a_shift_as_small_as_its_scatter_is_told_as_short_of_a_verdict() -> None:
    small = Shift("vessel_step", "V-1", MOVED.from_on, MOVED.to_on, 0.01, 0.005, "V-1", "V-1")
    found = verdict(rows_of(stepped(0.005)), small)
    assert (found["verdict"], found["why"]) == (CANNOT_TELL, NOT_SURE)
    assert 0.05 < found["p_vessel"] < 0.95  # type: ignore[operator]


def test_an_adjustment_in_between_leaves_nothing_to_say() -> None:
    values = stepped(0.08)
    rows = pl.concat([rows_of(values).head(7), rows_of(values, series="b").slice(7)])
    assert verdict(rows)["why"] == ADJUSTED_BETWEEN


def test_sessions_with_another_vessel_and_those_within_the_dates_say_nothing() -> None:
    assert verdict(rows_of(stepped(0.08), vessel="V-2"))["why"] == ONE_SIDE
    assert verdict(rows_of(stepped(0.08), vessel="V-1"))["verdict"] == VESSEL
    assert verdict(rows_of(stepped(0.08)).head(7))["why"] == ONE_SIDE
    assert verdict(rows_of(stepped(0.08)).clear())["why"] == NOBODY


def test_a_change_to_another_vessel_is_told_by_the_vessels_that_were_read() -> None:
    change = Shift("vessel_change", "V-1 to V-2", FIRST, FIRST, 0.08, 0.005, "V-1", "V-2")
    turns = np.arange(16) % 2
    rows = rows_of(noise(16) + 0.08 * turns).with_columns(vessel_id=pl.Series(["V-1", "V-2"] * 8))
    assert verdict(rows, change)["verdict"] == VESSEL


def unmoved(_: date) -> tuple[float, float]:
    """Say that the fleet took no step."""
    return 0.0, 0.005


def held(
    rows: pl.DataFrame, shifts: list[Shift], *, fleet: FleetStep = unmoved
) -> dict[str, object]:
    """Return what is found of the one check meter in rows."""
    witnesses = Witnesses(("CM-1",), rows, NO_DAYS)
    cut, jumps = without_jumps(witnesses, shifts, STILL, fleet=fleet)
    row = steadiness(cut, witnesses, jumps=jumps, shifts=shifts, motion=STILL).row(0, named=True)
    assert said_of_witness(row)
    return row


def test_a_steady_one_is_told_from_one_that_drifts() -> None:
    years = np.arange(16) * 30 / 365.25
    assert held(rows_of(noise(16)), [])["finding"] == STEADY
    found = held(rows_of(noise(16) + 0.1 * years), [])
    assert found["finding"] == DRIFTS
    assert found["drift_low"] < 0.1 < found["drift_high"]  # type: ignore[operator]


def test_a_shift_of_the_vessel_is_no_drift_of_the_check_meter() -> None:
    assert held(rows_of(stepped(0.08)), [MOVED])["finding"] == STEADY


def test_one_that_drifts_with_the_fleet_has_no_drift_of_its_own() -> None:
    years = np.arange(16) * 30 / 365.25
    together = Shift("fleet_drift", "all meters", FIRST, FIRST, 0.1, 0.01, None, None)
    rows = rows_of(noise(16) + 0.1 * years)
    assert held(rows, [together])["finding"] == STEADY
    assert verdict(rows, together)["verdict"] == VESSEL
    assert held(rows_of(noise(16) + 0.25 * years), [together])["finding"] == DRIFTS


def test_a_drift_shown_on_an_artefact_is_its_own_whatever_the_fleet_does() -> None:
    years = np.arange(16) * 30 / 365.25
    together = Shift("fleet_drift", "all meters", FIRST, FIRST, 0.1, 0.01, None, None)
    on_artefact = rows_of(noise(16) + 0.1 * years, follows="itself")
    rows = pl.concat([rows_of(noise(16)), on_artefact])
    assert held(rows, [together])["finding"] == DRIFTS


def test_a_jump_by_itself_is_dated_and_begins_its_history_anew() -> None:
    rows = rows_of(stepped(-0.15, at=11))
    found = held(rows, [MOVED])
    assert found["finding"] == STEADY
    assert (found["jumped_from"], found["jumped_to"]) == (
        rows["performed_on"][10],
        rows["performed_on"][11],
    )
    assert found["jumped_pct"] == pytest.approx(-0.15, abs=0.03)


def test_four_sessions_test_no_drift_and_no_session_is_told() -> None:
    assert held(rows_of(noise(4)), [])["finding"] == TOO_FEW
    assert held(rows_of(noise(0)), [])["finding"] == NEVER_READ


def test_readings_that_do_not_scatter_are_bounded_by_their_rounding() -> None:
    """Sixteen equal readings on a dial of 0.05: the change is known to 0.02 and no better."""
    found = verdict(rows_of(np.zeros(16)))
    assert found["change_error_pct"] == pytest.approx(0.05 * (1 / 6) ** 0.5, rel=0.02)


@pytest.mark.parametrize("scatter", [0.0, 0.01, 0.02, 0.05])
def test_the_variance_of_rounding_is_that_of_rounded_levels(scatter: float) -> None:
    """Levels anywhere within a step, 4,000 readings each."""
    rng = np.random.default_rng(2)
    levels = np.linspace(0, 0.05, 200, endpoint=False)
    read = np.round((levels[:, None] + rng.normal(0, scatter, (200, 4000))) / 0.05) * 0.05
    off = float(np.mean((read.mean(axis=1) - levels) ** 2)) - scatter**2 / 4000
    assert rounding_variance(0.05, scatter) == pytest.approx(off, rel=0.05, abs=1e-6)


def test_estimates_are_those_of_least_squares_where_levels_stay() -> None:
    values = stepped(0.08)
    column = (np.arange(16) >= 7).astype(float)
    found = estimate(rows_of(values), column, beside=np.empty((16, 0)), motion=STILL)
    assert found is not None
    assert found.value == pytest.approx(values[7:].mean() - values[:7].mean())
    pooled = np.r_[values[:7] - values[:7].mean(), values[7:] - values[7:].mean()]
    assert found.scatter == pytest.approx(float(np.sqrt(pooled @ pooled / 14)))


def test_sessions_until_it_shows_fall_with_the_size_of_the_shift() -> None:
    """An EWMA of 0.2 within ±3σ: Lucas and Saccucci (1990) give an ARL of 10 at 1σ (exact 10.5)."""
    chart = ChartOfSessions(weight=0.2, limit_sigmas=3.0, baseline=7, a_year=12)
    half, ninety = sessions_to_show(0.02, 0.02, chart, is_drift=False)
    assert half < 10.5 < ninety
    assert sessions_to_show(0.2, 0.02, chart, is_drift=False) == (1, 1)
    assert sessions_to_show(0.02, 0.02, chart, is_drift=True)[0] > half


def test_a_shift_as_small_as_the_baseline_is_known_is_never_sure() -> None:
    assert sessions_to_be_sure(0.08, 0.005, 0.02, baseline=7) == 1
    assert sessions_to_be_sure(0.02, 0.005, 0.02, baseline=7) == np.inf


def test_sentences_name_the_vessel_or_the_meters() -> None:
    blank = dict.fromkeys(
        ("p_vessel", "change_pct", "change_error_pct", "likelihood_ratio", "changed_on")
    )
    told = said_of_shift(blank | verdict(rows_of(stepped(0.08))))
    assert "likelier if the vessel moved than if the meters did" in told
    assert "for the meters" in said_of_shift(blank | verdict(rows_of(stepped(0.0))))
    assert "adjusted or jumped" in said_of_shift(
        blank | {"kind": "vessel_step", "witness": "CM-1", "why": ADJUSTED_BETWEEN}
    )


def test_a_written_laboratory_whose_vessel_moved_is_told_so(tmp_path: Path) -> None:
    """Far more than meters scatter, read each month: no meter takes the shift for its own."""
    found = asked(tmp_path, Laboratory(vessel=0.2, meters=4), seed=1)
    assert found.held["finding"].to_list() == [STEADY]
    assert found.verdicts["verdict"].to_list() == [VESSEL]


def test_point_checks_of_a_check_meter_without_readings_serve_too(tmp_path: Path) -> None:
    """Its readings at 5 % are written as point checks instead."""
    written = tables(Laboratory(fleet=0.08, meters=4), seed=1)
    lines = written["readings"].splitlines()
    ours = [line.split(",") for line in lines if line.startswith("CM-1") and ",5,5" in line]
    checks = [f"CM-1,{row[1]},point,{row[4]},%,5,{row[5]}" for row in ours]
    assert checks
    written["readings"] = "\n".join([one for one in lines if not one.startswith("CM-1")] + [""])
    header = "meter_id,performed_on,check,value,unit,expected,replicate"
    found = asked_of(tmp_path, **written, checks="\n".join([header, *checks, ""]))
    assert found.held["sessions"].to_list() == [24]
    assert found.verdicts["verdict"].to_list() == [FLEET]


@pytest.mark.long
def test_check_meters_are_right_and_drifting_ones_keep_silent() -> None:
    """Of 10 laboratories each: the right verdict in 8 of those told, the wrong one in none."""
    moved, stayed = told(VESSEL_MOVED, 10), told(STAYED, 10)
    assert moved.vessel >= 0.8
    assert stayed.meters >= 0.8
    assert moved.meters == stayed.vessel == 0
    drifting = told(CASES["meters moved, check meter drifts"], 10)
    assert drifting.drifting >= 0.9
    assert drifting.vessel == 0


@pytest.mark.parametrize(("wander", "step"), [(0.0, 0.0), (0.0, 0.05), (0.02, 0.0)])
def test_steady_check_meters_are_said_to_drift_as_often_as_the_level_says(
    wander: float, step: float
) -> None:
    """At most what 5 % allows of 300: at rest, beside a shift of the vessel, and wandering.

    Sessions are means of four readings on a dial of 0.05, σ 0.02, brought to 5 % air.
    """
    scatter = np.sqrt(0.02**2 + 0.05**2 / 12) / 2 / 1.5
    motion = OwnMotion((wander / scatter) ** 2, 0.0)
    shifts = [MOVED] if step else []
    rng, told = np.random.default_rng(5), 0
    for _ in range(300):
        walk = np.cumsum(rng.normal(0, wander * np.sqrt(30 / 365.25), 16))
        level = rng.uniform(-0.025, 0.025) + walk + np.where(np.arange(16) >= 7, step, 0.0)
        air = np.array([1.0, 2.0])[:, None]
        true = np.repeat(level[:, None, None] * air, 2, axis=2)
        read = np.round((true + rng.normal(0, 0.02, true.shape)) / 0.05) * 0.05
        rows = rows_of(read.mean(axis=(1, 2)) / 1.5)
        witnesses = Witnesses(("CM-1",), rows, NO_DAYS)
        found = steadiness(rows, witnesses, jumps=[], shifts=shifts, motion=motion)
        told += found["finding"][0] == DRIFTS
    assert told <= binom.ppf(0.999, 300, 0.05)
    assert told >= 3
