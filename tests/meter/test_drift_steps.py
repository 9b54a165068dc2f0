"""Which readings a drift step starts and ends with, and which of them two steps share."""

from typing import Any

import polars as pl
import pytest

from drift.meter.segments import STEPS, drift_steps, unadjusted_paths

# found, left, adjusted; the visits are a quarter of a year apart, the dial is read to 0.1.
Visit = tuple[float | None, float | None, bool]


def _ledger(*visits: Visit, lost: tuple[int, ...] = ()) -> pl.DataFrame:
    """Return the ledger of one series; `lost` are visits whose step is unknown."""
    rows: list[dict[str, Any]] = []
    before: float | None = None
    for number, (found, left, adjusted) in enumerate(visits):
        gone_with = found if left is None else left
        known = None not in (found, before) and number not in lost
        rows.append(
            {
                "series": 4,
                "visit": number + 1,
                "t_years": 20 + number / 4,
                "as_found_bias_pct": found,
                "as_left_bias_pct": left,
                "left_bias_pct": gone_with,
                "as_found_replicates": 2,
                "as_left_replicates": 1,
                "as_found_biases_pct": None if found is None else [found - 0.02, found + 0.02],
                "as_left_biases_pct": None if left is None else [left],
                "unadjusted_path_pct": found,
                "adjusted": adjusted,
                "drift_step_pct": found - before if known else None,  # type: ignore[operator]
                "resolution_pct": 0.1,
            }
        )
        before = gone_with
    readings = pl.List(pl.Float64)
    return pl.DataFrame(
        rows,
        schema_overrides={"as_found_biases_pct": readings, "as_left_biases_pct": readings},
    )


def test_bias_carried_over_is_shared_by_two_steps() -> None:
    """Without an as-left reading the same reading ends one step and starts the next."""
    steps = drift_steps(_ledger((0.0, None, False), (0.03, None, False), (0.05, None, False)))
    assert steps.schema == STEPS
    assert steps["step"].to_list() == pytest.approx([0.03, 0.02])
    assert steps["years"].to_list() == pytest.approx([0.25, 0.25])
    assert steps["shares_start"].to_list() == [False, True]


def test_bias_read_anew_after_an_adjustment_is_not_shared() -> None:
    """After an adjustment the next step starts from a reading of its own, even an equal one."""
    steps = drift_steps(_ledger((0.0, None, False), (0.15, 0.02, True), (0.06, None, False)))
    assert steps["step"].to_list() == pytest.approx([0.15, 0.04])
    assert steps["shares_start"].to_list() == [False, False]
    equal = drift_steps(_ledger((0.0, None, False), (0.05, 0.05, True), (0.1, None, False)))
    assert equal["shares_start"].to_list() == [False, False]


def test_two_readings_of_one_state_are_pooled() -> None:
    """Untouched and read twice within a step of the dial: the mean, weighted by replicates."""
    steps = drift_steps(_ledger((0.0, None, False), (0.05, 0.02, False), (0.07, None, False)))
    assert steps["step"].to_list() == pytest.approx([0.04, 0.03])
    assert steps["shares_start"].to_list() == [False, True]


def test_a_whole_step_of_the_dial_may_be_an_adjustment_without_a_record() -> None:
    """As left a whole step away from as found is believed to be another state."""
    steps = drift_steps(_ledger((0.0, None, False), (0.1, 0.0, False), (0.1, None, False)))
    assert steps["step"].to_list() == pytest.approx([0.1, 0.1])
    assert steps["shares_start"].to_list() == [False, False]


def test_lost_evidence_leaves_out_the_step_and_its_time() -> None:
    """A visit without as found gives no step, and the step after it shares nothing."""
    visits: list[Visit] = [
        (0.0, None, False),
        (None, 0.01, True),
        (0.02, None, False),
        (0.03, None, False),
    ]
    steps = drift_steps(_ledger(*visits))
    assert steps["step"].to_list() == pytest.approx([0.01, 0.01])
    assert steps["t_years"].to_list() == pytest.approx([20.5, 20.75])
    assert steps["shares_start"].to_list() == [False, True]
    hidden = drift_steps(_ledger(*[(0.01 * k, None, False) for k in range(4)], lost=(2,)))
    assert hidden["t_years"].to_list() == pytest.approx([20.25, 20.75])
    assert hidden["shares_start"].to_list() == [False, False]


def test_extreme_readings_go_with_the_step_that_they_end() -> None:
    """A sitting's lowest and highest readings from its mean; pooled sittings count together."""
    ledger = _ledger((0.0, None, False), (0.05, 0.01, False), (0.07, 0.0, True))
    steps = drift_steps(ledger)
    pooled = (2 * 0.05 + 0.01) / 3
    assert steps["below"].to_list() == pytest.approx([0.01 - pooled, -0.02])
    assert steps["above"].to_list() == pytest.approx([0.07 - pooled, 0.02])
    unread = ledger.with_columns(as_found_biases_pct=pl.lit(None, dtype=pl.List(pl.Float64)))
    assert drift_steps(unread)["above"].to_list()[1] == 0.0


def test_paths_carry_their_extreme_readings() -> None:
    """The extremes lie on the path's scale; where only the mean is known they are the mean."""
    ledger = _ledger((0.0, None, False), (0.05, None, False)).with_columns(
        unadjusted_path_pct=pl.col("as_found_bias_pct") + 1
    )
    paths = unadjusted_paths(ledger)
    assert paths["value"].to_list() == pytest.approx([1.0, 1.05])
    assert paths["lowest"].to_list() == pytest.approx([0.98, 1.03])
    assert paths["highest"].to_list() == pytest.approx([1.02, 1.07])
    unread = ledger.with_columns(as_found_biases_pct=pl.lit(None, dtype=pl.List(pl.Float64)))
    assert unadjusted_paths(unread)["highest"].to_list() == pytest.approx([1.0, 1.05])
