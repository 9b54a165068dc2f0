"""Keep it, check it more often, service it or retire it: grounds, costs and the rule."""

import dataclasses
import math
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy import stats

from drift.meter.ledger import build_ledger
from drift.upkeep.choices import IntervalChoices, RetirementChoices
from drift.upkeep.intervals.from_drift import PROCESSES
from drift.upkeep.retirement.cheapest import Cheapest, cheapest_of
from drift.upkeep.retirement.frames import CHOICE_COSTS, GROUNDS, RETIREMENTS
from drift.upkeep.retirement.ground_table import (
    GROUND_TABLE,
    RetirementEvidence,
    last_run,
    rate_interval,
    rise_p,
    run_p,
    spread_limit,
)
from drift.upkeep.retirement.recommend import Retirement, weigh_retirement
from drift.upkeep.retirement.simulate import (
    Course,
    PlayedOut,
    Prices,
    UpkeepPlan,
    simulate_maintenance,
)
from tests.sittings import START, sessions, sitting, table

Rows = Sequence[dict[str, object]]


def test_poisson_limits_are_exact() -> None:
    """Garwood's limits of 0 to 9 events equal half the χ² quantiles that SciPy gives."""
    count = np.arange(10)
    low, high = rate_interval(count, 2.0)
    assert 2 * low == pytest.approx(
        np.where(count > 0, stats.chi2.ppf(0.025, 2 * np.maximum(count, 1)) / 2, 0.0)
    )
    assert 2 * high == pytest.approx(stats.chi2.ppf(0.975, 2 * count + 2) / 2)


def test_poisson_limits_cover_at_least_as_stated() -> None:
    """Summed over all counts, 95 % limits hold any true rate 95 % of the time."""
    count = np.arange(80)
    low, high = rate_interval(count, 1.0)
    for true in (0.3, 1.0, 4.0, 11.0, 30.0):
        chance = stats.poisson.pmf(count, true)
        assert chance[(low <= true) & (true <= high)].sum() >= 0.95 - 1e-9


def test_rise_and_direction_are_exact_binomials() -> None:
    """Both p values equal ``scipy.stats.binomtest`` for every split of up to 8 events."""
    for early in range(5):
        for late in range(5):
            rise = rise_p(early, late, late_share=0.4)
            if early + late:
                one = stats.binomtest(late, early + late, 0.4, alternative="greater").pvalue
                assert rise == pytest.approx(one, abs=1e-12)
    assert rise_p(0, 0, late_share=0.5) == 1.0


def test_runs_are_counted_from_the_last_move() -> None:
    """Up, down, down, nothing, down is a run of 3, of chance ¼ when either way is as likely."""
    assert last_run([1.0, -0.1, -0.2, 0.0, -0.1]) == 3
    assert last_run([]) == 0
    assert run_p(3) == 0.25
    assert run_p(1) == 1.0
    signs = [[a, b, c, d] for a in (1, -1) for b in (1, -1) for c in (1, -1) for d in (1, -1)]
    assert np.mean([last_run(moves) >= 3 for moves in signs]) == run_p(3)


def test_spread_limits_as_tabled() -> None:
    """√F of J replicates over K visits at 5 %: 1.90623, 1.84468, 1.59171, 2.08596, by SciPy's F."""
    cells = np.array([(3, 8), (3, 12), (6, 6), (2, 20)])
    limit = spread_limit(cells[:, 0] - 1, cells[:, 1] * (cells[:, 0] - 1))
    assert limit == pytest.approx([1.90623, 1.84468, 1.59171, 2.08596], abs=5e-6)


def still(**changed: float) -> Course:
    """Return a meter that stays at 0 and is read without noise, but for what is changed."""
    names = (
        *("level", "level_sd", "drift", "drift_sd", "wander", "noise_sd", "reset_sd"),
        *("shock_rate", "shock_size"),
    )
    return Course(**{name: np.array([changed.get(name, 0.0)]) for name in names})


PRICES = Prices(check=50.0, adjustment=20.0, failure=300.0)


def played(course: Course, *, days: float = 91.3125, **plan: Any) -> PlayedOut:
    return simulate_maintenance(
        course,
        UpkeepPlan(np.array([days]), **plan),
        PRICES,
        tolerance=0.1,
        horizon_years=5.0,
        paths=400,
    )


