"""A laboratory's slips in vessels and names, from its files to the words of the fleet review."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from drift.api.reviews import find
from drift.reference.vessel import TYPE_A_REASON
from drift.report.pages.fleet import FleetPage, fleet_page
from drift.review.policy import Policy
from drift.review.results import Review
from tests.csv_folders import write

COLUMNS = (
    "meter_id,performed_on,stage,correct_air_pct,reading_air_pct,replicate,resolution_pct,"
    "vessel_id,operator"
)
VESSELS = """vessel_id,calibrated_on,air_pct,u_air_pct,water_mass_g,bowl_water_mass_g
V-OK,2023-06-01,,0.006,353.8,7056.4
V-OK,2025-06-01,,0.006,355.9,7056.4
V-LATE,2025-01-01,5.01,0.006,,
V-HALF,2023-06-01,,,35.3,7056.4
V-SIXTY,2023-06-01,,,4230,7056.4
V-ZERO,2023-06-01,5.01,0,,
V-TYPEA,2023-06-01,4.914,0.006,353.8,7056.4
V-TOO-MUCH,2023-06-01,60,,,
"""
# Meter: its vessel and what its readings state as correct.
USE = {
    "M01": ("V-OK", 5.01),
    "M02": ("V-OK", 5.01),
    "M03": ("V-OK", 5.01),
    "M04": ("V-LATE", 5.01),
    "M05": ("V-HALF", 5.01),
    "M06": ("V-SIXTY", 5.01),
    "M07": ("V-ZERO", 5.01),
    "M08": ("V-NONE", 5.01),
    "M09": ("V-OK", 4.91),
    "M10": ("V-OK", 5.55),
}
OPERATORS = ("Ada Byron", "A. Byron", '"Byron, Ada"', "Carl Gauss")


def _readings() -> str:
    rng = np.random.default_rng(11)
    lines = [COLUMNS]
    for place, (meter, (vessel, correct)) in enumerate(USE.items()):
        for visit in range(8):
            on = date(2024, 1, 8) + timedelta(days=91 * visit + place)
            operator = OPERATORS[(visit + place) % 4]
            for replicate in (1, 2):
                reading = round(float(correct + rng.normal(0, 0.02)), 2)
                lines.append(
                    f"{meter},{on},as_found,{correct},{reading},{replicate},0.01,{vessel},{operator}"
                )
    return "\n".join((*lines, ""))


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> Review:
    folder = write(tmp_path_factory.mktemp("lab"), readings=_readings(), vessels=VESSELS)
    return find(folder, as_of=date(2026, 1, 15), policy=Policy())


@pytest.fixture(scope="module")
def page(review: Review) -> FleetPage:
    return fleet_page(review)


@pytest.mark.parametrize(
    ("vessel", "says", "usable"),
    [
        ("V-HALF", "no calibration vessel holds this share of a bowl", False),
        ("V-ZERO", "a standard uncertainty of 0 cannot be meant; the usual one is used", True),
        ("V-TYPEA", TYPE_A_REASON, True),
    ],
)
def test_a_calibration_that_cannot_be_is_said_on_the_page(
    page: FleetPage, vessel: str, says: str, usable: bool
) -> None:
    """0.5 %, no uncertainty at all, and the factor of the other type of meter."""
    row = next(row for row in page.reference.vessels if row.vessel_id == vessel)
    assert says in row.problem
    assert row.usable == usable


def test_sixty_percent_never_gets_in(review: Review) -> None:
    """Stated or by its masses, 60 % is held back with its reason."""
    held = {
        row["line"]: (row["file"], row["reason"])
        for row in review.sources.held_back.iter_rows(named=True)
    }
    lines = [line.split(",")[0] for line in VESSELS.splitlines()]
    by_masses = held[lines.index("V-SIXTY") + 1]
    stated = held[lines.index("V-TOO-MUCH") + 1]
    assert by_masses[0] == stated[0] == "vessels.csv"
    assert "100 × water_mass_g / bowl_water_mass_g is 59.9" in by_masses[1]
    assert "60 is outside" in stated[1]
    assert len(held) == 2


@pytest.mark.parametrize(
    ("vessel", "says"),
    [
        ("V-NONE", "this vessel is not in the vessels table"),
        ("V-LATE", "this vessel was calibrated only after this use"),
        ("V-HALF", "no calibration of this vessel can be used"),
        ("V-OK", TYPE_A_REASON),
        ("V-OK", "an old value was used"),
        ("V-OK", "it differs from the vessel in force by more than the uncertainty allows"),
    ],
)
def test_a_content_that_is_not_its_vessels_is_said(page: FleetPage, vessel: str, says: str) -> None:
    """Vessel missing, later or unusable; a Type A factor; an old value; none of these."""
    assert any(says in row.problem for row in page.reference.checks if row.vessel_id == vessel)


def test_only_what_disagrees_is_reported(review: Review) -> None:
    """Up to the second calibration of V-OK the first three meters agree with it."""
    sound = review.reference.checks.filter(
        pl.col("meter_id").is_in(["M01", "M02", "M03", "M07"])
        & (pl.col("performed_on") < date(2025, 6, 1))
    )
    assert sound.is_empty()


def test_a_vessel_of_one_meter_cannot_be_told_from_it(review: Review, page: FleetPage) -> None:
    """What only one meter was read with is confounded with that meter, and said to be so."""
    row = review.reference.effects.filter(
        (pl.col("kind") == "vessel") & pl.col("name").str.starts_with("V-ZERO")
    ).row(0, named=True)
    assert row["effect_pct"] is None
    assert "M07" in row["confounded_with"]
    shown = next(effect for effect in page.reference.effects if effect.name.startswith("V-ZERO"))
    assert shown.confounded_with == "goes with meter M07"


def test_an_operator_spelled_three_ways_is_pointed_out(review: Review, page: FleetPage) -> None:
    """The three spellings are named together and still counted apart."""
    assert review.reference.alike == (("A. Byron", "Ada Byron", "Byron, Ada"),)
    assert "A. Byron / Ada Byron / Byron, Ada" in page.conformity.alike
    kinds = review.reference.effects.filter(pl.col("kind") == "operator")
    assert {"A. Byron", "Ada Byron", "Byron, Ada"} <= set(kinds["name"])


def test_nothing_found_is_no_error(page: FleetPage) -> None:
    """A reference of which something can be told and in which nothing is found is said to hold."""
    assert page.reference.lead[0].startswith("No vessel is found to be off")


def test_an_unusable_vessel_counts_as_usual_in_the_budget(review: Review) -> None:
    """Where no calibration can be used, the budget says so; where u is 0 the usual one counts."""
    reference = review.conformity.budgets.filter(
        (pl.col("component") == "reference") & (pl.col("stage") == "as_found")
    )
    basis = dict(reference.select("meter_id", "basis").iter_rows())
    assert "no usable calibration" in basis["M05"]
    assert basis["M07"] == "vessel V-ZERO, calibrated 2023-06-01"
    assert reference["value"].min() > 0  # type: ignore[operator]  # a number


def test_what_a_vessel_stands_for_is_shown_with_its_uncertainty(page: FleetPage) -> None:
    """R by the masses, which the vessels table leaves out, newest first; the unusable are not."""
    shown = {(row.vessel_id, row.calibrated_on.year): row.air for row in page.conformity.vessels}
    assert list(shown)[:2] == [("V-OK", 2025), ("V-LATE", 2025)]
    assert shown["V-OK", 2025] == pytest.approx(100 * 355.9 / 7056.4)
    assert shown["V-OK", 2023] == pytest.approx(100 * 353.8 / 7056.4)
    assert shown["V-LATE", 2025] == 5.01
    assert "V-HALF" not in {row.vessel_id for row in page.conformity.vessels}
    assert all(row.u > 0 for row in page.conformity.vessels)
    assert page.conformity.vessels_total == len(page.conformity.vessels) == 5
