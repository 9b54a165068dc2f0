"""This module names the frames of a retirement memo."""

import polars as pl

from drift.frames import Schema

# One row per meter and ground for not keeping it as it is.  verdict is ``met``, ``not_met`` or
# ``cannot_say`` (value null); threshold is a laboratory's choice, in unit.
GROUNDS: Schema = {
    "meter_id": pl.String,
    "ground": pl.String,
    "value": pl.Float64,
    "threshold": pl.Float64,
    "unit": pl.String,
    "verdict": pl.String,
    "sentence": pl.String,
}

# One row per meter and choice (``keep``, ``check_more_often``, ``service``, ``retire``): cost over
# the horizon in the laboratory's currency, null where prices are missing.
CHOICE_COSTS: Schema = {
    "meter_id": pl.String,
    "choice": pl.String,
    "interval_days": pl.Float64,
    "expected_cost": pl.Float64,
    "low_cost": pl.Float64,
    "high_cost": pl.Float64,
    "found_out": pl.Float64,
    "share_out": pl.Float64,
}

# One row per meter: what to do, the grounds that carried it, and what would change it.
RETIREMENTS: Schema = {
    "meter_id": pl.String,
    "recommendation": pl.String,
    "carried_by": pl.List(pl.String),
    "reason": pl.String,
    "would_change": pl.String,
}