def test_a_steady_meter_costs_its_checks() -> None:
    """Nothing moves: 20 quarterly checks in 5 years at 50 each, with no range, and never out."""
    made = played(still())
    assert (made.expected[0], made.low[0], made.high[0]) == (1000.0, 1000.0, 1000.0)
    assert made.found_out[0] == 0
    assert made.share_out[0] == 0


def test_a_drifting_meter_fails_once_a_cycle() -> None:
    """0.17 a year from 0, checked quarterly: out at the third check each time, 6 times in 20."""
    made = played(still(drift=0.17))
    assert made.found_out[0] == 6
    assert made.expected[0] == 20 * 50 + 6 * (20 + 300)
    # Half a period of each cycle of three is counted as out.
    assert made.share_out[0] == pytest.approx(6 * 0.5 / 20)


def test_adjusting_early_spares_the_failures() -> None:
    """The same meter adjusted past half the tolerance is adjusted every second check, never out."""
    made = played(still(drift=0.17), adjust_share=0.5)
    assert made.found_out[0] == 0
    assert made.expected[0] == 20 * 50 + 10 * 20


def test_a_new_meter_starts_afresh() -> None:
    """A renewed meter forgets its level and drift and is paid for at once."""
    made = played(still(level=0.5, drift=1.0), first_price=900.0, renewed_drift_sd=0.0)
    assert made.expected[0] == 900 + 1000


def test_chance_events_come_as_often_as_they_should() -> None:
    """Shocks far beyond the tolerance are found out at 1 − exp(−rate · period) of the checks."""
    made = simulate_maintenance(
        still(shock_rate=0.4, shock_size=1e6),
        UpkeepPlan(np.array([91.3125])),
        PRICES,
        tolerance=0.1,
        horizon_years=5.0,
        paths=4000,
    )
    assert made.found_out[0] / 20 == pytest.approx(-math.expm1(-0.1), abs=0.005)
    counted = stats.binom(20, -math.expm1(-0.1))
    assert made.low[0] == pytest.approx(1000 + 320 * counted.ppf(0.1), abs=321)
    assert made.high[0] == pytest.approx(1000 + 320 * counted.ppf(0.9), abs=321)


def test_the_same_question_has_the_same_answer_in_any_company() -> None:
    """A meter's costs do not change when others are played beside it."""
    alone = played(still(drift=0.1, wander=0.03, noise_sd=0.02))
    two = Course(
        *(np.array([0.0, 0.0]), np.array([0.0, 0.01]), np.array([0.1, 0.0]), np.array([0.0, 0.0])),
        *(np.array([0.03, 0.01]), np.array([0.02, 0.02]), np.array([0.0, 0.01])),
        *(np.array([0.0, 0.2]), np.array([0.0, 0.1])),
    )
    beside = simulate_maintenance(
        two,
        UpkeepPlan(np.array([91.3125, 30.0])),
        PRICES,
        tolerance=0.1,
        horizon_years=5.0,
        paths=400,
    )
    assert beside.expected[0] == alone.expected[0]
    assert beside.found_out[0] == alone.found_out[0]


def test_impossible_plans_are_refused() -> None:
    """Intervals, shares and parameters out of range raise instead of giving a cost."""
    with pytest.raises(ValueError, match="intervals and horizon"):
        played(still(), days=0.0)
    with pytest.raises(ValueError, match="adjust_share"):
        played(still(), adjust_share=0.0)
    with pytest.raises(ValueError, match="finite"):
        played(still(drift=math.nan))
    with pytest.raises(ValueError, match="counts"):
        rate_interval(1, 0.0)
    with pytest.raises(ValueError, match="degrees of freedom"):
        spread_limit(0, 5)


def process(**changed: float) -> pl.DataFrame:
    values: dict[str, object] = dict.fromkeys(PROCESSES, 0.0)
    return pl.DataFrame(
        [values | {"series": 0, "meter_id": "A", "noise_sd": 0.02, "reset_sd": 0.01} | changed],
        schema=PROCESSES,
    )


