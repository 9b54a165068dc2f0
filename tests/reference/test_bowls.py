"""A vessel stands for what it holds on a bowl: from written files to what is said of them."""

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from drift.reference.bowls import NOT_CELSIUS, bowl_spread, bowl_values
from drift.reference.vessel import SCALE_SHARE, water_volume_ml
from drift.review.policy import Policy
from tests.reference.bowl_laboratories import (
    BOWL_G,
    DEFAULT,
    ONE_VESSEL,
    R_PCT,
    alike,
    bowls_table,
    readings,
    right,
    shares,
    weighed,
)
from tests.sittings import table

BOWLS_11 = shares(11)


def test_volume_of_water_weighed_in_air() -> None:
    """ISO 8655-6 table of Z at 1013 hPa, from memory: 1.0020 at 15, 1.0029 at 20, 1.0040 at 25."""
    volumes = water_volume_ml(1.0, temperature_c=[15.0, 20.0, 25.0, 30.0, np.nan])
    np.testing.assert_allclose(volumes, [1.0020, 1.0029, 1.0040, 1.0054, 1.0029], atol=5e-5)


def test_right_bowls_are_not_called_wrong(tmp_path: Path) -> None:
    """Eleven meters state what the vessel is on bowls of ±0.6 % that nobody measured."""
    reference, _ = weighed(
        tmp_path, readings=readings(BOWLS_11, right(BOWLS_11)), vessels=ONE_VESSEL
    )
    assert reference.checks.is_empty()
    compared = reference.compared
    assert set(compared["bowl"]) == {"unknown"}
    at_ten = compared.filter(pl.col("fills") == 2)["open_pct"]
    assert at_ten.to_list() == pytest.approx([0.006 * 2 * R_PCT] * len(at_ten))


def test_right_bowls_that_are_measured_agree(tmp_path: Path) -> None:
    """The value of each pair is worked out from both masses, and nothing is left open."""
    reference, _ = weighed(
        tmp_path,
        readings=readings(BOWLS_11, right(BOWLS_11)),
        vessels=ONE_VESSEL,
        bowls=bowls_table(BOWLS_11),
    )
    assert reference.checks.is_empty()
    pairs = reference.pairs.sort("meter_id")
    assert set(pairs["bowl"]) == {"measured"}
    assert pairs["open_pct"].null_count() == pairs.height == 11
    np.testing.assert_allclose(pairs["air_pct"], right(BOWLS_11), rtol=8e-4)
    assert pairs["bowl_u_pct"].min() > 0.003  # type: ignore[operator]  # numbers


def test_one_value_for_all_bowls_is_found_where_they_are_measured(tmp_path: Path) -> None:
    """Bowls 0.6 % off make 10 % wrong by 0.06: told by pair, and by size."""
    reference, _ = weighed(
        tmp_path,
        readings=readings(BOWLS_11, alike(BOWLS_11)),
        vessels=ONE_VESSEL,
        bowls=bowls_table(BOWLS_11),
    )
    wrong = set(reference.checks["meter_id"])
    assert {"M01", "M02", "M10", "M11"} <= wrong
    assert not {"M05", "M06", "M07"} & wrong
    assert set(reference.checks["problem"]) == {
        "this is what the vessel stands for on another bowl; this meter's own is on record"
    }
    worst = reference.checks.filter((pl.col("meter_id") == "M11") & (pl.col("fills") == 2))
    assert worst["off_pct"].mean() == pytest.approx(0.06, abs=0.01)


def test_one_value_for_all_bowls_is_left_open_where_none_is_measured(tmp_path: Path) -> None:
    """Nothing contradicts it and nothing shows it; the budget says ± what is open."""
    files = {"readings": readings(BOWLS_11, alike(BOWLS_11)), "vessels": ONE_VESSEL}
    reference, told = weighed(tmp_path / "told", DEFAULT, **files)
    assert reference.checks.is_empty()
    bowl = told.budgets.filter(
        (pl.col("component") == "bowl") & (pl.col("point_pct") == 10) & (pl.col("stage") != "step")
    )
    assert bowl["standard_u_pct"].to_list() == [0.0] * 11
    assert bowl["basis"].str.contains("not measured: ±0.06 % air open").all()
    _, counted = weighed(tmp_path / "counted", Policy().changed(unknown_bowl="counted"), **files)
    more = counted.verdicts.filter(pl.col("point_pct") == 10)["u_pct"].to_numpy()
    less = told.verdicts.filter(pl.col("point_pct") == 10)["u_pct"].to_numpy()
    np.testing.assert_allclose(more**2 - less**2, (0.006 * 10.03) ** 2 / 3, rtol=0.01)


def test_an_old_value_is_found_among_values_of_their_own(tmp_path: Path) -> None:
    """M03 keeps what it stated before the vessel got a new value; ten others follow it."""
    again = ONE_VESSEL + "V-1,2025-01-01,357.3,7056.4,0.006\n"
    own = right(BOWLS_11)
    both = readings(BOWLS_11, own).splitlines()
    later = readings(BOWLS_11, own * 357.3 / 353.8).splitlines()
    mixed = [
        old if old.split(",")[1] < "2025" or old.startswith("M03") else new
        for old, new in zip(both, later, strict=True)
    ]
    reference, _ = weighed(tmp_path, readings="\n".join(mixed) + "\n", vessels=again)
    assert set(reference.checks["meter_id"]) == {"M03"}
    assert reference.checks["performed_on"].min().year == 2025  # type: ignore[union-attr]  # a date


