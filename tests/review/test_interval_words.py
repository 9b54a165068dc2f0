"""One interval speaks: that of the fleet and that of its meters do not contradict each other."""

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from drift.api.reviews import find
from drift.report.pages.intervals import interval_part
from drift.review.policy import Policy
from drift.review.results import Review
from tests.csv_folders import readings, write


def reviewed(folder: Path, *, meters: int, drift: float, every: int, seed: int) -> Review:
    """Review meters that drift by so much a year, put right whenever found outside."""
    rng = np.random.default_rng(seed)
    rows = []
    visits = 30
    for meter in range(meters):
        level = 0.0
        for visit in range(visits):
            on = date(2020, 1, 6) + timedelta(days=every * visit + meter)
            level += drift * every / 365.25
            found = level + rng.normal(0, 0.015)
            rows.append(f"M-{meter},{on},as_found,5.0,{5 + found:.2f}")
            if abs(found) > 0.1:
                level = 0.0
                rows.append(f"M-{meter},{on},as_left,5.0,{5 + rng.normal(0, 0.015):.2f}")
    as_of = date(2020, 1, 6) + timedelta(days=every * visits)
    policy = Policy(interval_days=every)
    return find(write(folder, readings=readings(*rows)), as_of=as_of, policy=policy)


@pytest.mark.parametrize(
    ("drift", "every"),
    [
        (0.0, 91),
        (0.6, 91),
        (0.1, 7),
        *(pytest.param(*case, marks=pytest.mark.long) for case in ((0.0, 7), (0.6, 7), (0.1, 91))),
    ],
)
def test_a_fleet_of_one_meter_has_its_interval(tmp_path: Path, drift: float, every: int) -> None:
    """Drifting fast or not at all: fleet, like meters and meter are told the same days."""
    review = reviewed(tmp_path, meters=1, drift=drift, every=every, seed=1)
    advice = review.upkeep.intervals.filter(pl.col("method") == "recommendation")
    assert {"fleet", "meter"} <= set(advice["scope"])
    assert advice["days"].n_unique() == 1
    lead = interval_part(review).lead
    assert lead[0].startswith("The fleet is one meter")
    sooner = advice["days"][0] < every
    assert ("See M-0 every" in lead[1]) == sooner


def test_a_short_interval_of_the_fleet_is_for_meters_without_a_history(tmp_path: Path) -> None:
    """Where no meter is to be seen sooner, a shorter interval of the fleet says whom it is for."""
    for seed in range(3):
        review = reviewed(tmp_path / str(seed), meters=5, drift=0.25, every=91, seed=seed)
        part = interval_part(review)
        fleet = part.scopes[0]
        assert fleet.days is not None
        contradicts = fleet.days < 91 and part.sooner_total == 0
        assert part.lead[0].startswith("For a meter without a history") == contradicts