NO_CAUSES = pl.DataFrame(
    schema={
        "meter_id": pl.String,
        "segment": pl.Int64,
        "cause": pl.String,
        "probability": pl.Float64,
    }
)
PRICED = RetirementChoices(
    check_price=50.0,
    adjustment_price=20.0,
    failure_price=300.0,
    service_price=200.0,
    replacement_price=1500.0,
)


def weighed(
    rows: Rows,
    *,
    marks: Rows = (),
    service: Rows = (),
    meters: Rows = (),
    needed: float | None = 400.0,
    forecast: bool = True,
    causes: pl.DataFrame = NO_CAUSES,
    choices: RetirementChoices = PRICED,
    processes: pl.DataFrame | None = None,
    as_of: date = START + timedelta(days=2000),
    in_use: int = 1,
) -> Retirement:
    """Weigh the fate of meter A, one of so many meters in use."""
    ledger = build_ledger(
        sessions(rows),
        marks=table("marks", marks),
        service=table("service", service),
        meters=table("meters", meters),
        resolution_pct=0.1,
    )
    known = process() if processes is None else processes
    need = pl.DataFrame(
        [("A", 0, needed)],
        schema={"meter_id": pl.String, "series": pl.Int64, "days": pl.Float64},
        orient="row",
    )
    evidence = RetirementEvidence(
        as_of=as_of,
        ledger=ledger,
        marks=table("marks", marks),
        service=table("service", service),
        meters=table("meters", meters),
        needed=need if forecast else need.clear(),
        present=pl.DataFrame(
            {
                "meter_id": ["A", *(f"B{k}" for k in range(1, in_use))],
                "interval_days": [91] * in_use,
            }
        ),
        processes=known if forecast else known.clear(),
        causes=causes,
    )
    return weigh_retirement(
        evidence,
        tolerance=0.1,
        comparison="absolute",
        choices=choices,
        intervals=IntervalChoices(),
    )


def ground(found: Retirement, name: str) -> dict[str, Any]:
    return found.grounds.row(by_predicate=pl.col("ground") == name, named=True)


def advice(found: Retirement) -> dict[str, Any]:
    return found.advice.row(0, named=True)


def work(day: int, action: str, **more: object) -> dict[str, object]:
    return {"meter_id": "A", "performed_on": START + timedelta(days=day), "action": action, **more}


def steady(visits: int = 12, *, readings: Sequence[float] = (0.0, 0.0)) -> list[dict[str, object]]:
    return [sitting(91 * k, readings) for k in range(visits)]


def sawtooth(cycles: int, *, found: float = 0.15) -> list[dict[str, object]]:
    """Return visits of which every second finds the meter out and puts it back to 0."""
    rows = [sitting(0, [0.0])]
    for k in range(1, 2 * cycles + 1):
        if k % 2:
            rows.append(sitting(91 * k, [0.05]))
        else:
            rows += [sitting(91 * k, [found]), sitting(91 * k, [0.0], stage="as_left")]
    return rows


def test_a_good_meter_is_kept_and_every_ground_answers() -> None:
    """Steady at 0: keep; each ground is there once, in order, none met, unknown ones null."""
    found = weighed(steady())
    assert found.grounds.schema == pl.Schema(GROUNDS)
    assert found.costs.schema == pl.Schema(CHOICE_COSTS)
    assert found.advice.schema == pl.Schema(RETIREMENTS)
    assert found.grounds["ground"].to_list() == [entry.name for entry in GROUND_TABLE]
    assert "met" not in found.grounds["verdict"].to_list()
    assert found.grounds.filter(verdict="cannot_say")["value"].null_count() > 0
    assert found.grounds.filter(pl.col("verdict") != "cannot_say")["value"].null_count() == 0
    said = advice(found)
    assert said["recommendation"] == "keep"
    assert said["carried_by"] == []
    assert "Not known, and might change it" in said["would_change"]


def test_adjustments_are_counted_with_their_exact_interval() -> None:
    """Five resets in 910 days are 2.0 a year, over a threshold of one; limits by Garwood."""
    found = weighed(sawtooth(5))
    entry = ground(found, "adjustment_rate")
    years = 910 / 365.25
    low, high = rate_interval(5, years)
    assert entry["value"] == pytest.approx(5 / years)
    assert entry["verdict"] == "met"
    assert f"{float(low):.1f} to {float(high):.1f}" in entry["sentence"]


