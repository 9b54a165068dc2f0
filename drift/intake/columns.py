"""This module declares every input table, column by column."""

from dataclasses import dataclass
from typing import Literal

CellKind = Literal["text", "date", "number", "whole"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of an input table.

    Attributes
    ----------
    name : str
        Header as written in the CSV file; the unit is part of the name.
    kind : {"text", "date", "number", "whole"}
        What its cells hold.
    meaning : str
        One clause for the documentation.
    required : bool
        Whether the header must hold the column and every row a value.
    choices : tuple of str
        The words allowed; empty where any text is.
    low, high : float or None
        Inclusive bounds outside which a value cannot be meant; in the column's unit.
    unit : str
        Unit of a number as it is written out; empty for a bare number.
    """

    name: str
    kind: CellKind
    meaning: str
    required: bool = False
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    unit: str = ""


# A reading of more air than any dial of this kind shows is a slip of the pen.  Common practice,
# no source: dials of pressure-type meters end at 8 to 22 % air, some at 100 % in a crowded last
# stretch that nobody calibrates.
HIGHEST_AIR_PCT = 30.0
# A hand that rests below zero is read as a negative percentage down to the initial pressure mark.
LOWEST_AIR_PCT = -10.0

_METER = Column("meter_id", "text", "identity of the meter", required=True)
_PERFORMED = Column("performed_on", "date", "day of the work", required=True)
_OPERATOR = Column("operator", "text", "who did it")
_REMARKS = Column("remarks", "text", "free text")

TABLES: dict[str, tuple[Column, ...]] = {
    "readings": (
        _METER,
        _PERFORMED,
        Column(
            "stage",
            "text",
            "before or after any adjustment",
            required=True,
            choices=("as_found", "as_left"),
        ),
        Column(
            "correct_air_pct",
            "number",
            "what the meter should read at this point, % air",
            required=True,
            low=0.0,
            high=HIGHEST_AIR_PCT,
            unit="% air",
        ),
        Column(
            "reading_air_pct",
            "number",
            "what the dial showed, % air",
            required=True,
            low=LOWEST_AIR_PCT,
            high=HIGHEST_AIR_PCT,
            unit="% air",
        ),
        Column("replicate", "whole", "number of the reading within stage and point", low=1),
        Column(
            "resolution_pct",
            "number",
            "smallest step the dial was read to, % air",
            low=1e-6,
            high=1.0,
            unit="% air",
        ),
        Column("vessel_id", "text", "calibration vessel used"),
        _OPERATOR,
        Column(
            "water_temp_c",
            "number",
            "water temperature, °C",
            low=-5.0,
            high=60.0,
            unit="°C",
        ),
        Column("visit_id", "text", "keeps two visits of one day apart"),
        _REMARKS,
    ),
    "marks": (
        _METER,
        _PERFORMED,
        Column(
            "mark", "number", "position of the initial pressure mark, in mark_unit", required=True
        ),
        Column("mark_unit", "text", "unit of mark", choices=("dial_pct", "kpa", "psi")),
        Column(
            "zero_reading_pct",
            "number",
            "dial reading on a bowl full of water, % air",
            low=LOWEST_AIR_PCT,
            high=HIGHEST_AIR_PCT,
            unit="% air",
        ),
        Column(
            "action",
            "text",
            "what was done to the mark",
            required=True,
            choices=("verified", "moved", "established"),
        ),
        _OPERATOR,
        _REMARKS,
    ),
    "meters": (
        _METER,
        Column("in_service_on", "date", "first day of use"),
        Column(
            "dial_resolution_pct",
            "number",
            "smallest step the dial is read to, % air",
            low=1e-6,
            high=1.0,
            unit="% air",
        ),
        Column(
            "interval_days",
            "whole",
            "days from one visit to the next",
            low=1,
            high=3660,
            unit="days",
        ),
        Column(
            "chamber_bowl_ratio",
            "number",
            "volume of the air chamber over that of the bowl",
            low=0.001,
            high=1.0,
        ),
        Column(
            "initial_pressure_kpa",
            "number",
            "nominal initial gauge pressure, kPa",
            low=1,
            high=700,
            unit="kPa",
        ),
        Column(
            "status", "text", "whether it is in use", choices=("active", "withdrawn", "retired")
        ),
        Column("site", "text", "where it is kept"),
        _REMARKS,
    ),
    "vessels": (
        Column("vessel_id", "text", "identity of the calibration vessel", required=True),
        Column("calibrated_on", "date", "day of its calibration", required=True),
        Column(
            "air_pct",
            "number",
            "correct air content it stands for, % air",
            low=0.0,
            high=HIGHEST_AIR_PCT,
            unit="% air",
        ),
        Column(
            "water_mass_g",
            "number",
            "mass of water that fills the vessel, g",
            low=1.0,
            unit="g",
        ),
        Column(
            "bowl_water_mass_g",
            "number",
            "mass of water that fills the bowl, g",
            low=1.0,
            unit="g",
        ),
        Column(
            "u_air_pct",
            "number",
            "standard uncertainty of air_pct, % air",
            low=0.0,
            high=10.0,
            unit="% air",
        ),
        _REMARKS,
    ),
    "service": (
        _METER,
        _PERFORMED,
        Column(
            "action",
            "text",
            "what was done or happened",
            required=True,
            choices=(
                "hand_reset",
                "gauge_replaced",
                "seal_replaced",
                "chamber_dried",
                "dropped",
                "other",
            ),
        ),
        _OPERATOR,
        _REMARKS,
    ),
    "responses": (
        Column("signal_id", "text", "the signal it answers", required=True),
        Column("recorded_on", "date", "day of the record", required=True),
        Column("finding", "text", "what was found", required=True),
        Column("action", "text", "what was done", required=True),
        Column("recorded_by", "text", "who recorded it", required=True),
        Column("meter_id", "text", "meter it is meant for, checked against the signal's"),
    ),
    "field_tests": (
        Column("test_id", "text", "identity of the test", required=True),
        _METER,
        Column("tested_on", "date", "day of the test", required=True),
        Column(
            "air_pct",
            "number",
            "air content reported, % air",
            required=True,
            low=0.0,
            high=HIGHEST_AIR_PCT,
            unit="% air",
        ),
        Column(
            "spec_min_pct",
            "number",
            "lowest air content specified, % air",
            low=0.0,
            high=HIGHEST_AIR_PCT,
            unit="% air",
        ),
        Column(
            "spec_max_pct",
            "number",
            "highest air content specified, % air",
            low=0.0,
            high=HIGHEST_AIR_PCT,
            unit="% air",
        ),
        Column("placement", "text", "where the concrete went"),
        _REMARKS,
    ),
}

# The column that says from when a row was known; `--as-of` hides later rows.
KNOWN_FROM: dict[str, str] = {
    "readings": "performed_on",
    "marks": "performed_on",
    "vessels": "calibrated_on",
    "service": "performed_on",
    "responses": "recorded_on",
    "field_tests": "tested_on",
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
    ),
    "vessels": ("air_pct", "water_mass_g", "bowl_water_mass_g"),
}

# Headers of what this program writes and no laboratory does: such a file is no record.
WRITTEN_BY_US: tuple[frozenset[str], ...] = (
    frozenset({"vessel_id", "calibrated_on", "usable", "problem"}),
    frozenset({"signal_id", "given_meter_id", "problem"}),
    frozenset({"meter_id", "choice", "expected_cost"}),
    # Passes and failures without a reading, as an import keeps them, where no table takes them.
    *(() if "checks" in TABLES else (frozenset({"meter_id", "check", "value", "expected"}),)),
)
