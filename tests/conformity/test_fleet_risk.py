"""What checking a fleet risks."""

import numpy as np
import polars as pl
import pytest

from drift.conformity.decision_rules import acceptance_limit, decision_rule
from drift.conformity.global_risk import fleet_risks, global_risks
from drift.meter.tolerance import largest_accepted, within_tolerance_values


def _checks(*, sd: float, noise: float, limit: float, rows: int = 60_000) -> pl.DataFrame:
    rng = np.random.default_rng(5)
    true = rng.normal(0.01, sd, rows)
    return pl.DataFrame(
        {
            "meter_id": [str(i % 24) for i in range(rows)],
            "point_pct": 5.0,
            "bias_pct": true + rng.normal(0, noise, rows),
            "true_pct": true,
            "u_pct": noise,
            "reference_u_pct": 0.0,
            "limit_pct": limit,
        }
    )


@pytest.mark.parametrize("limit", [0.1, 0.06])
def test_risks_are_the_shares_of_simulated_checks(limit: float) -> None:
    """False acceptance and rejection counted on 60,000 simulated checks (JCGM 106, clause 9)."""
    checks = _checks(sd=0.06, noise=0.03, limit=limit)
    risk = fleet_risks(checks, tolerance=0.1, comparison="absolute").row(0, named=True)
    good, taken = checks["true_pct"].abs() <= 0.1, checks["bias_pct"].abs() <= limit
    assert risk["sd_pct"] == pytest.approx(0.06, rel=0.02)
    assert risk["false_accept"] == pytest.approx((~good & taken).mean(), abs=0.002)
    assert risk["false_reject"] == pytest.approx((good & ~taken).mean(), abs=0.004)
    assert (risk["meters"], risk["checks"]) == (24, checks.height)


def test_a_guard_band_that_leaves_nothing_rejects_every_good_meter() -> None:
    """With a limit of 0 or below nothing is accepted: no false acceptance, all good ones lost."""
    risk = fleet_risks(
        _checks(sd=0.05, noise=0.06, limit=-0.02), tolerance=0.1, comparison="absolute"
    ).row(0, named=True)
    assert risk["false_accept"] == pytest.approx(0, abs=1e-9)
    assert risk["false_reject"] > 0.9


def test_a_fleet_that_scatters_no_more_than_its_measuring_has_no_risk_to_tell() -> None:
    """Where measuring explains all scatter, and where nothing was read, nothing is said."""
    risk = fleet_risks(
        _checks(sd=1e-6, noise=0.03, limit=0.1, rows=40).with_columns(u_pct=0.04),
        tolerance=0.1,
        comparison="absolute",
    ).row(0, named=True)
    assert risk["sd_pct"] is None
    assert risk["false_accept"] is None
    nothing = _checks(sd=0.05, noise=0.03, limit=0.1, rows=1).clear()
    assert fleet_risks(nothing, tolerance=0.1, comparison="absolute").is_empty()


def test_intervals_hold_the_true_risks() -> None:
    """Of 200 fleets whose meters differ, the 95 % intervals hold the true risks in 91 to 99 %."""
    rng, held, fleets = np.random.default_rng(3), np.zeros(2), 200
    between, within, noise, meters, visits = 0.04, 0.03, 0.025, 24, 20
    sd = float(np.hypot(between, within))
    truth = global_risks(mean=0.01, sd=sd, u=noise, tolerance=0.1, acceptance=0.1)
    for _ in range(fleets):
        true = 0.01 + rng.normal(0, between, (meters, 1)) + rng.normal(0, within, (meters, visits))
        checks = pl.DataFrame(
            {
                "meter_id": np.repeat(np.arange(meters), visits).astype(str),
                "point_pct": 5.0,
                "bias_pct": (true + rng.normal(0, noise, true.shape)).ravel(),
                "u_pct": noise,
                "reference_u_pct": 0.0,
                "limit_pct": 0.1,
            }
        )
        risk = fleet_risks(checks, tolerance=0.1, comparison="absolute").row(0, named=True)
        for place, name in enumerate(("false_accept", "false_reject")):
            held[place] += risk[f"{name}_low"] <= truth[place] <= risk[f"{name}_high"]
    assert (held / fleets > 0.91).all()
    assert (held / fleets < 0.99).all()


def test_two_meters_leave_the_interval_unsaid() -> None:
    """How far meters differ cannot be told from two: a risk stands without an interval."""
    checks = _checks(sd=0.05, noise=0.03, limit=0.1, rows=400)
    two = checks.with_columns(meter_id=pl.col("meter_id").cast(pl.Int64).mod(2).cast(pl.String))
    risk = fleet_risks(two, tolerance=0.1, comparison="absolute").row(0, named=True)
    assert risk["false_accept"] is not None
    assert risk["false_accept_low"] is None
    assert risk["false_reject_high"] is None


def test_acceptance_limits() -> None:
    """T = 0.1, U = 0.04: simple and four-way accept to T, guards to T − U and T − 0.83 U."""
    frame = pl.DataFrame({"u": [0.02, None, 0.0]}, schema={"u": pl.Float64})

    def limits(name: str) -> list[float | None]:
        rule = decision_rule(name)
        limit = acceptance_limit(pl.col("u"), tolerance=0.1, rule=rule)
        return frame.with_columns(limit=limit)["limit"].to_list()

    assert limits("simple_acceptance") == [0.1] * 3
    assert limits("four_way") == [0.1] * 3
    assert limits("guarded_by_u") == [pytest.approx(0.06), None, None]
    assert limits("guarded_by_083_u") == [pytest.approx(0.0668), None, None]


@pytest.mark.parametrize("tolerance", [0.1, 0.05])
def test_rounding_moves_the_edge_of_acceptance(tolerance: float) -> None:
    """Just inside the edge passes and just beyond it fails, by either method of ASTM E29."""
    for comparison in ("absolute", "rounding"):
        edge = largest_accepted(tolerance, tolerance=tolerance, comparison=comparison)
        beside = [edge - 1e-6, edge + 1e-6]
        found = within_tolerance_values(beside, tolerance=tolerance, comparison=comparison)
        assert found.tolist() == [True, False]
    assert largest_accepted(0.04, tolerance=tolerance, comparison="rounding") == 0.04
