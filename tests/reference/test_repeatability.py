"""Repeatability pooled over a fleet."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from drift.meter.ledger import LEDGER
from drift.reference.repeatability import (
    ASSUMED,
    DIFFERENCES,
    FLEET,
    OWN,
    USUAL_REPEATABILITY_PCT,
    largest_rounded_variance,
    pool_repeatability,
)
from tests.meter.cause_simulator import Plan, simulate_fleet


def _ledger(
    meters: dict[str, tuple[float, float]], *, visits: int, replicates: int
) -> pl.DataFrame:
    """Return as-found visits of meters, each with its scatter and the step of its dial."""
    rng = np.random.default_rng(20)
    rows: list[dict[str, object]] = []
    for meter, (sigma, step) in meters.items():
        for visit in range(visits):
            truth = rng.normal(0, 0.04)
            read = np.round((truth + rng.normal(0, sigma, replicates)) / step) * step
            biases = np.round(read, 9).tolist()
            rows.append(
                {
                    "meter_id": meter,
                    "performed_on": date(2024, 1, 1) + timedelta(days=visit),
                    "as_found_biases_pct": biases,
                    "as_found_replicates": replicates,
                    "as_found_spread_pct": float(np.std(biases, ddof=1))
                    if replicates > 1
                    else None,
                    "resolution_pct": step,
                }
            )
    return pl.DataFrame([{name: row.get(name) for name in LEDGER} for row in rows], schema=LEDGER)


def test_like_meters_share_one_value_whatever_their_dials() -> None:
    """σ 0.02 read to 0.05 and 0.1 is found before rounding; a meter of σ 0.06 keeps its own."""
    meters = {f"M{i}": (0.02, 0.05) for i in range(10)} | {"coarse": (0.02, 0.1)}
    found = pool_repeatability(_ledger(meters | {"rough": (0.06, 0.05)}, visits=40, replicates=3))
    by_meter = {row["meter_id"]: row for row in found.iter_rows(named=True)}
    assert {name for name, row in by_meter.items() if row["basis"] == OWN} == {"rough"}
    assert by_meter["rough"]["repeatability_pct"] == pytest.approx(0.06, rel=0.2)
    assert by_meter["rough"]["degrees_of_freedom"] == 80
    assert by_meter["coarse"]["basis"] == FLEET
    assert by_meter["M1"]["repeatability_pct"] == pytest.approx(0.02, rel=0.08)
    assert by_meter["M1"]["degrees_of_freedom"] == 11 * 40 * 2


def test_sound_fleets_set_few_meters_apart() -> None:
    """Ten like fleets of 12 meters on coarse dials: hardly a meter is called rough."""
    apart = 0
    for fleet in range(10):
        meters = {f"{fleet}-{i}": (0.02, 0.1 if i % 3 == 0 else 0.05) for i in range(12)}
        found = pool_repeatability(_ledger(meters, visits=8, replicates=2))
        apart += found.filter(pl.col("basis") == OWN).height
    assert apart <= 2  # 10 × 5 % at most are expected


def test_single_readings_leave_the_usual_value() -> None:
    """Without replicates anywhere the usual scatter is assumed, with no degrees of freedom."""
    found = pool_repeatability(_ledger({"A": (0.02, 0.05)}, visits=5, replicates=1))
    row = found.row(0, named=True)
    assert (row["basis"], row["degrees_of_freedom"]) == (ASSUMED, None)
    assert row["repeatability_pct"] == USUAL_REPEATABILITY_PCT


def _singles(seed: int, *, noise: float, resolution: float) -> pl.DataFrame:
    """Return the ledger of 8 meters read once at each of 16 visits, wandering by 0.005 a year."""
    plan = Plan(
        meters=8,
        noise_sd=noise,
        resolution=resolution,
        drift_sd=0.005,
        wander_sd=0.005,
        points=(5.0,),
    )
    return simulate_fleet(seed, plan).ledger


def test_differences_bound_what_no_replicates_tell() -> None:
    """Where single readings scatter by 0.01, 0.03 is excluded: at most what their steps show."""
    found = pl.concat(
        pool_repeatability(_singles(seed, noise=0.01, resolution=0.005)).head(1)
        for seed in range(6)
    )
    assert set(found["basis"]) == {DIFFERENCES}
    # 6 fleets of 120 steps: the mean is known to 3 %; wander and rounding add 5 %.
    assert 0.0095 < found["repeatability_pct"].mean() < 0.0115  # type: ignore[operator]  # a number
    # Between a third less (steps share readings) and as many as there are steps.
    assert found["degrees_of_freedom"].is_between(2 / 3 * 8 * 12, 8 * 15).all()


@pytest.mark.parametrize(("noise", "resolution"), [(0.03, 0.05), (0.03, 0.005), (0.05, 0.05)])
def test_differences_that_do_not_exclude_the_usual_scatter_leave_it(
    noise: float, resolution: float
) -> None:
    """As much scatter as usual or more: it is still assumed, in 19 fleets of 20."""
    ledgers = [_singles(seed, noise=noise, resolution=resolution) for seed in range(10)]
    bases = [pool_repeatability(ledger)["basis"][0] for ledger in ledgers]
    assert bases.count(ASSUMED) >= 8


def test_differences_claim_nothing_below_the_rounding_of_the_dial() -> None:
    """Readings that never move on a dial of 0.05 are known to δ/√12 and no better."""
    row = pool_repeatability(_singles(1, noise=0.0001, resolution=0.05)).row(0, named=True)
    assert row["basis"] == DIFFERENCES
    assert row["repeatability_pct"] >= 0.05 / 12**0.5


@pytest.mark.parametrize(("sigma", "step"), [(0.02, 0.1), (0.02, 0.05), (0.05, 0.05), (0.3, 0.05)])
def test_largest_variance_of_rounded_readings(sigma: float, step: float) -> None:
    """The formula equals the variance of simulated readings midway between two steps."""
    readings = np.random.default_rng(1).normal(step / 2, sigma, 400_000)
    rounded = np.round(readings / step) * step
    largest = largest_rounded_variance(sigma, resolution=step)
    assert largest == pytest.approx(rounded.var(), rel=0.01)