def test_too_few_visits_give_no_rate() -> None:
    """With 5 visits neither rate nor its rise is said."""
    found = weighed(sawtooth(2))
    assert ground(found, "adjustment_rate")["verdict"] == "cannot_say"
    assert ground(found, "adjustment_rise")["value"] is None


def test_a_rise_is_the_conditional_test_of_late_against_early() -> None:
    """No reset in six visits and five in the next five: p = 0.5^5 on halves of the time."""
    rows = steady(6, readings=(0.0,))
    for k in range(6, 11):
        rows += [sitting(91 * k, [0.15]), sitting(91 * k, [0.0], stage="as_left")]
    entry = ground(weighed(rows), "adjustment_rise")
    assert entry["value"] == pytest.approx(0.5**5)
    assert entry["verdict"] == "met"


def test_moves_the_same_way_are_a_run() -> None:
    """Five resets downwards in a row meet the threshold of five; the sign is that of the move."""
    entry = ground(weighed(sawtooth(5)), "same_direction")
    assert (entry["value"], entry["verdict"]) == (5.0, "met")
    assert "moved its readings down (by chance alone: 6.2 %)" in entry["sentence"].replace(
        "\u00a0", " "
    )
    assert ground(weighed(sawtooth(4)), "same_direction")["verdict"] == "not_met"


def test_mark_travel_is_counted_from_where_the_mark_was_established() -> None:
    """From −0.50 to −1.10 on the dial is 0.60; an older place does not count."""
    marks = [
        work(-400, "established", mark=0.4),
        work(0, "established", mark=-0.5),
        work(91, "moved", mark=-0.8),
        work(182, "moved", mark=-1.1),
    ]
    entry = ground(weighed(steady(), marks=marks), "mark_travel")
    assert entry["value"] == pytest.approx(0.6)
    assert entry["verdict"] == "met"
    assert "after 2 moves" in entry["sentence"]


def test_a_mark_in_pressure_is_put_on_the_dial() -> None:
    """100 to 98 kPa of 100 nominal with chamber 0.05 of the bowl: 5 (100/98 − 1) = 0.102 %."""
    marks = [
        work(0, "established", mark=100.0, mark_unit="kpa"),
        work(91, "moved", mark=98.0, mark_unit="kpa"),
    ]
    built = [{"meter_id": "A", "chamber_bowl_ratio": 0.05, "initial_pressure_kpa": 100.0}]
    entry = ground(weighed(steady(), marks=marks, meters=built), "mark_travel")
    assert entry["value"] == pytest.approx(5 * (100 / 98 - 1))
    unknown = ground(weighed(steady(), marks=marks), "mark_travel")
    assert unknown["verdict"] == "cannot_say"


def scattering(base: float, last: float, *, visits: int = 12) -> list[dict[str, object]]:
    """Return visits of three replicates 0, +s, −s: standard deviation s."""
    late = visits - RetirementChoices().recent_visits
    sds = [last if k >= late else base for k in range(visits)]
    return [sitting(91 * k, [0.0, sd, -sd], resolution=0.001) for k, sd in enumerate(sds)]


def test_repeatability_is_judged_by_the_root_of_f() -> None:
    """0.02 at 7 visits, 0.045 at the last 4: 2.25 times, limit √F(0.99; 8, 14) by SciPy."""
    entry = ground(weighed(scattering(0.02, 0.045)), "repeatability")
    assert entry["value"] == pytest.approx(2.25)
    assert entry["threshold"] == pytest.approx(math.sqrt(stats.f.ppf(0.99, 8, 14)))
    assert entry["verdict"] == "met"
    told = entry["sentence"].replace("\u00a0", " ")
    assert told.startswith(
        "Repeat readings now differ 2.25 times as much as when first seen; chance"
    )
    assert "Look for a leak, a sticking hand or water." in told
    assert "was 0.020 % air at the first 7 visits, and is 0.045 % air at the last 4 visits." in told
    sound = ground(weighed(scattering(0.02, 0.02)), "repeatability")
    assert sound["verdict"] == "not_met"
    assert "Look for" not in sound["sentence"]


