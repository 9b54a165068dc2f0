"""R of a vessel on the bowl of one meter, against figures worked out by hand."""

from datetime import date

import polars as pl
import pytest

from drift.reference.bowl_pairs import bowl_pairs
from drift.reference.bowls import NO_EQUIPMENT, bowl_values
from drift.reference.vessel_record import vessel_values
from drift.store.tables import input_frame

AS_OF = date(2026, 10, 1)
DAY, LATER = date(2026, 1, 10), date(2027, 1, 1)


def frame(table: str, *rows: dict[str, object]) -> pl.DataFrame:
    empty = input_frame(table)
    return pl.DataFrame(
        [dict.fromkeys(empty.columns) | row for row in rows], schema=empty.schema, orient="row"
    )


def pairs(vessels: list[dict[str, object]], *bowls: dict[str, object]) -> pl.DataFrame:
    measured = bowl_values(frame("bowls", *bowls), pl.DataFrame(schema=NO_EQUIPMENT))
    return bowl_pairs(vessel_values(frame("vessels", *vessels)), measured, as_of=AS_OF)


V = {"vessel_id": "V-1", "calibrated_on": DAY, "water_mass_g": 350.0}


@pytest.mark.parametrize(
    ("vessel", "bowl", "air"),
    [
        ({}, {"bowl_water_mass_g": 7000.0}, 5.0),
        # Weighed at 15 °C (999.103 kg/m³) and 30 °C (995.649): volumes compared, not masses.
        ({"water_temp_c": 15.0}, {"bowl_water_mass_g": 7000.0, "water_temp_c": 30.0}, 4.98272),
        # 350 g of water at 20 °C, weighed in air, are 350.998 ml (Z 1.00285, as ISO 8655-6 prints).
        ({}, {"bowl_volume_l": 7.0}, 5.01426),
        ({"water_temp_c": 20.0}, {"bowl_water_mass_g": 7000.0}, 5.0),
    ],
)
def test_r_belongs_to_vessel_and_bowl(
    vessel: dict[str, object], bowl: dict[str, object], air: float
) -> None:
    """100·w/W by hand, densities of water by Tanaka et al. (2001) as tables print them."""
    made = pairs(
        [V | {"bowl_water_mass_g": 7100.0} | vessel],
        {"meter_id": "AM-1", "measured_on": DAY, **bowl},
    )
    assert made["air_pct"].to_list() == pytest.approx([air], abs=1e-4)


def test_the_newest_of_both_counts_and_nothing_later() -> None:
    """A bowl measured after the day is not seen, and a vessel without a mass has no pairs."""
    made = pairs(
        [
            V | {"calibrated_on": date(2020, 1, 1), "bowl_water_mass_g": 7000.0},
            V | {"water_mass_g": 355.0, "bowl_water_mass_g": 7000.0},
            {"vessel_id": "V-2", "calibrated_on": DAY, "air_pct": 5.0},
        ],
        {"meter_id": "AM-1", "measured_on": DAY, "bowl_water_mass_g": 7100.0},
        {"meter_id": "AM-1", "measured_on": LATER, "bowl_water_mass_g": 7200.0},
        {"meter_id": "AM-2", "measured_on": DAY, "bowl_water_mass_g": 70.0},
    )
    assert made.select("vessel_id", "meter_id", "calibrated_on").rows() == [("V-1", "AM-1", DAY)]
    assert made["air_pct"].to_list() == pytest.approx([5.0], abs=1e-9)
    assert pairs([]).is_empty()


def test_a_value_stated_for_a_bowl_counts_where_that_bowl_was_not_measured() -> None:
    """V-1 states 4.9 for AM-1 and 5.1 for AM-2; a measurement goes before what is stated."""
    stated = {"vessel_id": "V-1", "calibrated_on": DAY}
    made = pairs(
        [
            V | {"bowl_water_mass_g": 7000.0},
            stated | {"meter_id": "AM-1", "air_pct": 4.9},
            stated | {"meter_id": "AM-2", "air_pct": 5.1},
        ],
        {"meter_id": "AM-1", "measured_on": DAY, "bowl_water_mass_g": 7100.0},
    )
    assert made.select("meter_id", "measured_on").rows() == [("AM-1", DAY), ("AM-2", None)]
    assert made["air_pct"].to_list() == pytest.approx([350 / 71, 5.1], abs=1e-9)
