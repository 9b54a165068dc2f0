"""What the reference does to every meter, told from what each meter does by itself."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest

from drift.reference.crossed_design import lay_out, sittings
from drift.reference.crossed_effects import (
    NOTHING_TO_COMPARE,
    REFERENCE,
    THE_METERS,
    component_sds,
    solve_levels,
)
from drift.reference.crossed_fit import CrossedFit, fit_crossed
from drift.reference.crossed_products import block_steps, whitened_products
from drift.reference.mixed_model import absorb
from drift.reference.shared_effects import (
    EFFECT_KINDS,
    SharedEffects,
    common_evidence,
    find_shared_effects,
    without_common,
)
from tests.meter.cause_simulator import QUARTER_DAYS, START, Fleet, Plan, simulate_fleet
from tests.sittings import table

RECORDED = Plan(calibrated_visits=(0, 8))


def _fit(fleet: Fleet) -> CrossedFit:
    fit = fit_crossed(fleet.ledger, sessions=fleet.sessions, vessels=fleet.vessels)
    assert fit is not None
    return fit


def _causes(fleet: Fleet) -> SharedEffects:
    return find_shared_effects(_fit(fleet))


def _kind(causes: SharedEffects, kind: str) -> pl.DataFrame:
    return causes.frame.filter(pl.col("kind") == kind)


def test_fit_equals_generalised_least_squares() -> None:
    """Filtering and absorbing equal the textbook formula with free levels and a full covariance.

    V = random drift + random walk + noise within each block; one column per block for its level.
    """
    fleet = simulate_fleet(3, Plan(meters=5, visits=9, operator_effects=(0.0, 0.02)))
    rows = sittings(fleet.ledger, sessions=fleet.sessions, vessels=fleet.vessels)
    design = lay_out(rows, bins_each=3)
    wander, drift = 0.7, 0.4
    absorbed = absorb(
        whitened_products(block_steps(design), wander=wander)[0], ratios=np.array([drift])
    ).products
    n, t = len(design.response), design.t_years
    same_block = design.block[:, None] == design.block
    centred = design.extra[:, -1]
    cov = np.eye(n) + wander * same_block * np.minimum(t[:, None], t)
    cov += drift * (design.meter[:, None] == design.meter) * np.outer(centred, centred)
    levels = np.eye(int(design.block.max()) + 1)[design.block]
    inverse = np.linalg.inv(cov)
    projected = inverse - inverse @ levels @ np.linalg.solve(
        levels.T @ inverse @ levels, levels.T @ inverse
    )
    columns = np.zeros((n, design.width))
    columns[np.arange(n), design.bin_code] = design.air
    columns[np.arange(n), design.bins.height + design.operator_code] = 1
    columns[:, -design.extra.shape[1] :] = design.extra
    everything = np.column_stack([columns, design.response])
    np.testing.assert_allclose(absorbed, everything.T @ projected @ everything, atol=1e-9)


def test_recorded_change_of_the_vessel_is_found_and_sized() -> None:
    """A new calibration that is off by 0.04 % shows on 24 meters × 8 visits a side."""
    causes = _causes(simulate_fleet(1, replace(RECORDED, shift=0.04)))
    assert causes.frame.schema == REFERENCE
    change = _kind(causes, "vessel_change").row(0, named=True)
    assert change["p"] < 1e-6
    assert change["low"] < 0.04 < change["high"]
    assert change["from_on"] < change["to_on"]
    both = _kind(causes, "vessel")["effect_pct"].to_list()
    assert both[1] - both[0] == pytest.approx(change["effect_pct"])


def test_unrecorded_shift_of_the_vessel_is_found_and_dated() -> None:
    """The same shift without a record is dated between the two visits, other kinds unmoved."""
    causes = _causes(simulate_fleet(1, Plan(shift=0.04)))
    step = _kind(causes, "vessel_step").row(0, named=True)
    assert step["q"] < 0.001
    assert step["low"] < 0.04 < step["high"]
    shifted_on = pl.Series([START]).dt.offset_by(f"{8 * QUARTER_DAYS}d")[0]
    assert step["from_on"] < shifted_on <= step["to_on"]
    vessel = _kind(causes, "vessel").row(0, named=True)
    assert vessel["confounded_with"] == NOTHING_TO_COMPARE
    assert vessel["p"] is None


def _rates(count: int, plan: Plan, *, first: int) -> dict[str, float]:
    """Return over `count` fleets: share of p < 0.05 by kind, coverage and dating."""
    p: dict[str, list[float]] = {}
    covered: list[bool] = []
    dated: list[bool] = []
    shifted_on = pl.Series([START]).dt.offset_by(f"{plan.shift_visit * QUARTER_DAYS}d")[0]
    for number in range(count):
        effects = np.random.default_rng(first + number).normal(0, 0.02, 6)
        fleet = simulate_fleet(first + number, replace(plan, operator_effects=tuple(effects)))
        causes = _causes(fleet)
        for kind, value in causes.frame.select("kind", "p").drop_nulls().iter_rows():
            p.setdefault(kind, []).append(value)
        operators = _kind(causes, "operator")
        true = np.array([effects[int(name.split()[1])] for name in operators["name"]])
        true = true - true.mean()
        low, high = operators["low"].to_numpy(), operators["high"].to_numpy()
        covered += ((low <= true) & (true <= high)).tolist()
        dated += [step["from_on"] < shifted_on <= step["to_on"] for step in causes.steps]
    rates = {kind: float((np.array(values) < 0.05).mean()) for kind, values in p.items()}
    return rates | {
        "covered": float(np.mean(covered)),
        "dated": float(np.mean(dated)) if dated else 0.0,
    }


def test_power_false_alarms_and_coverage() -> None:
    """0.04 % seen in every one of 10 fleets, null p values rare, operator intervals cover."""
    assert _rates(5, replace(RECORDED, shift=0.04), first=100)["vessel_change"] == 1.0
    assert _rates(5, Plan(shift=0.04), first=100)["vessel_step"] == 1.0
    quiet = _rates(14, RECORDED, first=200)
    # At a true rate of 5 % more than 2 of 14 come by chance once in 30 choices of the seed.
    assert quiet["vessel_change"] <= 2 / 14
    assert quiet["vessel_step"] <= 0.2
    assert 0.88 <= quiet["covered"] <= 0.995


@pytest.mark.long
def test_power_false_alarms_and_coverage_in_full() -> None:
    """Power ≥ 0.9 for 0.04 %, 5 % false alarms, operator coverage 93 to 97 %, dates covered."""
    assert _rates(200, replace(RECORDED, shift=0.04), first=1000)["vessel_change"] >= 0.9
    unrecorded = _rates(200, Plan(shift=0.04), first=1000)
    assert unrecorded["vessel_step"] >= 0.9
    assert unrecorded["dated"] >= 0.9
    quiet = _rates(600, RECORDED, first=7000)
    assert 0.93 <= quiet["covered"] <= 0.97
    for kind in ("vessel_change", "vessel_step", "season", "fleet_drift"):
        # 5 % and three standard errors of 600 fleets.
        assert quiet[kind] <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 600)


@pytest.mark.long
@pytest.mark.parametrize(
    "plan",
    [
        replace(RECORDED, wander_sd=0.04),
        replace(RECORDED, shock_share=0.02),
        replace(RECORDED, resolution=0.1, noise_sd=0.03),
    ],
)
def test_false_alarms_under_wandering_shocks_and_coarse_dials(plan: Plan) -> None:
    """Meters that wander, jump or are read coarsely do not make the vessel look off."""
    rates = _rates(200, plan, first=4000)
    assert rates["vessel_change"] <= 0.1
    assert rates["vessel_step"] <= 0.1
    assert 0.92 <= rates["covered"] <= 0.98


def test_effects_are_recovered_in_size() -> None:
    """Operators, season and drift planted in a large fleet come back within their intervals."""
    people = (-0.03, 0.0, 0.01, 0.02)
    plan = Plan(meters=60, visits=20, operator_effects=people, season=0.02, fleet_drift=-0.03)
    causes = _causes(simulate_fleet(7, plan))
    operators = _kind(causes, "operator")
    np.testing.assert_allclose(operators["effect_pct"], np.array(people), atol=0.006)
    season = _kind(causes, "season").row(0, named=True)
    assert season["low"] < 0.02 < season["high"]
    assert season["p"] < 1e-6
    drift = _kind(causes, "fleet_drift").row(0, named=True)
    assert drift["low"] < -0.03 < drift["high"]
    assert causes.frame["kind"].unique(maintain_order=True).to_list() == [
        kind for kind in EFFECT_KINDS if kind in causes.frame["kind"].to_list()
    ]


def test_water_temperature_stands_for_the_season() -> None:
    """Where temperatures are recorded, their effect per 10 °C is estimated instead."""
    causes = _causes(simulate_fleet(8, Plan(meters=40, visits=20, warm=0.03)))
    warm = _kind(causes, "water_temperature").row(0, named=True)
    assert warm["low"] < 0.03 < warm["high"]
    assert _kind(causes, "season").is_empty()


def test_standard_deviations_of_operators_and_noise() -> None:
    """REML gives back the spread between 30 operators, and noise with its rounding part."""
    effects = tuple(np.random.default_rng(4).normal(0, 0.03, 30))
    fit = _fit(simulate_fleet(9, Plan(meters=60, visits=20, operator_effects=effects)))
    sds = component_sds(fit, solve_levels(fit))
    assert sds["operator"] == pytest.approx(np.std(effects, ddof=1), rel=0.15)
    noise = np.sqrt((0.02**2 + 0.05**2 / 12) / 2)  # the mean of the points at 5 and 10 %
    assert sds["noise"] == pytest.approx(noise, rel=0.1)
    assert "vessel" not in sds


def _by_meter(codes: list[int], visits: int) -> npt.NDArray[np.int64]:
    return np.repeat(np.array(codes)[:, None], visits, axis=1)


def test_operator_who_always_uses_one_vessel_is_confounded() -> None:
    """Vessel and operator that always go together are named, not shared out."""
    pairs = np.random.default_rng(1).integers(0, 2, (24, 16))
    plan = Plan(
        vessel_effects=(0.0, 0.05),
        operator_effects=(0.0, 0.0),
        vessel_of=pairs,
        operator_of=pairs,
        points=(0.0, 5.0),
    )
    causes = _causes(simulate_fleet(11, plan))
    vessels, operators = _kind(causes, "vessel"), _kind(causes, "operator")
    assert vessels["confounded_with"].to_list() == ["person 0", "person 1"]
    assert operators["confounded_with"][0].startswith("V0")
    for frame in (vessels, operators):
        assert frame["effect_pct"].null_count() == frame["p"].null_count() == frame.height


def test_vessels_that_share_no_meter_are_confounded_with_the_meters() -> None:
    """Two sites with a vessel each: what differs may be the meters."""
    plan = Plan(vessel_effects=(0.0, 0.05), vessel_of=_by_meter([0] * 12 + [1] * 12, 16))
    vessels = _kind(_causes(simulate_fleet(12, plan)), "vessel")
    assert vessels["confounded_with"].to_list() == [THE_METERS, THE_METERS]


def test_vessel_used_by_one_meter_only() -> None:
    """A vessel that only one meter met cannot be told from that meter."""
    vessel_of = np.zeros((24, 16), dtype=np.int64)
    vessel_of[3, 8:] = 1
    plan = Plan(vessel_effects=(0.0, 0.05), vessel_of=vessel_of)
    vessels = _kind(_causes(simulate_fleet(13, plan)), "vessel")
    row = vessels.filter(pl.col("name").str.starts_with("V1")).row(0, named=True)
    assert row["confounded_with"] == "meter M00003"
    assert row["p"] is None


def test_one_meters_shock_is_not_blamed_on_the_vessel() -> None:
    """A meter that jumps by 0.5 % on the day of the new calibration moves no vessel."""
    fleet = simulate_fleet(14, replace(RECORDED, adjust=False))
    on = pl.Series([START]).dt.offset_by(f"{8 * QUARTER_DAYS}d")[0]
    jumps = (pl.col("meter_id") == "M00005") & (pl.col("performed_on") >= on)
    ledger = fleet.ledger.with_columns(
        as_found_bias_pct=pl.col("as_found_bias_pct") + 0.5 * jumps.cast(pl.Float64)
    )
    calm, jumpy = _causes(fleet), _causes(replace(fleet, ledger=ledger))
    for frame in (calm, jumpy):
        change = _kind(frame, "vessel_change").row(0, named=True)
        assert abs(change["effect_pct"]) < 0.012
    assert _kind(jumpy, "vessel_change")["p"][0] > 0.01


def test_common_effects_are_taken_out_of_the_readings() -> None:
    """After taking out what was found, the shift is gone, at 10 % twice as much as at 5 %."""
    fleet = simulate_fleet(15, Plan(shift=0.06, adjust=False))
    causes = _causes(fleet)
    cleared = without_common(fleet.sessions, causes, rate=0.05)
    assert cleared.drop("common_pct").schema == fleet.sessions.schema
    on = pl.Series([START]).dt.offset_by(f"{8 * QUARTER_DAYS}d")[0]
    taken = {
        key: part["common_pct"].unique().to_list()
        for key, part in cleared.with_columns(after=pl.col("performed_on") >= on)
        .partition_by("point_pct", "after", as_dict=True)
        .items()
    }
    assert taken[0.0, True] == [0.0]
    assert taken[5.0, False] == [0.0]
    assert taken[5.0, True] == pytest.approx([causes.steps[0]["effect_pct"]])
    assert taken[10.0, True] == pytest.approx([2 * taken[5.0, True][0]])
    before = fleet.sessions.sort("meter_id", "performed_on", "point_pct")
    after = cleared.sort("meter_id", "performed_on", "point_pct")
    np.testing.assert_allclose(
        after["bias_pct"] + after["common_pct"], before["bias_pct"], atol=1e-12
    )
    firsts = after["biases_pct"].list.first()
    np.testing.assert_allclose(firsts, after["bias_pct"], atol=1e-12)


def test_common_evidence_for_a_meters_segments() -> None:
    """In a first segment the vessels are compared; later only a change since its start counts."""
    fleet = simulate_fleet(16, replace(RECORDED, shift=0.06))
    fit = _fit(fleet)
    evidence = common_evidence(fit, find_shared_effects(fit))
    later = evidence.filter(pl.col("segment") > 1)
    last_vessel_only = later.filter(pl.col("common_pct").abs() < 1e-9)
    assert last_vessel_only.height > 0  # opened with the new calibration: nothing changed since
    assert evidence["common_error_pct"].max() < 0.01  # type: ignore[operator]  # a number
    assert evidence["common_pct"].max() > 0.01  # type: ignore[operator]


def test_vessels_missing_or_calibrated_after_use() -> None:
    """A use before the first calibration is a period of its own; no vessel at all still fits."""
    fleet = simulate_fleet(17, Plan(calibrated_visits=(8,), shift=0.05))
    change = _kind(_causes(fleet), "vessel_change").row(0, named=True)
    assert change["name"].startswith("V0 to V0 calibrated")
    assert change["low"] < 0.05 < change["high"]
    bare = replace(
        fleet,
        vessels=table("vessels"),
        ledger=fleet.ledger.with_columns(
            vessel_id=pl.lit(None, dtype=pl.String), operator=pl.lit(None, dtype=pl.String)
        ),
    )
    causes = _causes(bare)
    assert _kind(causes, "vessel").is_empty()
    assert _kind(causes, "operator").is_empty()
    assert _kind(causes, "season").height == 1


def test_too_little_to_fit() -> None:
    """No meter seen twice, or readings that never move, give no fit instead of a wrong one."""
    once = simulate_fleet(18, Plan(visits=1))
    assert fit_crossed(once.ledger, sessions=once.sessions, vessels=once.vessels) is None
    twice = simulate_fleet(18, Plan(meters=2, visits=2))
    assert fit_crossed(twice.ledger, sessions=twice.sessions, vessels=twice.vessels) is None
    still = simulate_fleet(18, Plan())
    flat = still.ledger.with_columns(
        as_found_bias_pct=pl.lit(0.0), as_left_bias_pct=pl.lit(None, dtype=pl.Float64)
    )
    assert fit_crossed(flat, sessions=still.sessions, vessels=still.vessels) is None


def test_small_fleet_of_three_meters() -> None:
    """Three meters and four visits give effects without failing, or say nothing."""
    for seed in range(5):
        fleet = simulate_fleet(seed, Plan(meters=3, visits=4, calibrated_visits=(0, 2)))
        fit = fit_crossed(fleet.ledger, sessions=fleet.sessions, vessels=fleet.vessels)
        if fit is not None:
            frame = find_shared_effects(fit).frame
            assert frame.select(pl.col("p").drop_nulls().is_between(0, 1).all()).item()


def test_order_of_rows_changes_nothing() -> None:
    """A shuffled ledger gives the same effects."""
    fleet = simulate_fleet(19, replace(RECORDED, operator_effects=(0.0, 0.02)))
    one = _causes(fleet).frame
    mixed = fleet.ledger.sample(fraction=1.0, shuffle=True, seed=3)
    two = _causes(replace(fleet, ledger=mixed)).frame
    np.testing.assert_allclose(
        one["effect_pct"].drop_nulls(), two["effect_pct"].drop_nulls(), atol=1e-9
    )