def test_the_chance_of_a_false_call_is_shared_out_over_the_fleet() -> None:
    """Of 20 meters in use each may be called at 0.01/20: √F(0.9995; 8, 14) by SciPy, not met."""
    entry = ground(weighed(scattering(0.02, 0.045), in_use=20), "repeatability")
    assert entry["threshold"] == pytest.approx(math.sqrt(stats.f.ppf(1 - 0.01 / 20, 8, 14)))
    assert entry["verdict"] == "not_met"


def test_a_share_of_passes_is_held_against_the_target() -> None:
    """Eight of 16 leave no 95 %, by the exact bound; one of 2 proves nothing against it."""
    few, many = (ground(weighed(sawtooth(cycles)), "pass_rate") for cycles in (1, 8))
    assert "it may still reach the target of 95" in few["sentence"]
    assert few["verdict"] == "not_met"
    assert "Even with the benefit of the doubt" in many["sentence"]
    assert many["sentence"].endswith("the target is 19 in 20.")
    assert many["verdict"] == "met"


def test_scatter_that_the_dial_hides_is_not_a_baseline_of_nothing() -> None:
    """Equal replicates on a dial read to 0.05 count as 0.05/√12, not as 0."""
    rows = [sitting(91 * k, [0.0, 0.0] if k < 8 else [0.0, 0.05]) for k in range(12)]
    entry = ground(weighed(rows), "repeatability")
    assert entry["value"] == pytest.approx((0.05 / math.sqrt(2)) / (0.05 / math.sqrt(12)))
    assert "at the first 7 visits, the least that its dial can show, and" in entry["sentence"]


def test_scatter_from_before_it_was_put_right_does_not_count() -> None:
    """Dried after the last of four bad visits: nothing is known; a good one clears it."""
    dried = [work(1010, "chamber_dried")]
    assert ground(weighed(scattering(0.02, 0.05), service=dried), "repeatability")["value"] is None
    since = [*scattering(0.02, 0.05), sitting(1092, [0.0, 0.02, -0.02], resolution=0.001)]
    entry = ground(weighed(since, service=dried), "repeatability")
    assert entry["value"] == pytest.approx(1.0)
    assert entry["verdict"] == "not_met"
    assert "at the last 1 visit." in entry["sentence"]


def test_a_cause_of_a_segment_that_was_closed_is_past() -> None:
    """Water suspected before the last reset is no fault now; suspected since then it is one."""
    reset = [*steady(6), sitting(600, [0.2]), sitting(600, [0.0], stage="as_left")]
    for rows, segment, faults in ((reset, 1, 0.0), ([*reset, sitting(700, [0.1])], 2, 1.0)):
        causes = pl.DataFrame(
            [("A", segment, "chamber_water", 0.9)], schema=NO_CAUSES.schema, orient="row"
        )
        seals = [work(10, "seal_replaced")]
        found = ground(weighed(rows, service=seals, causes=causes), "recurring_fault")
        assert found["value"] == faults


def test_points_that_cannot_be_met_together_are_counted() -> None:
    """After two of three resets the 10 % point stayed out: two visits, the threshold."""
    rows = []
    for k, left in enumerate([0.0, 0.15, 0.12]):
        day = 91 * (k + 1)
        rows += [sitting(day, [0.15]), sitting(day, [0.15], point=10.0)]
        rows += [
            sitting(day, [0.0], stage="as_left"),
            sitting(day, [left], stage="as_left", point=10.0),
        ]
    entry = ground(weighed([sitting(0, [0.0]), *rows]), "points_together")
    assert (entry["value"], entry["verdict"]) == (2.0, "met")
    assert ground(weighed(sawtooth(4)), "points_together")["verdict"] == "cannot_say"


def test_intervals_are_compared_with_the_present_and_the_practicable() -> None:
    """60 days are sooner than 91 but practicable; 20 are not; more than was looked for is long."""
    verdicts = {}
    for days in (60.0, 20.0, None):
        found = weighed(steady(), needed=days)
        verdicts[days] = [
            ground(found, name)["verdict"] for name in ("interval_in_force", "needed_interval")
        ]
    assert verdicts == {
        60.0: ["met", "not_met"],
        20.0: ["met", "met"],
        None: ["not_met", "not_met"],
    }
    unknown = weighed(steady(), forecast=False)
    assert ground(unknown, "needed_interval")["verdict"] == "cannot_say"


