"""Studies of a laboratory with known truth: what is found, what is left open, what is planned."""

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from statsmodels.stats.multitest import multipletests

from drift.reference.studies.next_study import StudyScatter, plan_study
from drift.reference.studies.rounded_scatter import rounded_scatter, shared_rounding
from drift.reference.studies.standing_out import _holm, find_standing_out
from drift.reference.studies.weigh import WeighedStudy, weigh_study
from drift.store.tables import input_frame


def simulated(
    seed: int,
    *,
    operators: tuple[float, ...] = (0.0, 0.0, 0.0),
    meters: int = 8,
    days: int = 1,
    replicates: int = 3,
    within: float = 0.03,
    between: float = 0.0,
    resolution: float = 0.05,
    spread: float = 0.04,
) -> pl.DataFrame:
    """Return a study: what each operator reads high, of meters that differ, on a rounded dial."""
    chance = np.random.default_rng(seed)
    bias = chance.normal(0, spread, meters)
    rows: list[dict[str, Any]] = []
    for who, high in enumerate(operators):
        for meter in range(meters):
            for day in range(days):
                sitting = chance.normal(0, between)
                for replicate in range(replicates):
                    value = 5 + high + bias[meter] + sitting + chance.normal(0, within)
                    rows.append(
                        {
                            "study_id": "S",
                            "meter_id": f"AM-{meter:02}",
                            "performed_on": date(2026, 1, 5) + timedelta(day),
                            "correct_air_pct": 5.0,
                            "reading_air_pct": round(round(value / resolution) * resolution, 3),
                            "replicate": replicate + 1,
                            "resolution_pct": resolution,
                            "operator": f"OP-{who}",
                        }
                    )
    return pl.DataFrame(rows, schema=input_frame("studies").schema)


def weighed(readings: pl.DataFrame) -> WeighedStudy:
    return weigh_study("S", readings, tolerance_pct=0.1)


def operators_out(study: WeighedStudy) -> list[str]:
    found = study.stands_out.filter(pl.col("kind") == "operator", pl.col("what") == "level")
    return found["name"].to_list()


def part(study: WeighedStudy, name: str) -> dict[str, Any]:
    return study.components.filter(pl.col("name") == name).row(0, named=True)


def test_an_operator_who_reads_high_is_named_and_no_other() -> None:
    """0.08 % air high on eight meters: that one alone, and what he is off by."""
    study = weighed(simulated(1, operators=(0.0, 0.0, 0.08), days=2))
    assert operators_out(study) == ["OP-2"]
    row = study.stands_out.filter(pl.col("name") == "OP-2").row(0, named=True)
    assert row["low"] < 0.08 < row["high"]
    assert part(study, "operator")["share"] == pytest.approx(
        2 * part(study, "operator")["sd"] / 0.1
    )
    assert not study.resolution_limited
    assert study.u_pct is not None
    assert study.u_pct > 0.04
    assert study.operator_pct is not None


def test_sound_operators_are_not_blamed() -> None:
    """Three sound operators: at most 5 of 40 studies name one (5 % expected)."""
    chance = np.random.default_rng(13)
    named = 0
    for _ in range(40):
        operator, meter, _ = (index.ravel() for index in np.indices((3, 6, 2)))
        value = chance.normal(0, 0.04, 6)[meter] + chance.normal(0, 0.01, (3, 6))[operator, meter]
        rows = pl.DataFrame(
            {
                "operator": [f"OP-{one}" for one in operator],
                "meter_id": [f"AM-{one}" for one in meter],
                "sitting": [f"{one} {other}" for one, other in zip(operator, meter, strict=True)],
                "value": np.round((value + chance.normal(0, 0.03, 36)) / 0.05) * 0.05,
                "resolution_pct": 0.05,
            }
        )
        named += (
            not find_standing_out(rows)
            .filter("stands_out", pl.col("kind") == "operator", pl.col("what") == "level")
            .is_empty()
        )
    assert named <= 5


def test_one_operator_one_meter_one_reading() -> None:
    """What a thin study leaves open is said, and no number stands in its place."""
    alone = weighed(simulated(2, operators=(0.0,)))
    assert alone.operator_pct is None
    assert any("One operator" in note for note in alone.notes)
    assert part(alone, "operator")["sd"] is None
    single = weighed(simulated(3, replicates=1))
    assert single.repeatability_pct is None
    assert any("No replicates" in note for note in single.notes)
    assert part(single, "repeatability")["shared_with"] == "operator_by_meter sitting"
    meter = weighed(simulated(4, meters=1))
    assert any("One meter" in note for note in meter.notes)
    reading = weighed(simulated(5, operators=(0.0,), meters=1, replicates=1))
    assert reading.u_pct is None
    assert reading.plan is None or reading.plan.told_pct is None


