"""What charts can and cannot see: against published rates, closed forms and simulated fleets."""

import json
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy.special import ndtr

from drift.limits.runs.detectability import (
    DRIFTS,
    FALSE_ALARMS,
    SHIFTS,
    Detectability,
    as_records,
    detectability,
)
from drift.limits.runs.monitors import Watch

FOUR = ("beyond_limits", "two_of_three_outer", "four_of_five_middle", "long_run_one_side")
YEAR_DAYS = 365.25
WATCH = Watch(
    sigma_pct=0.04,
    interval_days=YEAR_DAYS / 4,
    tolerance_pct=0.1,
    meters=50,
    points_per_meter=1,
    baseline_visits=7,
    rules=FOUR,
    limit_sigmas=3.0,
    ewma_weight=0.2,
    ewma_limit_sigmas=3.0,
    cusum_reference_sigmas=0.5,
    cusum_decision_sigmas=5.0,
)
MONITORS = ["tolerance_check", "beyond_limits", "rules", "ewma", "cusum"]


@pytest.fixture(scope="module")
def found() -> Detectability:
    return detectability(WATCH)


def row(frame: pl.DataFrame, monitor: str, **values: float) -> dict[str, float]:
    rows = frame.filter(monitor=monitor, **values)
    assert len(rows) == 1
    return rows.row(0, named=True)


def test_shape_of_the_tables(found: Detectability) -> None:
    """Each table has its columns, one row per monitor and change, and no nan."""
    for frame, schema in (
        (found.false_alarms, FALSE_ALARMS),
        (found.shifts, SHIFTS),
        (found.drifts, DRIFTS),
    ):
        assert dict(frame.schema) == schema
        assert frame["monitor"].unique(maintain_order=True).to_list() == MONITORS
        assert frame.null_count().sum_horizontal().item() == 0
        assert frame.select(pl.exclude("monitor").is_finite().all()).row(0) == (True,) * (
            len(schema) - 1
        )


def test_false_alarms_of_fifty_meters(found: Detectability) -> None:
    """Check value C10: 370.398; 1 − 0.9973^50 = 0.126435; 1 − (1 − 1/91.75)^50 = 0.421867."""
    one = row(found.false_alarms, "beyond_limits")
    assert one["mean_visits"] == pytest.approx(370.398, abs=5e-4)
    assert one["mean_years"] == pytest.approx(370.398 / 4, abs=2e-4)
    assert one["chance_a_quarter"] == pytest.approx(0.126435, abs=1e-6)
    four = row(found.false_alarms, "rules")
    assert four["mean_visits"] == pytest.approx(91.75, abs=0.0052)
    assert four["chance_a_quarter"] == pytest.approx(0.421867, abs=2e-5)
    assert four["false_alarms_a_quarter"] == pytest.approx(50 / 91.75, rel=1e-4)


def test_false_alarms_of_other_charts(found: Detectability) -> None:
    """Two-sided CUSUM k 0.5, h 5: 465 in control (Montgomery's text, from memory)."""
    assert row(found.false_alarms, "cusum")["mean_visits"] == pytest.approx(465, abs=0.5)
    tolerance = row(found.false_alarms, "tolerance_check")
    assert tolerance["mean_visits"] == pytest.approx(1 / (2 * ndtr(-0.1 / 0.04)), rel=1e-6)
    assert tolerance["chance_a_quarter_short_baseline"] == tolerance["chance_a_quarter"]


def test_a_centre_from_few_visits_costs_false_alarms(found: Detectability) -> None:
    """A point less the mean of seven visits has variance 1 + 1/7: its chance beyond 3 is known."""
    chance = 2 * float(ndtr(-3 / np.sqrt(1 + 1 / 7)))
    one = row(found.false_alarms, "beyond_limits")
    assert one["chance_a_quarter_short_baseline"] == pytest.approx(1 - (1 - chance) ** 50, rel=1e-6)
    more = pl.col("chance_a_quarter_short_baseline") > pl.col("chance_a_quarter")
    assert (
        found.false_alarms.filter(pl.col("monitor") != "tolerance_check").select(more.all()).item()
    )