def test_faults_recur_within_the_years_that_count() -> None:
    """Two repairs within two years meet it; one long ago does not count; a hint adds one."""
    near = [work(1500, "seal_replaced"), work(1900, "chamber_dried")]
    assert ground(weighed(steady(), service=near), "recurring_fault")["verdict"] == "met"
    old = [work(100, "seal_replaced"), work(1900, "seal_replaced")]
    assert ground(weighed(steady(), service=old), "recurring_fault")["value"] == 1.0
    causes = pl.DataFrame(
        [("A", 1, "leak", 0.6), ("A", 1, "chamber_water", 0.3)],
        schema=NO_CAUSES.schema,
        orient="row",
    )
    hinted = ground(weighed(steady(), service=old, causes=causes), "recurring_fault")
    assert (hinted["value"], hinted["verdict"]) == (2.0, "met")
    assert ground(weighed(steady()), "recurring_fault")["verdict"] == "cannot_say"


def test_age_supports_but_never_decides() -> None:
    """Twelve years old and otherwise good: the ground is met and the meter is kept."""
    born = [{"meter_id": "A", "in_service_on": date(2017, 1, 1)}]
    found = weighed(steady(), meters=born, as_of=date(2029, 1, 1))
    assert ground(found, "age")["verdict"] == "met"
    assert advice(found)["recommendation"] == "keep"


def test_costs_come_with_their_prices_only() -> None:
    """Without the price of a new meter nothing is compared; failures are still expected."""
    found = weighed(steady(), choices=RetirementChoices(check_price=50.0))
    assert ground(found, "cost")["verdict"] == "cannot_say"
    assert ground(found, "cost")["sentence"] == "The price of a new meter is not given."
    costs = found.costs.select("choice", "expected_cost").rows()
    assert costs[0] == ("keep", 1000.0)
    assert dict(costs)["retire"] is None
    assert found.costs["found_out"].null_count() == 0


def test_a_meter_dearer_than_a_new_one_is_retired() -> None:
    """Drift of 0.5 a year costs more than a new meter at 100, and the costs carry it."""
    choices = RetirementChoices(
        check_price=50.0, adjustment_price=20.0, failure_price=300.0, replacement_price=100.0
    )
    worn = pl.concat([process(drift=0.5), *[process(series=k) for k in range(1, 40)]])
    found = weighed(steady(), processes=worn, choices=choices)
    assert ground(found, "cost")["verdict"] == "met"
    said = advice(found)
    assert (said["recommendation"], said["carried_by"]) == ("retire", ["cheaper_choice", "cost"])


def test_a_service_cheaper_than_a_new_meter_comes_first() -> None:
    """Drift of 0.5 a year among steady meters: a service at 250, not a new meter at 1,400.

    The prices are those of a laboratory whose memo named the new meter above a table in which a
    service cost less.
    """
    choices = RetirementChoices(
        check_price=85.0,
        adjustment_price=40.0,
        failure_price=900.0,
        service_price=250.0,
        replacement_price=1400.0,
    )
    worn = pl.concat([process(drift=0.5), *[process(series=k) for k in range(1, 40)]])
    found = weighed(steady(), processes=worn, choices=choices)
    costs = dict(found.costs.select("choice", "expected_cost").iter_rows())
    assert min(costs, key=lambda name: costs[name]) == "service"
    assert costs["keep"] > costs["retire"] > costs["service"]
    said = advice(found)
    assert (said["recommendation"], said["carried_by"]) == ("service", ["cheaper_choice"])
    assert "a service is expected to cost least" in said["reason"]
    assert "assumed, not shown" in said["reason"]