def test_empty_cells_are_counted_and_borne() -> None:
    """A pair that was not read: told, and the rest is weighed."""
    readings = simulated(6, operators=(0.0, 0.0, 0.08), days=2)
    lost = (pl.col("operator") == "OP-1") & (pl.col("meter_id") == "AM-03")
    study = weighed(readings.filter(~lost))
    assert any(note.startswith("1 of 24 pairs") for note in study.notes)
    assert operators_out(study) == ["OP-2"]


def test_operators_with_meters_of_their_own() -> None:
    """Nested: operators are compared by what their meters differ by, and that is said."""
    chance = simulated(7, operators=(0.0, 0.0, 0.0), meters=12)
    place = pl.col("meter_id").str.slice(3).cast(pl.Int64) // 4
    own = chance.filter(place == pl.col("operator").str.slice(3).cast(pl.Int64))
    study = weighed(own)
    assert set(study.effects.filter(pl.col("kind") == "operator")["compared_over"]) >= {"own"}
    assert any("meters of his own" in note for note in study.notes)
    assert "operator_by_meter" in part(study, "meter")["shared_with"]


def test_two_values_alone_hide_the_scatter() -> None:
    """A dial of 0.1 that shows two values: nothing is called zero."""
    study = weighed(simulated(8, within=0.004, spread=0.03, resolution=0.1))
    assert study.rows["bias_pct"].n_unique() == 2
    assert study.resolution_limited
    assert part(study, "repeatability")["sd"] is None
    assert study.operator_pct is None
    still = weighed(simulated(9, within=0.0, spread=0.0))
    assert still.resolution_limited
    assert still.u_pct is None


def test_scatter_before_rounding() -> None:
    """A dial of 0.1 with a scatter of 0.03: Sheppard's correction is off, the likelihood is not."""
    chance = np.random.default_rng(10)
    level = chance.uniform(-0.1, 0.1, 150)[:, None]
    rounded = np.round((level + chance.normal(0, 0.03, (150, 3))) / 0.1) * 0.1
    found = rounded_scatter(list(rounded), resolution=0.1)
    assert found.high is not None
    assert found.low < 0.03 < found.high
    assert found.sd == pytest.approx(0.03, abs=0.006)
    assert not found.hidden


def test_what_rounding_leaves_in_a_mean() -> None:
    """δ²/12 without scatter, nothing with much, and what a simulation gives between."""
    assert shared_rounding(0.0, 0.1) == pytest.approx(0.1**2 / 12, rel=1e-3)
    assert shared_rounding(0.1, 0.1) < 1e-12
    chance = np.random.default_rng(11)
    level = np.linspace(0, 0.1, 401)[:-1]
    read = np.round((level[:, None] + chance.normal(0, 0.02, (400, 4000))) / 0.1) * 0.1
    error = read.mean(axis=1) - level
    assert shared_rounding(0.02, 0.1) == pytest.approx(error.var(), rel=0.03)


def test_the_plan_tells_what_it_promises() -> None:
    """A study as planned names an operator 0.02 % high as often as it says, by simulation."""
    scatter = StudyScatter(
        interaction_pct=0.0, between_pct=0.0, within_pct=0.01, resolution_pct=0.01
    )
    plan = plan_study(scatter, scatter, operators=2, done=(2, 1, 1))
    assert plan is not None
    chance = np.random.default_rng(12)
    found = 0
    for _ in range(400):
        shape = (plan.meters, plan.days * plan.replicates)
        one, other = (
            (np.round(chance.normal(high, 0.01, shape) / 0.01) * 0.01).mean(axis=1)
            for high in (0.0, 0.02)
        )
        apart = other - one
        error = apart.std(ddof=1) / np.sqrt(plan.meters)
        limit = {2: 12.706, 3: 4.303, 4: 3.182, 5: 2.776, 6: 2.571, 7: 2.447, 8: 2.365}
        found += abs(apart.mean()) > limit[plan.meters] * error
    assert found / 400 == pytest.approx(plan.power, abs=0.08)
    assert plan.power >= 0.8


def test_no_study_tells_what_the_dial_hides() -> None:
    """Scatter too large for a bearable study: none is planned; a dial too coarse: read it finer."""
    wide = StudyScatter(interaction_pct=0.06, between_pct=0.0, within_pct=0.03, resolution_pct=0.1)
    assert plan_study(wide, wide, operators=3, done=(8, 1, 3)) is None
    coarse = StudyScatter(
        interaction_pct=0.0, between_pct=0.0, within_pct=0.005, resolution_pct=0.1
    )
    plan = plan_study(coarse, coarse, operators=3, done=(8, 1, 3))
    assert plan is not None
    assert plan.read_to_pct == pytest.approx(0.05)


def test_p_values_are_adjusted_as_statsmodels_does() -> None:
    """Holm's, with a tie."""
    p = np.array([0.04, 0.01, 0.2, 0.01, 0.9])
    np.testing.assert_allclose(_holm(p), multipletests(p, method="holm")[1])
