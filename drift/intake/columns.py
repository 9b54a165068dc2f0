"""This module lists every input table, and what holds for each of them."""

from drift.intake.background_tables import BACKGROUND_TABLES
from drift.intake.column import Column
from drift.intake.meter_tables import METER_TABLES

TABLES: dict[str, tuple[Column, ...]] = METER_TABLES | BACKGROUND_TABLES

# The column that says from when a row was known; `--as-of` hides later rows.
KNOWN_FROM: dict[str, str] = {
    "readings": "performed_on",
    "marks": "performed_on",
    "vessels": "calibrated_on",
    "service": "performed_on",
    "responses": "recorded_on",
    "field_tests": "tested_on",
    "bowls": "measured_on",
    "equipment": "calibrated_on",
    "people": "authorised_on",
    "checks": "performed_on",
    "studies": "performed_on",
    "comparisons": "compared_on",
    "decisions": "decided_on",
}

# Pairs of dates of one row of which the second cannot be before the first.
IN_ORDER: dict[str, tuple[tuple[str, str], ...]] = {
    "meters": (("received_on", "removed_on"), ("in_service_on", "removed_on")),
    "vessels": (("calibrated_on", "due_on"),),
    "equipment": (("calibrated_on", "due_on"),),
    "people": (("authorised_on", "authorised_until"),),
    "decisions": (("about", "decided_on"),),
}

# A table that needs no more than these of a header needs one of its own besides, since other lists
# of a laboratory have them too.
MARKS_OF: dict[str, tuple[str, ...]] = {
    "meters": (
        "in_service_on",
        "dial_resolution_pct",
        "interval_days",
        "chamber_bowl_ratio",
        "initial_pressure_kpa",
        "status",
        "site",
        "maker",
        "serial",
        "received_on",
        "removed_on",
    ),
    "vessels": ("air_pct", "water_mass_g", "bowl_water_mass_g"),
    "bowls": ("bowl_water_mass_g", "bowl_volume_l"),
}

# Words that any list may have in its header: they do not tell which table it is.
COMMON_WORDS = frozenset(
    {
        *("about", "certificate", "decision", "due_on", "expected", "issued_by", "kind", "limit"),
        *("maker", "model", "other", "procedure", "serial", "task", "type", "u", "unit", "value"),
    }
)

# Headers of what this program writes and no laboratory does: such a file is no record.
WRITTEN_BY_US: tuple[frozenset[str], ...] = (
    frozenset({"vessel_id", "calibrated_on", "usable", "problem"}),
    frozenset({"vessel_id", "calibrated_on", "en_before", "en_all"}),
    frozenset({"comparison_id", "zeta", "after_bench_pct"}),
    frozenset({"vessel_id", "calibrated_on", "sittings", "disagreeing"}),
    frozenset({"signal_id", "given_meter_id", "problem"}),
    frozenset({"meter_id", "choice", "expected_cost"}),
)