def test_interval_turns_visits_into_years(found: Detectability) -> None:
    """Twice the interval: the same visits, twice the years, half the points in a quarter."""
    slow = detectability(replace(WATCH, interval_days=2 * WATCH.interval_days))
    visits, years = pl.col("mean_visits"), pl.col("mean_years")
    assert slow.shifts.select(visits).equals(found.shifts.select(visits))
    assert slow.shifts.select(years).equals(found.shifts.select(years * 2))
    np.testing.assert_allclose(
        slow.false_alarms["false_alarms_a_quarter"] * 2,
        found.false_alarms["false_alarms_a_quarter"],
    )
    # Two visits a year: a shift of 0.08 % is 2 sigma, caught at each visit with chance P(z > 1).
    within = row(slow.shifts, "beyond_limits", shift_pct=0.08)["chance_within_year"]
    assert within == pytest.approx(1 - (1 - ndtr(-1.0) - ndtr(-5.0)) ** 2)


def test_a_shift_in_published_units(found: Detectability) -> None:
    """e-Handbook 6.3.2.3.1: a shift of 2 sigma takes a Shewhart chart 6.30 visits."""
    seen = row(found.shifts, "beyond_limits", shift_pct=0.08)
    assert seen["shift_sigmas"] == pytest.approx(2.0)
    assert seen["mean_visits"] == pytest.approx(6.30, abs=0.005)
    assert seen["mean_years"] == pytest.approx(6.30 / 4, abs=0.002)
    assert seen["median_visits"] <= seen["mean_visits"] <= seen["p90_visits"]


