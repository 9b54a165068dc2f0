"""Vessels from calibration to calibration: by hand, and how often they are called wrong."""

from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from drift.reference.crossed_effects import REFERENCE
from drift.reference.vessel_history import vessel_belief, vessel_history
from drift.reference.vessel_record import vessel_values
from tests.reference.bowl_laboratories import readings, right, weighed
from tests.sittings import table

DAYS = (date(2020, 1, 6), date(2021, 1, 6), date(2022, 1, 6), date(2023, 1, 6))


def _rows(*masses: float, bowl: float = 7080.0, **more: object) -> list[dict[str, object]]:
    return [
        {"vessel_id": "V", "calibrated_on": on, "water_mass_g": w, "bowl_water_mass_g": bowl}
        | {"u_air_pct": 0.006, **more}
        for on, w in zip(DAYS, masses, strict=False)
    ]


def _history(
    rows: list[dict[str, object]], effects: pl.DataFrame | None = None
) -> tuple[pl.DataFrame, pl.DataFrame]:
    vessels = table("vessels", rows)
    none = pl.DataFrame(schema=REFERENCE)
    history = vessel_history(vessel_values(vessels), vessels, none if effects is None else effects)
    return history, vessel_belief(history, vessels, table("equipment"))


def test_a_calibration_is_held_against_those_before() -> None:
    """By hand: 354, 354, 355.416 g on 7080 g are 5, 5, 5.02 %; u 0.006 each, of a mean 0.00424."""
    history, belief = _history(_rows(354.0, 354.0, 355.416))
    last = history.row(2, named=True)
    assert last["value_pct"] == pytest.approx(5.02)
    u_last = 0.006  # as stated for the value on its own bowl
    assert last["en_before"] == pytest.approx(0.02 / (2 * np.hypot(u_last, 0.006)), rel=1e-3)
    of_mean = np.hypot(u_last, 0.006 / np.sqrt(2))
    assert last["en_all"] == pytest.approx(0.02 / (2 * of_mean), rel=1e-3)
    assert last["high_limit"] == pytest.approx(5 + 2 * of_mean, abs=1e-4)
    assert last["verdict"] == "contradicted"
    assert history["verdict"].to_list()[:2] == ["", "agrees"]
    # chi2 of 0, 0, 0.02 about their mean: 0.000267/0.006² = 7.41 on 2; p = exp(−7.41/2).
    row = belief.row(0, named=True)
    assert row["chi2"] == pytest.approx(7.407, rel=2e-3)
    assert row["birge_ratio"] == pytest.approx(1.9245, rel=1e-3)
    assert row["p_larger"] == pytest.approx(np.exp(-7.407 / 2), rel=5e-3)
    assert row["belief"] == "too_small"
    assert row["change_pct_per_year"] == pytest.approx(0.01, rel=5e-3)


def test_another_bowl_is_none_of_the_vessels() -> None:
    """354 g on 7080 g, then on 7010 g: R moves by 1 %, the vessel does not."""
    history, belief = _history([*_rows(354.0), _rows(0, 354.0, bowl=7010.0)[1]])
    assert history["value_pct"].to_list() == pytest.approx([5.0, 5.0])
    assert history["verdict"].to_list() == ["", "agrees"]
    assert belief["belief"][0] in {"believable", "too_large"}


def test_one_calibration_tells_nothing() -> None:
    """No limits, no ratio, and no due date where none is on record."""
    history, belief = _history(_rows(354.0))
    assert history["en_all"].null_count() == 1
    assert belief.row(0, named=True)["belief"] == "cannot_say"
    assert belief["due_on"].to_list() == [None]


def test_it_is_due_by_its_last_calibration() -> None:
    """A due date of the calibration before does not outlive it."""
    rows = _rows(354.0, 354.0)
    rows[0]["due_on"] = date(2021, 1, 1)
    assert _history(rows)[1]["due_on"].to_list() == [None]
    rows[1]["due_on"] = date(2022, 1, 1)
    assert _history(rows)[1]["due_on"].to_list() == [date(2022, 1, 1)]


def test_what_a_new_value_did_to_the_meters() -> None:
    """It said 0.02 more and meters read 0.019 ± 0.004 less than that: they hardly moved."""
    name = f"V calibrated {DAYS[0]} to V calibrated {DAYS[1]}"
    effect = dict.fromkeys(REFERENCE) | {"kind": "vessel_change", "name": name}
    effect |= {"effect_pct": -0.019, "low": -0.023, "high": -0.015}
    history, _ = _history(_rows(354.0, 355.416), pl.DataFrame([effect], schema=REFERENCE))
    row = history.row(1, named=True)
    assert row["said_pct"] == pytest.approx(0.02)
    assert row["did_pct"] == pytest.approx(0.001)
    assert (row["did_low"], row["did_high"]) == pytest.approx((-0.003, 0.005))
    assert row["en_meters"] == pytest.approx(
        0.019 / np.hypot(2 * np.hypot(0.006, 0.006), 0.004), rel=2e-3
    )


def test_meters_follow_a_vessel_that_lost_volume(tmp_path: Path) -> None:
    """From files: 0.8 % lost and weighed so; meters read 0.04 less at 5 %, as it said."""
    bowls = np.zeros(8)
    vessels = (
        "vessel_id,calibrated_on,water_mass_g,bowl_water_mass_g,u_air_pct\n"
        "V-1,2023-06-01,353.8,7056.4,0.006\nV-1,2025-03-01,350.97,7056.4,0.006\n"
    )
    before = readings(bowls, right(bowls)).splitlines()
    after = readings(bowls, right(bowls), lost=0.008).splitlines()
    lines = [
        old if old.split(",")[1] < "2025-03" else new
        for old, new in zip(before, after, strict=True)
    ]
    reference, _ = weighed(tmp_path, readings="\n".join(lines) + "\n", vessels=vessels)
    row = reference.history.row(1, named=True)
    assert row["said_pct"] == pytest.approx(-0.04, abs=1e-3)
    assert row["did_low"] < -0.04 < row["did_high"]
    assert row["en_meters"] < 1
    assert row["en_before"] > 1


def test_true_uncertainties_are_seldom_disbelieved() -> None:
    """Of 2,000 vessels calibrated four times with the u that they state 5 % are too small."""
    noise = np.random.default_rng(3).normal(0, 0.006, (2000, 4))
    rows = [
        {"vessel_id": f"V{n:04}", "calibrated_on": on, "air_pct": 5 + err, "u_air_pct": 0.006}
        for n, errors in enumerate(noise)
        for on, err in zip(DAYS, errors, strict=True)
    ]
    belief = _history(rows)[1]
    each = belief.filter(pl.col("vessel_id").is_not_null())["belief"]
    assert (each == "too_small").mean() == pytest.approx(0.05, abs=4 * (0.05 / 2000) ** 0.5)
    assert belief.row(-1, named=True)["birge_ratio"] == pytest.approx(1, abs=0.04)