def test_a_value_for_a_bowl_of_its_own_counts_there_alone(tmp_path: Path) -> None:
    """A vessel's value recorded for M01 is M01's; M02 keeps what the vessel is on no bowl named."""
    vessels = (
        "vessel_id,calibrated_on,air_pct,u_air_pct,meter_id\n"
        "V-1,2023-06-01,5.01,0.006,\nV-1,2023-06-01,5.04,0.006,M01\n"
    )
    two = np.zeros(2)
    reference, _ = weighed(
        tmp_path, readings=readings(two, np.array([5.04, 5.01])), vessels=vessels
    )
    pairs = reference.pairs.sort("meter_id")
    assert pairs["bowl"].to_list() == ["stated", "unknown"]
    assert pairs["air_pct"].to_list() == [5.04, 5.01]
    assert reference.checks.is_empty()


def _bowls(*rows: dict[str, object]) -> pl.DataFrame:
    return bowl_values(table("bowls", list(rows)), table("equipment"))


def _bowl(meter: str, on: str, **values: object) -> dict[str, object]:
    return {"meter_id": meter, "measured_on": pl.Series([on]).str.to_date()[0], **values}


def test_a_bowl_measured_once_says_so_and_one_measured_again_is_compared() -> None:
    """By hand: 14.2 g apart; each u² = (0.001/√3)² + 0.0005² + (0.5·2.1e-4)² of the volume."""
    frame = _bowls(
        _bowl("A", "2023-01-02", bowl_water_mass_g=BOWL_G, water_temp_c=20.0),
        _bowl("B", "2023-01-02", bowl_water_mass_g=7100.0, water_temp_c=20.0),
        _bowl("B", "2024-01-02", bowl_water_mass_g=7114.2, water_temp_c=20.0),
        _bowl("C", "2023-01-02", bowl_water_mass_g=7.0564, water_temp_c=20.0),
    )
    by_meter = {row["meter_id"]: row for row in frame.iter_rows(named=True)}
    assert by_meter["A"]["measured"] == 1
    assert by_meter["B"]["measured"] == 2
    share = np.sqrt(SCALE_SHARE**2 / 3 + 0.0005**2 + (0.5 * 2.1e-4) ** 2)
    assert by_meter["A"]["u_share"] == pytest.approx(share)
    expected = 14.2 / (2 * share * np.hypot(7100, 7114.2))
    assert by_meter["B"]["en_before"] == pytest.approx(expected, rel=1e-6)
    assert expected > 0.9
    assert not by_meter["C"]["usable"]
    assert "its unit is mistaken" in by_meter["C"]["problem"]


def test_fahrenheit_is_asked_about_and_not_reckoned_with() -> None:
    """55 °F in a column of °C: told, 20 °C is taken, and the volume is as sure as one not read."""
    frame = _bowls(
        _bowl("A", "2023-01-02", bowl_water_mass_g=BOWL_G, water_temp_c=55.0),
        _bowl("B", "2023-01-02", bowl_water_mass_g=BOWL_G),
        _bowl("C", "2023-01-02", bowl_volume_l=7.0765),
    )
    warm, unread, litres = frame.sort("meter_id").iter_rows(named=True)
    assert warm["problem"] == NOT_CELSIUS
    assert warm["volume_ml"] == unread["volume_ml"] == pytest.approx(BOWL_G * 1.002852, rel=1e-6)
    assert warm["u_share"] == unread["u_share"] > litres["u_share"]
    assert litres["volume_ml"] == 7076.5


def test_the_balance_on_record_counts() -> None:
    """0.7 g of 7,056.4 g in place of 0.1 %; a unit that is not known counts as none."""
    on = pl.Series(["2022-01-01"]).str.to_date()[0]
    equipment = table(
        "equipment",
        [
            {"equipment_id": name, "kind": "balance", "calibrated_on": on, "u": 0.7, "u_unit": unit}
            for name, unit in (("S-1", "g"), ("S-2", "divisions"))
        ],
    )
    rows = [
        _bowl(name, "2023-01-02", bowl_water_mass_g=BOWL_G, water_temp_c=20.0, scale_id=scale)
        for name, scale in (("A", "S-1"), ("B", "S-2"), ("C", None))
    ]
    sure, odd, usual = bowl_values(table("bowls", rows), equipment)["u_share"]
    assert sure == pytest.approx(np.sqrt((0.7 / BOWL_G) ** 2 + 0.0005**2 + 1.05e-4**2))
    assert odd == usual > sure


def test_measured_bowls_say_how_far_others_may_lie() -> None:
    """Five of one size count, by twice their standard deviation; fewer leave the policy's."""
    rows = [_bowl(f"M{n}", "2023-01-02", bowl_water_mass_g=7000.0 + 20 * n) for n in range(5)]
    spread = bowl_spread(_bowls(*rows), usual_pct=0.6)
    assert spread.half_share == pytest.approx(2 * 20 * np.std(range(5), ddof=1) / 7040)
    assert spread.basis == "5 measured bowls"
    assert bowl_spread(_bowls(*rows[:4]), usual_pct=0.6).half_share == 0.006
    larger = _bowl("M9", "2023-01-02", bowl_water_mass_g=8500.0)
    assert bowl_spread(_bowls(*rows, larger), usual_pct=0.6).half_share == spread.half_share


def test_a_bowl_that_was_not_measured_is_known_no_better_than_one_that_was() -> None:
    """Where all measured bowls hold the same, what one measurement is unsure by is left open."""
    values = _bowls(*(_bowl(f"M{n}", "2023-01-02", bowl_water_mass_g=7000.0) for n in range(5)))
    spread = bowl_spread(values, usual_pct=0.6)
    assert spread.standard_share == pytest.approx(values["u_share"][0])
    assert spread.half_share == pytest.approx(2 * spread.standard_share)
