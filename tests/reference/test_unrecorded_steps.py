"""Steps of artefacts and check meters that nobody recorded: found, told apart, heeded."""

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.stats import binom

from drift.frames import DAYS_PER_YEAR, EPOCH
from drift.reference.check_meters.fitting import OwnMotion
from drift.reference.check_meters.placing import WITNESS_ROWS, Witnesses
from drift.reference.check_meters.steadiness import DRIFTS, steadiness
from drift.reference.check_meters.unrecorded import (
    FleetStep,
    Jump,
    day_values,
    trusted_rows,
    without_jumps,
)
from drift.reference.check_meters.verdicts import CANNOT_TELL, CHANGED, VESSEL
from tests.reference.check_meter_laboratories import FIRST, NO_DAYS, STILL, Laboratory, asked


def on_artefact(
    *, seed: int, step: float = 0.0, at: int = 12, of_day: float = 0.0, rates: float = 0.0
) -> pl.DataFrame:
    """Return what six meters read of an artefact in 24 months, rounded to 0.05; σ 0.02."""
    rng = np.random.default_rng(seed)
    days = [FIRST + timedelta(days=30 * place) for place in range(24)]
    years = np.array([(on - EPOCH).days / DAYS_PER_YEAR for on in days])
    shared = np.where(np.arange(24) >= at, step, 0.0) + rng.normal(0, of_day, 24)
    parts = []
    for meter in range(6):
        level = rng.normal(0, 0.03) + rng.normal(0, rates) * (years - years[0])
        read = np.round((shared + level + rng.normal(0, 0.02, 24)) / 0.05) * 0.05
        parts.append(
            pl.DataFrame(
                {
                    "witness": "the artefact",
                    "kind": "artefact",
                    "follows": "fleet",
                    "meter_id": f"M{meter}",
                    "series": f"M{meter}",
                    "performed_on": days,
                    "t_years": years,
                    "vessel_id": None,
                    "shift_pct": read,
                    "step_pct": 0.05,
                },
                schema=WITNESS_ROWS,
            )
        )
    return pl.concat(parts)


def still(_: date) -> tuple[float, float]:
    """Say that the fleet took no step."""
    return 0.0, 0.006


def jumps_of(rows: pl.DataFrame, *, fleet: FleetStep = still) -> list[Jump]:
    return without_jumps(Witnesses((), rows, NO_DAYS), [], STILL, fleet=fleet)[1]


def test_a_step_that_the_fleet_does_not_take_is_the_artefacts() -> None:
    rows = on_artefact(seed=1, step=0.06)
    (jump,) = jumps_of(rows)
    assert (jump.from_on, jump.to_on) == tuple(rows["performed_on"][11:13])
    assert jump.size == pytest.approx(0.06, abs=0.02)
    assert jump.own is not None
    assert jump.own > 0.99


def test_a_step_that_the_fleet_takes_too_is_not_the_artefacts() -> None:
    assert jumps_of(on_artefact(seed=1, step=0.06), fleet=lambda _: (0.06, 0.006)) == []


def test_a_step_that_the_fleet_cannot_tell_is_heeded_and_said_to_be_untold() -> None:
    (jump,) = jumps_of(on_artefact(seed=1, step=0.06), fleet=lambda _: None)
    assert jump.own is None
    (half,) = jumps_of(on_artefact(seed=1, step=0.06), fleet=lambda _: (0.03, 0.02))
    assert half.own is not None
    assert 0.05 < half.own < 0.95


def test_steady_artefacts_are_seldom_said_to_step() -> None:
    """Built for 1 %; of 60, even where all that is read on one day is off alike."""
    most = binom.ppf(0.999, 60, 0.01)
    assert sum(bool(jumps_of(on_artefact(seed=seed))) for seed in range(60)) <= most
    warm = sum(bool(jumps_of(on_artefact(seed=seed, of_day=0.03))) for seed in range(60))
    assert warm <= most


def test_steps_of_half_the_tolerance_are_found() -> None:
    found = [jumps_of(on_artefact(seed=seed, step=0.05)) for seed in range(100, 130)]
    assert sum(bool(jumps) for jumps in found) >= 29
    right = FIRST + timedelta(days=30 * 12)
    assert sum(any(jump.to_on == right for jump in jumps) for jumps in found) >= 25


def test_meters_that_drift_each_by_itself_make_no_drift_of_the_artefact() -> None:
    """Rates of 0.03 % a year: said of 60 artefacts no oftener than 5 % allows."""
    motion, told = OwnMotion(0.0, (0.03 / 0.025) ** 2), 0
    for seed in range(60):
        rows = on_artefact(seed=seed, rates=0.03)
        witnesses = Witnesses((), rows, NO_DAYS)
        found = steadiness(rows, witnesses, jumps=[], shifts=[], motion=motion)
        told += found["finding"][0] == DRIFTS
    assert told <= binom.ppf(0.999, 60, 0.05)


def test_days_that_no_meter_ties_together_are_apart() -> None:
    rows = on_artefact(seed=1)
    apart = rows.with_columns(
        series=pl.when(pl.col("performed_on") > FIRST + timedelta(days=300))
        .then(pl.col("series") + " later")
        .otherwise("series")
    )
    assert day_values(apart)["series"].n_unique() == 2
    whole = day_values(rows)
    means = rows.group_by("performed_on").agg(pl.col("shift_pct").mean()).sort("performed_on")
    differences = (whole["shift_pct"] - means["shift_pct"]).to_numpy()
    np.testing.assert_allclose(differences, differences.mean(), atol=1e-9)


def test_nothing_rests_on_it_until_something_is_on_record() -> None:
    rows = on_artefact(seed=1).filter(pl.col("meter_id") == "M1").with_columns(witness=pl.lit("M1"))
    jump = Jump("M1", 0.05, FIRST + timedelta(days=330), FIRST + timedelta(days=360), own=1.0)
    assert trusted_rows(rows, [jump], NO_DAYS).height == 12
    later = pl.DataFrame({"meter_id": ["M1"], "on": [FIRST + timedelta(days=595)]})
    assert trusted_rows(rows, [jump], later).height == 12 + 4


def test_an_artefact_changed_before_the_shift_gives_no_verdict(tmp_path: Path) -> None:
    """Changed at the seventh session: nothing is said of the shift at the fifteenth, and why."""
    moved = Laboratory(vessel=0.08, meters=4, artefact=True, own_jump=-0.1)
    found = asked(tmp_path, moved, seed=3)
    assert found.held["silent_from"].to_list() == [FIRST + timedelta(days=180)]
    assert "no verdict rests on it" in found.held["sentence"][0]
    newest = found.verdicts.sort("to_on").row(-1, named=True)
    assert (newest["verdict"], newest["why"]) == (CANNOT_TELL, CHANGED)
    assert "changed without a record" in newest["sentence"]


def test_an_artefact_changed_after_the_shift_still_tells_of_it(tmp_path: Path) -> None:
    moved = Laboratory(vessel=0.08, meters=4, artefact=True, own_jump=-0.1)
    found = asked(tmp_path, replace(moved, jump_at=20), seed=3)
    (verdict,) = found.verdicts.filter(pl.col("verdict") == VESSEL).iter_rows(named=True)
    assert verdict["changed_on"] == FIRST + timedelta(days=600)
    assert "rests on what it showed before" in verdict["sentence"]
