"""What may have put a meter off."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from drift.meter.cause_readings import segment_readings
from drift.meter.causes import (
    CAUSE_NAMES,
    CAUSE_READINGS,
    CAUSES,
    EVIDENCE,
    NO_BIAS,
    ONE_POINT,
    ONE_VISIT,
    CauseSettings,
    weigh_causes,
)
from drift.meter.ledger import build_ledger
from drift.meter.marks import MARK_MOVES, mark_moves
from drift.reference.shared_effects import COMMON_EVIDENCE
from tests.meter.cause_simulator import simulate_segment, with_common
from tests.sittings import START, sessions, sitting, table

SETTINGS = CauseSettings(repeatability=0.02)
NO_EVIDENCE = pl.DataFrame(schema=COMMON_EVIDENCE)
NO_DIALS = pl.DataFrame(schema={"meter_id": pl.String, "k": pl.Float64, "k_sd": pl.Float64})


def _dials(readings: pl.DataFrame, k: float = 5.0, k_sd: float = 0.1) -> pl.DataFrame:
    return readings.select("meter_id").unique().with_columns(k=pl.lit(k), k_sd=pl.lit(k_sd))


def _ranked(count: int, **settings: float) -> pl.DataFrame:
    """Weigh `count` simulated segments of each cause; add the true cause."""
    readings, truth = [], []
    for number in range(count):
        for index, cause in enumerate(CAUSE_NAMES):
            seed = number * len(CAUSE_NAMES) + index
            rows = simulate_segment(seed, cause, **settings)  # type: ignore[arg-type]  # numbers
            bias, onset = settings.get("bias", 0.1), int(settings.get("onset", 0))
            readings.append(with_common(rows, seed, cause, bias=bias, onset=onset))
            truth.append((f"M{seed}", cause))
    rows = pl.concat(readings)
    weighed = weigh_causes(rows, dials=_dials(rows), settings=SETTINGS)
    return weighed.join(
        pl.DataFrame(truth, schema=["meter_id", "truth"], orient="row"), on="meter_id"
    )


def _right_and_calibration(weighed: pl.DataFrame) -> tuple[float, float, float]:
    """Return the share ranked first rightly, and how far stated probabilities are off.

    The second is the mean distance of stated from true frequency over bands of the stated one,
    the third counts only bands that claim too much.
    """
    first = weighed.group_by("meter_id", "segment", maintain_order=True).first()
    right = (first["cause"] == first["truth"]).to_numpy()
    stated = first["probability"].to_numpy()
    band = np.digitize(stated, [0.5, 0.7, 0.85, 0.95])
    off = np.array([(stated[band == k] - right[band == k]).sum() for k in np.unique(band)])
    return (
        float(right.mean()),
        float(np.abs(off).sum()) / len(right),
        float(np.maximum(off, 0).sum()) / len(right),
    )


def test_true_cause_comes_first() -> None:
    """σ 0.02, resolution 0.05, 8 visits of 3 points, 0.1 at 5 %: right in ≥ 85 %, calibrated."""
    right, off, _ = _right_and_calibration(_ranked(15))
    assert right >= 0.85
    assert off < 0.1


@pytest.mark.long
@pytest.mark.parametrize(
    ("settings", "least"),
    [
        ({}, 0.95),
        ({"onset": 4}, 0.9),
        ({"resolution": 0.1}, 0.85),
        ({"bias": 0.05}, 0.7),
        ({"visits": 3}, 0.85),
        ({"k": 4.5}, 0.85),
    ],
)
def test_true_cause_comes_first_under_other_conditions(
    settings: dict[str, float], least: float
) -> None:
    """Later onset, coarse dial, half the bias, few visits, a scale off: right, not too sure."""
    right, _, too_sure = _right_and_calibration(_ranked(60, **settings))
    assert right >= least
    assert too_sure < 0.05


@pytest.mark.long
def test_probabilities_are_calibrated_in_full() -> None:
    """The conditions of the first test on 600 segments."""
    right, off, _ = _right_and_calibration(_ranked(100))
    assert right >= 0.85
    assert off < 0.1


def test_nothing_to_explain() -> None:
    """Without a cause the six causes together stay unlikely, and it says that it cannot tell."""
    readings = pl.concat([simulate_segment(seed, "nothing") for seed in range(20)])
    weighed = weigh_causes(readings, dials=_dials(readings), settings=SETTINGS)
    assert weighed.schema == CAUSES
    together = weighed.group_by("meter_id").agg(pl.col("probability").sum())["probability"]
    assert together.to_numpy().mean() < 0.4
    quiet = weighed.filter(~pl.col("can_tell"))
    assert quiet["meter_id"].n_unique() >= 18
    assert NO_BIAS in quiet["evidence"].to_list()


def test_water_and_vessel_need_the_other_meters() -> None:
    """One meter alone cannot tell water from the vessel; what the others show decides it."""
    readings = simulate_segment(3, "chamber_water")
    alone = weigh_causes(readings, dials=_dials(readings), settings=SETTINGS)
    two = dict(zip(alone["cause"], alone["probability"], strict=True))
    assert two["chamber_water"] + two["vessel_volume"] > 0.9
    assert two["vessel_volume"] > 0.2
    for effect, error, cause in (
        (0.1, 0.01, "vessel_volume"),
        (0.1, 0.0, "vessel_volume"),
        (0.0, 0.01, "chamber_water"),
        (0.0, 0.0, "chamber_water"),  # one vessel all along: nothing changed
    ):
        known = readings.with_columns(
            common_pct=pl.lit(effect), common_error_pct=pl.lit(error), common_base_pct=pl.lit(0.0)
        )
        weighed = weigh_causes(known, dials=_dials(readings), settings=SETTINGS)
        assert weighed["cause"][0] == cause
        assert weighed["can_tell"].all()
        assert weighed["evidence"][0] == EVIDENCE[cause]


def test_too_few_points_or_visits() -> None:
    """One point or one visit gives no probability and the reason."""
    one_point = simulate_segment(1, "mark_misplaced", points=(5.0,))
    one_visit = simulate_segment(2, "mark_misplaced", visits=1)
    for readings, reason in ((one_point, ONE_POINT), (one_visit, ONE_VISIT)):
        weighed = weigh_causes(readings, dials=NO_DIALS, settings=SETTINGS)
        assert weighed["probability"].null_count() == len(CAUSE_NAMES)
        assert not weighed["can_tell"].any()
        assert weighed["evidence"].unique().to_list() == [reason]
    empty = weigh_causes(one_visit.clear(), dials=NO_DIALS, settings=SETTINGS)
    assert empty.is_empty()
    assert empty.schema == CAUSES


def test_unknown_scale_still_tells_the_mark() -> None:
    """Without a chamber scale on record the usual one with its spread is averaged over."""
    readings = simulate_segment(4, "mark_misplaced", k=6.0)
    weighed = weigh_causes(readings, dials=NO_DIALS, settings=SETTINGS)
    assert weighed["cause"][0] == "mark_misplaced"
    assert weighed["bias_pct"][0].len() == 3


def test_order_of_rows_and_meters_changes_nothing() -> None:
    """Shuffled rows give the same probabilities."""
    readings = pl.concat([simulate_segment(seed, "hand_shifted") for seed in range(4)])
    one = weigh_causes(readings, dials=_dials(readings), settings=SETTINGS)
    mixed = readings.sample(fraction=1.0, shuffle=True, seed=1)
    two = weigh_causes(mixed, dials=_dials(readings), settings=SETTINGS)
    np.testing.assert_allclose(one["probability"], two["probability"], rtol=1e-9)


def test_impossible_settings_are_refused() -> None:
    """A repeatability of 0 or a certain prior raises."""
    readings = simulate_segment(1, "leak")
    for settings in (
        CauseSettings(repeatability=0.0),
        CauseSettings(repeatability=0.02, none=1.0),
    ):
        with pytest.raises(ValueError, match="must be above 0"):
            weigh_causes(readings, dials=NO_DIALS, settings=settings)


def _short(cause: str, **flags: bool | float) -> pl.DataFrame:
    """Return two visits of a weak case whose as-left readings after an action are added."""
    found = simulate_segment(7, cause, visits=2, bias=0.08, noise_sd=0.03)
    left = found.filter(pl.col("visit") == 1).with_columns(
        bias_pct=pl.lit(0.0), **{name: pl.lit(value) for name, value in flags.items()}
    )
    return pl.concat([found, left.cast(CAUSE_READINGS)])  # type: ignore[arg-type]  # names to types


def test_what_an_adjustment_changed_is_evidence() -> None:
    """A mark move that cured every point speaks for the mark, a reset that did for the hand."""

    def share(cause: str, **flags: bool) -> float:
        readings = _short(cause, **flags)
        weighed = weigh_causes(readings, dials=_dials(readings), settings=SETTINGS)
        return float(weighed.filter(pl.col("cause") == cause)["probability"][0])

    assert share("mark_misplaced", mark_moved=True) > share("mark_misplaced", hand_reset=True)
    assert share("hand_shifted", hand_reset=True) > share("hand_shifted", mark_moved=True)
    assert share("chamber_water", dried=True) > share("chamber_water", hand_reset=True)
    assert share("leak", sealed=True) > share("leak", hand_reset=True)


def test_readings_of_a_segment_from_the_ledger() -> None:
    """As-left readings close a segment with what was done and open the next without."""
    moved = START + timedelta(days=91)
    dried = START + timedelta(days=150)
    marks = table(
        "marks",
        [
            {"meter_id": "A", "performed_on": START, "mark": -3.0, "action": "established"},
            {"meter_id": "A", "performed_on": moved, "mark": -3.05, "action": "moved"},
        ],
    )
    service = table(
        "service", [{"meter_id": "A", "performed_on": dried, "action": "chamber_dried"}]
    )
    rows = [
        sitting(day, values, stage=stage, point=point)
        for point in (0.0, 5.0)
        for day, stage, values in (
            (0, "as_found", [0.0]),
            (91, "as_found", [0.15, 0.1]),
            (91, "as_left", [0.0, 0.05]),
            (182, "as_found", [0.1]),
        )
    ]
    ledger = build_ledger(
        sessions(rows), marks=marks, service=service, meters=table("meters"), resolution_pct=0.05
    )
    dials = pl.DataFrame({"meter_id": ["A"], "k": [5.0], "initial_pressure_kpa": [100.0]})
    moves = mark_moves(marks, dials=dials)
    readings = segment_readings(
        ledger, marks=marks, service=service, moves=moves, common=NO_EVIDENCE
    )
    assert readings.schema == CAUSE_READINGS
    first = readings.filter((pl.col("segment") == 1) & (pl.col("point_pct") == 5.0))
    assert first["bias_pct"].to_list() == pytest.approx([0.0, 0.15, 0.1, 0.0, 0.05])
    assert first["visit"].to_list() == [0, 1, 1, 1, 1]
    assert first["mark_moved"].to_list() == [False, False, False, True, True]
    assert first["mark_worth_pct"][-1] == pytest.approx(moves["change_5_pct"][0])
    second = readings.filter((pl.col("segment") == 2) & (pl.col("point_pct") == 5.0))
    assert second["bias_pct"].to_list() == pytest.approx([0.0, 0.05, 0.1])
    assert second["dried"].to_list() == [False, False, True]
    assert not second["mark_moved"].any()


def test_unrecorded_adjustments_and_new_gauges_close_without_evidence() -> None:
    """As-left readings after an adjustment nobody named say nothing about the closed segment."""
    rows = [
        sitting(0, [0.0]),
        sitting(91, [0.2]),
        sitting(91, [0.0], stage="as_left"),
        sitting(182, [0.2]),
        sitting(182, [0.0], stage="as_left"),
    ]
    service = table(
        "service",
        [
            {
                "meter_id": "A",
                "performed_on": START + timedelta(days=182),
                "action": "gauge_replaced",
            }
        ],
    )
    ledger = build_ledger(
        sessions(rows),
        marks=table("marks"),
        service=service,
        meters=table("meters"),
        resolution_pct=0.05,
    )
    readings = segment_readings(
        ledger,
        marks=table("marks"),
        service=service,
        moves=pl.DataFrame(schema=MARK_MOVES),
        common=NO_EVIDENCE,
    )
    biases = {
        key[0]: part["bias_pct"].to_list()
        for key, part in readings.partition_by("segment", as_dict=True).items()
    }
    assert biases[1] == [0.0, 0.2]
    assert biases[2] == [0.0, 0.2]


def test_scatter_of_replicates_is_evidence() -> None:
    """Replicates that agree sharpen a cause; replicates that scatter wildly speak for a leak."""
    one = with_common(simulate_segment(21, "chamber_water"), 21, "chamber_water")
    again = one.with_columns(bias_pct=pl.col("bias_pct") + 0.05)
    both = pl.concat([one, again])
    weighed = weigh_causes(both, dials=_dials(both), settings=SETTINGS)
    assert weighed["cause"][0] == "chamber_water"
    erratic = pl.concat([one, one.with_columns(bias_pct=pl.col("bias_pct") + 0.4)])
    loose = weigh_causes(erratic, dials=_dials(erratic), settings=SETTINGS)
    leak = loose.filter(pl.col("cause") == "leak")["probability"][0]
    before = weighed.filter(pl.col("cause") == "leak")["probability"][0]
    assert leak > before