def ewma_signals(drift_sigmas: float, fleet: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Return the visit at which each of many simulated EWMA charts notices a drift."""
    generator = np.random.default_rng(31)
    level, signals = np.zeros(fleet), np.zeros(fleet, dtype=np.int64)
    for visit in range(1, 80):
        level = 0.2 * (visit * drift_sigmas + generator.normal(size=fleet)) + 0.8 * level
        signals[(np.abs(level) > 1.0) & (signals == 0)] = visit  # 3·√(0.2/1.8) = 1
    assert signals.min() > 0
    return signals


def assert_past_tolerance(found: Detectability, drift: float, fleet: int) -> None:
    signals = ewma_signals(drift / 4 / 0.04, fleet)
    bias = signals * drift / 4
    past = np.maximum(bias - 0.1, 0)
    seen = row(found.drifts, "ewma", drift_pct_per_year=drift)
    for simulated, exact in (
        (signals, seen["mean_visits"]),
        (bias, seen["mean_bias_pct"]),
        (past, seen["mean_past_tolerance_pct"]),
        ((bias <= 0.1 + 1e-9), seen["chance_within_tolerance"]),
    ):
        error = max(float(np.std(simulated)), 1e-3) / np.sqrt(fleet)
        assert float(np.mean(simulated)) == pytest.approx(exact, abs=4 * error)
    reached = np.quantile(bias, 0.9, method="inverted_cdf")
    assert seen["p90_bias_pct"] == pytest.approx(reached, abs=drift / 4 + 1e-12)
    assert seen["p90_past_tolerance_pct"] == pytest.approx(max(seen["p90_bias_pct"] - 0.1, 0))


@pytest.mark.parametrize("drift", [0.04, 0.08, 0.16])
def test_how_far_a_drift_gets(found: Detectability, drift: float) -> None:
    """Bias when noticed, how far past ±0.1 and how often within it: 20,000 simulated charts."""
    assert_past_tolerance(found, drift, fleet=20_000)


@pytest.mark.long
@pytest.mark.parametrize("drift", [0.02, 0.04, 0.08, 0.16])
def test_how_far_a_drift_gets_long(found: Detectability, drift: float) -> None:
    """The same on a million simulated charts."""
    assert_past_tolerance(found, drift, fleet=1_000_000)


def test_a_fall_is_like_a_rise(found: Detectability) -> None:
    """The sign of a shift or a drift changes nothing but its own column."""
    fall = detectability(WATCH, shifts_pct=(-0.05,), drifts_pct_per_year=(-0.08,))
    rest = pl.exclude("monitor", "shift_pct", "shift_sigmas", "drift_pct_per_year").round(9)
    assert fall.shifts.select(rest).equals(found.shifts.filter(shift_pct=0.05).select(rest))
    drifts = found.drifts.filter(drift_pct_per_year=0.08)
    assert fall.drifts.select(rest).equals(drifts.select(rest))


def test_one_rule_in_force_is_shown_once() -> None:
    """With the limits alone in force there is no second row that says the same."""
    alone = detectability(replace(WATCH, rules=("beyond_limits",)))
    assert alone.false_alarms["monitor"].to_list() == [m for m in MONITORS if m != "rules"]


def test_a_rule_that_may_never_notice_says_so() -> None:
    """Swings stop once the mean is far off: times are null, the chance within tolerance is not."""
    swing = detectability(replace(WATCH, rules=("wide_swing",)))
    seen = row(swing.drifts, "rules", drift_pct_per_year=0.08)
    assert seen["mean_visits"] is None
    assert seen["p90_bias_pct"] is None
    assert 0 < seen["chance_within_tolerance"] < 0.05
    far = row(
        detectability(replace(WATCH, rules=("wide_swing",)), shifts_pct=(2.0,)).shifts,
        "rules",
        shift_pct=2.0,
    )
    assert far["mean_visits"] is None
    json.dumps(as_records(swing), allow_nan=False)


def test_a_coarse_dial() -> None:
    """Check value R9: dial read to 0.1, sigma 0.04, centre on a mark: 0.018 % instead of 0.27 %."""
    coarse = detectability(replace(WATCH, resolution_pct=0.1))
    chance = row(coarse.false_alarms, "beyond_limits")["chance_a_quarter"]
    assert chance == pytest.approx(1 - (1 - 0.00018) ** 50, rel=0.03)
    # A bias of 0.1 reads 0.1, which passes: the check needs a reading of 0.2.
    seen = row(coarse.shifts, "tolerance_check", shift_pct=0.1)
    assert seen["mean_visits"] == pytest.approx(1 / float(ndtr(-0.05 / 0.04)), rel=1e-5)


def test_records_are_json(found: Detectability) -> None:
    """The records hold every row, the settings and what was assumed, without nan."""
    records = json.loads(json.dumps(as_records(found), allow_nan=False))
    assert set(records) == {"watch", "false_alarms", "shifts", "drifts", "notes"}
    assert records["watch"]["rules"] == list(FOUR)
    assert [len(records[name]) for name in ("false_alarms", "shifts", "drifts")] == [5, 25, 20]
    assert all(note.endswith(".") for note in records["notes"])


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"sigma_pct": 0.0}, "sigma_pct = 0.0 is not over 0"),
        ({"sigma_pct": float("nan")}, "sigma_pct = nan is not over 0"),
        ({"interval_days": -91}, "interval_days = -91 is not over 0"),
        ({"meters": 0}, "meters = 0 is not over 0"),
        ({"resolution_pct": -0.1}, "resolution_pct = -0.1 is under 0"),
        ({"rules": ("long_run",)}, "did you mean 'long_run_one_side'"),
        ({"ewma_weight": 1.5}, "weight over 0 and at most 1"),
    ],
)
def test_impossible_watch(changes: dict[str, object], message: str) -> None:
    """Each setting that cannot be meant is refused in words."""
    with pytest.raises(ValueError, match=message):
        detectability(replace(WATCH, **changes))  # type: ignore[arg-type]  # wrong on purpose


@pytest.mark.parametrize("bad", [(), (0.0,), (0.1, float("inf"))])
def test_impossible_changes(bad: tuple[float, ...]) -> None:
    """No shift, a shift of zero or an infinite one is refused."""
    with pytest.raises(ValueError, match="shifts_pct"):
        detectability(WATCH, shifts_pct=bad)
    with pytest.raises(ValueError, match="drifts_pct_per_year"):
        detectability(WATCH, drifts_pct_per_year=bad)
