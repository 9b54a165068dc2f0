"""This module writes small frames of sittings and work for tests, from plain Python values."""

from collections.abc import Sequence
from datetime import date, timedelta
from statistics import fmean, stdev

import polars as pl

from drift.store.tables import SESSIONS, input_schema

START = date(2024, 1, 10)


def table(name: str, rows: Sequence[dict[str, object]] = ()) -> pl.DataFrame:
    """Return a frame of the input table `name`, absent columns null."""
    schema = input_schema(name)
    filled = [{key: row.get(key) for key in schema} for row in rows]
    return pl.DataFrame(filled, schema=schema)


def sitting(
    day: int,
    biases: Sequence[float],
    *,
    stage: str = "as_found",
    meter: str = "A",
    point: float = 5.0,
    resolution: float | None = 0.05,
    visit_id: str | None = None,
) -> dict[str, object]:
    """Return one row of sittings, `day` days after the start."""
    on = START + timedelta(days=day)
    return {
        "meter_id": meter,
        "visit_id": visit_id or on.isoformat(),
        "performed_on": on,
        "stage": stage,
        "point_pct": point,
        "correct_air_pct": point,
        "replicates": len(biases),
        "bias_pct": fmean(biases),
        "biases_pct": list(biases),
        "spread_pct": stdev(biases) if len(biases) > 1 else None,
        "resolution_pct": resolution,
    }


def sessions(rows: Sequence[dict[str, object]]) -> pl.DataFrame:
    """Return a frame of sittings, absent columns null."""
    return pl.DataFrame([{key: row.get(key) for key in SESSIONS} for row in rows], schema=SESSIONS)