def test_a_choice_within_the_range_of_the_cheapest_stands() -> None:
    """Luck may reverse what lies within a range; what lies beyond it gives way."""
    row = {"expected_cost": 100.0, "low_cost": 80.0, "high_cost": 150.0}
    costs = {
        "keep": {"expected_cost": 150.0, "low_cost": 140.0, "high_cost": 190.0},
        "service": row,
        "retire": {"expected_cost": 151.0, "low_cost": 120.0, "high_cost": 190.0},
    }
    best = cheapest_of(costs, list(costs), cost_ratio=1.0)
    assert best == Cheapest("service", ("keep",))
    assert cheapest_of(costs, ["retire", "service"], cost_ratio=0.5) == Cheapest("retire", ())
    assert cheapest_of(costs, ["retire"], cost_ratio=1.0) is None


def test_a_failing_meter_is_not_kept_for_being_cheap() -> None:
    """Scatter grown, and a service at 100,000: it is a new meter that is weighed against it."""
    dear = dataclasses.replace(PRICED, service_price=100_000.0)
    said = advice(weighed(scattering(0.02, 0.05), choices=dear))
    assert said["recommendation"] == "retire"
    assert "Cheaper, but no remedy: keeping it as it is" in said["reason"]


def test_a_curable_ground_asks_for_service_first_and_then_for_more() -> None:
    """Scatter grown: service; scatter grown and two seals within the year: retire."""
    worn = weighed(scattering(0.02, 0.05))
    assert advice(worn)["recommendation"] == "service"
    assert advice(worn)["carried_by"] == ["repeatability"]
    assert "met after a service" in advice(worn)["would_change"]
    tried = weighed(
        scattering(0.02, 0.05),
        service=[work(650, "seal_replaced"), work(700, "seal_replaced")],
        as_of=START + timedelta(days=1100),
    )
    assert advice(tried)["recommendation"] == "retire"
    assert advice(tried)["carried_by"] == ["repeatability", "recurring_fault"]
    assert "A service was tried" in advice(tried)["reason"]


def test_a_meter_that_needs_checking_sooner_is_checked_more_often() -> None:
    """Sixty days once adjusted instead of 91: check more often, and that choice is priced at 60.

    A service at 1,000 costs more than ten further checks at 50.
    """
    dear = dataclasses.replace(PRICED, service_price=1000.0)
    found = weighed(steady(), needed=60.0, choices=dear)
    said = advice(found)
    assert said["recommendation"] == "check_more_often"
    assert said["carried_by"] == ["interval_in_force"]
    assert found.costs.filter(choice="check_more_often")["interval_days"].to_list() == [60.0]


def test_a_meter_that_would_fail_too_often_may_be_adjusted_early() -> None:
    """0.2 a year from 0, out at every second check: adjusting at half the tolerance is priced."""
    found = weighed(steady(), needed=150.0, processes=process(drift=0.2))
    costs = {row["choice"]: row for row in found.costs.iter_rows(named=True)}
    assert costs["check_more_often"]["interval_days"] == 91.0
    assert costs["keep"]["found_out"] > 5 > costs["check_more_often"]["found_out"]
    assert costs["check_more_often"]["expected_cost"] < costs["keep"]["expected_cost"]


def test_a_meter_that_passes_too_seldom_is_adjusted_early() -> None:
    """Eight of 16 checks passed, although it would hold for 400 days once adjusted."""
    found = weighed(sawtooth(8))
    entry = ground(found, "pass_rate")
    assert entry["value"] == pytest.approx(stats.beta.ppf(0.975, 9, 8))
    said = advice(found)
    assert said["recommendation"] == "check_more_often"
    assert "Adjust it as soon as it is well off centre" in said["reason"]


def test_a_meter_without_a_forecast_is_watched_on_what_is_known() -> None:
    """Adjusted often the same way with no forecast: check more often, no costs, and it says so."""
    found = weighed(sawtooth(5), forecast=False)
    assert advice(found)["recommendation"] == "check_more_often"
    assert found.costs.is_empty()
    assert "could not be forecast" in ground(found, "cost")["sentence"]


def test_sentences_hold_no_missing_number() -> None:
    """No sentence, reason or remark shows a nan, an infinity or a None."""
    for found in (weighed(steady(2)), weighed(sawtooth(6)), weighed(steady(), forecast=False)):
        text = " ".join(
            [*found.grounds["sentence"], *found.advice["reason"], *found.advice["would_change"]]
        )
        assert not {"nan", "inf", "None"} & set(text.replace(".", " ").split())
