"""A level that changed by about the scatter of a reading and stayed so: told in the reason."""

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from drift.api.reviews import find
from drift.review.policy import Policy
from tests.csv_folders import readings, write

SIGMA, BASELINE, VISITS = 0.02, 20, 40
POLICY = Policy(baseline_visits=BASELINE)


def reasons(folder: Path, *, seed: int, step: float, meters: int = 6) -> pl.DataFrame:
    """Review steady meters of which the first steps after its baseline; return their reasons."""
    rng = np.random.default_rng(seed)
    rows = []
    for meter in range(meters):
        bias = SIGMA * rng.standard_normal(VISITS)
        if meter == 0:
            bias[BASELINE:] += step
        for visit, each in enumerate(bias):
            on = date(2014, 1, 6) + timedelta(days=91 * visit + meter)
            rows.append(f"M-{meter},{on},as_found,5.0,{5 + each:.3f}")
    as_of = date(2014, 1, 6) + timedelta(days=91 * VISITS)
    review = find(write(folder, readings=readings(*rows)), as_of=as_of, policy=POLICY)
    return review.meters.select("meter_id", "reason", jumped=pl.lit(review.changes.height > 0))


def test_a_step_of_the_scatter_is_told(tmp_path: Path) -> None:
    """1.3σ for 20 visits: no jump, but in 4 fleets of 5 the reason says so."""
    told = [
        reasons(tmp_path / str(seed), seed=seed, step=1.3 * SIGMA)
        .filter(pl.col("meter_id") == "M-0")
        .row(0, named=True)
        for seed in range(5)
    ]
    assert not any(row["jumped"] for row in told)
    said = [row["reason"].replace("\u00a0", " ") for row in told]
    assert (
        sum("it now reads higher at 5 % than when its limits were set" in one for one in said) >= 4
    )


@pytest.mark.parametrize("seed", [11, 12])
def test_steady_meters_are_not_said_to_have_changed(tmp_path: Path, seed: int) -> None:
    """Twelve steady meters: at a false discovery rate of 5 % hardly one is named."""
    told = reasons(tmp_path, seed=seed, step=0.0, meters=12)
    assert told["reason"].str.contains("than when its limits were set").sum() <= 1
