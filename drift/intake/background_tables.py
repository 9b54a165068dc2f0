"""This module declares the tables of what stands behind the meters, column by column."""

from dataclasses import replace

from drift.intake.column import (
    CERTIFICATE,
    DUE,
    HIGHEST_AIR_PCT,
    METER,
    OPERATOR,
    PERFORMED,
    REMARKS,
    SCALE,
    WATER_TEMP,
    Column,
)
from drift.intake.meter_tables import METER_TABLES

BACKGROUND_TABLES: dict[str, tuple[Column, ...]] = {
    "bowls": (
        METER,
        Column("measured_on", "date", "day its bowl was measured", required=True),
        Column(
            "bowl_water_mass_g", "number", "mass of water that fills the bowl, g", low=1.0, unit="g"
        ),
        Column(
            "bowl_volume_l",
            "number",
            "volume of the bowl, l",
            low=0.5,
            high=100.0,
            unit="l",
        ),
        Column("u", "number", "standard uncertainty, in the unit of what is given", low=0.0),
        WATER_TEMP,
        SCALE,
        OPERATOR,
        REMARKS,
    ),
    "equipment": (
        Column(
            "equipment_id",
            "text",
            "identity of the equipment; of a check meter the meter_id it is read under",
            required=True,
        ),
        Column(
            "kind",
            "text",
            "what it is",
            required=True,
            choices=("vessel", "balance", "thermometer", "check_meter", "other"),
        ),
        Column("calibrated_on", "date", "day of its calibration", required=True),
        DUE,
        CERTIFICATE,
        Column("issued_by", "text", "who issued the certificate"),
        Column("u", "number", "standard uncertainty, in u_unit", low=0.0),
        Column("u_unit", "text", "unit of u"),
        REMARKS,
    ),
    "people": (
        replace(OPERATOR, meaning="who is authorised", required=True),
        Column("task", "text", "for what", required=True),
        Column("authorised_on", "date", "first day", required=True),
        Column("authorised_until", "date", "last day; empty: until further notice"),
        Column("authorised_by", "text", "by whom"),
        REMARKS,
    ),
    "checks": (
        METER,
        PERFORMED,
        Column(
            "check",
            "text",
            "what was looked at",
            required=True,
            choices=("zero", "leak", "point", "artefact"),
        ),
        Column(
            "value",
            "answer",
            "what was found: a number, or yes (as it should be) or no",
            required=True,
        ),
        Column("unit", "text", "unit of value, expected and limit"),
        Column("expected", "number", "what it should be, in unit"),
        Column("limit", "number", "largest departure allowed, in unit", low=0.0),
        Column("replicate", "whole", "number of the check among its like of that day", low=1),
        OPERATOR,
        REMARKS,
    ),
    "studies": (
        Column("study_id", "text", "identity of the study", required=True),
        *(
            replace(column, required=False) if column.name == "stage" else column
            for column in METER_TABLES["readings"]
        ),
    ),
    "comparisons": (
        Column("comparison_id", "text", "identity of the comparison", required=True),
        Column("compared_on", "date", "day of the comparison", required=True),
        METER,
        Column(
            "air_pct",
            "number",
            "air content by the meter, % air",
            required=True,
            low=0.0,
            high=HIGHEST_AIR_PCT,
            unit="% air",
        ),
        Column(
            "other",
            "text",
            "what it is compared with",
            required=True,
            choices=("second_meter", "gravimetric", "volumetric", "assigned_value"),
        ),
        Column(
            "other_air_pct",
            "number",
            "air content by the other, % air",
            required=True,
            low=0.0,
            high=HIGHEST_AIR_PCT,
            unit="% air",
        ),
        Column(
            "u_other_pct",
            "number",
            "standard uncertainty of the other, % air",
            low=0.0,
            high=10.0,
            unit="% air",
        ),
        REMARKS,
    ),
    "decisions": (
        Column("decision_id", "text", "identity of the decision", required=True),
        METER,
        Column("about", "date", "day of the visit it is about", required=True),
        Column("decided_on", "date", "day of the decision", required=True),
        Column("decision", "text", "what was decided", required=True),
        Column("customer_told_on", "date", "day the customer was told"),
        Column("decided_by", "text", "who decided", required=True),
        Column("authorised_by", "text", "who authorised it"),
        REMARKS,
    ),
}
