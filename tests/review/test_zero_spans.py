"""Zero and span, and causes over time, from written files: found where planted, else not said."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from drift.api.reviews import find
from drift.meter.causes import NOTHING
from drift.report.pages.dossier_zero_span import zero_span_part
from drift.report.pages.split import split_by_meter
from drift.review.cause_history import VISITS_WEIGHED
from drift.review.policy import Policy
from drift.review.results import Review
from drift.review.zero_spans import CANNOT_SAY, MOVES, NOT_SHOWN, ONE_POINT, TOO_FEW
from tests.sample_reviews import SampleReviews

AS_OF = date(2026, 10, 1)
VISITS, K, STEP = 20, 5.0, 0.05
# What each meter's zero and span do in a year, % air, and the points it is read at.
FLEET: dict[str, tuple[float, float, tuple[float, ...]]] = {
    "zero-moves": (0.04, 0.0, (0.0, 5.0, 10.0)),
    "span-moves": (0.0, 0.2, (0.0, 5.0, 10.0)),
    "neither": (0.0, 0.0, (0.0, 5.0, 10.0)),
    "no-zero-read": (0.0, 0.0, (5.0, 10.0)),
    "one-point": (0.0, 0.05, (5.0,)),
    "zero-only": (0.0, 0.0, (0.0,)),
    "new": (0.0, 0.0, (0.0, 5.0, 10.0)),
}


def sticking(rng: np.random.Generator) -> list[str]:
    """Return visits of a dial that reads 0.06 % air higher on the way down, numbered in order."""
    lines, way = [], (0.0, 5.0, 10.0, 5.0, 0.0)
    for visit in range(12):
        on = date(2023, 1, 15) + timedelta(days=91 * visit)
        for place, air in enumerate(way):
            true = air + (0.06 if place > 2 else 0.0) + rng.normal(0, 0.02)
            read = round(true / STEP) * STEP
            lines.append(f"sticks,{on},as_found,{air},{read:.2f},{place + 1},{STEP}")
    return lines


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> Review:
    """Give the review of a laboratory with one meter of each kind."""
    rng = np.random.default_rng(12)
    lines = ["meter_id,performed_on,stage,correct_air_pct,reading_air_pct,replicate,resolution_pct"]
    for meter, (zero, span, points) in FLEET.items():
        for visit in range(3 if meter == "new" else VISITS):
            on = date(2021, 1, 15) + timedelta(days=91 * visit)
            years = 0.25 * visit
            for air in points:
                true = air + zero * years * (1 + air / K) + span * years * air / 10
                for replicate in (1, 2):
                    read = round((true + rng.normal(0, 0.02)) / STEP) * STEP
                    lines.append(f"{meter},{on},as_found,{air},{read:.2f},{replicate},{STEP}")
    lines += sticking(rng)
    folder = tmp_path_factory.mktemp("zero_span")
    (folder / "readings.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    meters = "meter_id,chamber_bowl_ratio\n" + "".join(f"{meter},0.05\n" for meter in FLEET)
    (folder / "meters.csv").write_text(meters, encoding="utf-8")
    return find(folder, as_of=AS_OF, policy=Policy())


def said(review: Review, meter_id: str, part: str) -> dict[str, object]:
    """Return what is said of one part of a meter."""
    here = (pl.col("meter_id") == meter_id) & (pl.col("part") == part)
    return review.zero_span.drifts.filter(here).row(0, named=True)


@pytest.mark.parametrize(
    ("meter_id", "part", "rate"), [("zero-moves", "zero", 0.04), ("span-moves", "span", 0.2)]
)
def test_what_was_planted_is_found(review: Review, meter_id: str, part: str, rate: float) -> None:
    """The part that moves is named with its rate and has left its limits; the other is not."""
    found = said(review, meter_id, part)
    assert found["finding"] == MOVES
    assert found["drift_low"] <= rate <= found["drift_high"]  # type: ignore[operator]  # numbers
    assert isinstance(found["beyond_since"], date)
    other = said(review, meter_id, "span" if part == "zero" else "zero")
    assert (other["finding"], other["beyond_since"]) == (NOT_SHOWN, None)


def test_what_does_not_move_is_not_said_to(review: Review) -> None:
    for part in ("zero", "span"):
        for meter_id in ("neither", "no-zero-read"):
            assert said(review, meter_id, part)["finding"] == NOT_SHOWN
        assert said(review, "new", part)["finding"] == TOO_FEW


def test_a_dial_that_sticks_is_told_on_its_dossier(review: Review) -> None:
    """Where readings are numbered on from point to point; elsewhere it says what to record."""
    parts = dict(split_by_meter(review))
    told = {
        meter_id: zero_span_part(parts[meter_id], meter_id).sentences[-1]
        for meter_id in ("sticks", "neither")
    }
    assert told["sticks"].startswith("Hysteresis: it reads 0.0")
    assert "higher on the way down than on the way up" in told["sticks"]
    assert "cannot say, the records do not say in which order" in told["neither"]
    assert "number the readings from 1 on in that order" in told["neither"]


def test_one_point_cannot_tell(review: Review) -> None:
    """Where one point was ever read nothing is said, but for a zero that was read itself."""
    for meter_id, part in (("one-point", "zero"), ("one-point", "span"), ("zero-only", "span")):
        found = said(review, meter_id, part)
        assert (found["finding"], found["why"]) == (CANNOT_SAY, ONE_POINT)
    assert said(review, "zero-only", "zero")["finding"] == NOT_SHOWN


def test_a_zero_that_was_not_read_is_less_sure(review: Review) -> None:
    """It is worked out from 5 and 10 %, whose errors it multiplies."""
    zeros = review.zero_span.visits.filter(pl.col("part") == "zero")
    errors = dict(zeros.group_by("meter_id").agg(pl.col("se_pct").mean()).iter_rows())
    assert errors["no-zero-read"] > 2 * errors["neither"]


def test_every_meter_has_both_parts_and_every_visit_its_rows(review: Review) -> None:
    assert review.zero_span.drifts.height == 2 * (len(FLEET) + 1)
    counted = review.zero_span.visits.group_by("meter_id", "part").agg(pl.len())
    assert dict(zip(counted["meter_id"], counted["len"], strict=True))["neither"] == VISITS


def test_causes_over_time_end_in_the_causes(review: Review) -> None:
    """The last visit has what `causes` has; chances add up; one leads; its lead is counted."""
    found = review.cause_history("span-moves")
    assert found is not None
    steps = found.steps
    sums = steps.group_by("segment", "on").agg(pl.col("probability").sum(), pl.col("leads").sum())
    assert sums["probability"].to_list() == pytest.approx([1.0] * sums.height, abs=1e-9)
    assert sums["leads"].unique().to_list() == [1]
    assert 2 <= sums.height <= VISITS_WEIGHED
    causes = review.reference.causes.filter(pl.col("meter_id") == "span-moves")
    last = steps.filter(pl.col("on") == pl.col("on").max(), pl.col("cause") != NOTHING)
    assert dict(zip(last["cause"], last["probability"], strict=True)) == pytest.approx(
        dict(zip(causes["cause"], causes["probability"], strict=True))
    )
    leaders = steps.filter("leads").sort("on")["cause"].to_list()
    assert set(leaders[-found.visits :]) == {found.leader}
    assert found.from_start == (len(leaders) == found.visits)
    assert review.cause_history("neither") is None


def test_the_sample_names_its_planted_parts(sample_on: SampleReviews) -> None:
    """AM-07's mark creeps, and its zero is beyond limits; AM-06's hand grows with the air."""
    sample = sample_on(AS_OF)
    assert said(sample, "AM-07", "zero")["finding"] == MOVES
    assert said(sample, "AM-07", "zero")["beyond_since"] is not None
    assert said(sample, "AM-06", "span")["finding"] == MOVES
    assert said(sample, "AM-06", "zero")["finding"] == NOT_SHOWN
    moving = sample.zero_span.drifts.filter(pl.col("finding") == MOVES)["meter_id"]
    assert set(moving) <= {"AM-06", "AM-07"}
