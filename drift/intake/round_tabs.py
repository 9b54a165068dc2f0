"""This module declares the tabs of a round's workbook: what is typed in and where it goes."""

from dataclasses import dataclass

from drift.intake.columns import TABLES

# Stands in a cell of the first tab and says whose workbook it is, and of which form.
ROUND_MARK = "drift round workbook, form 1"
# Columns of the tab of readings that are no column of the table.
POINT = "point"


@dataclass(frozen=True, slots=True)
class Field:
    """One column of a tab.

    Attributes
    ----------
    head : str
        What stands above it.
    column : str
        The column of the table, or what else it is here.
    is_typed : bool
        Whether people type into it; the rest is given.
    """

    head: str
    column: str
    is_typed: bool = True

    def kind_in(self, table: str) -> str:
        """Return what its cells hold: that of the column of the table, else a text."""
        return next((one.kind for one in TABLES[table] if one.name == self.column), "text")

    def choices_in(self, table: str) -> tuple[str, ...]:
        """Return the words that its cells may hold; none where any text may stand."""
        return next((one.choices for one in TABLES[table] if one.name == self.column), ())


@dataclass(frozen=True, slots=True)
class Tab:
    """One tab of a round's workbook.

    Attributes
    ----------
    title : str
        Name of the sheet.
    table : str
        Table that its rows belong to.
    done_by : tuple of str
        Columns of which at least one is filled in where a row was done.
    fields : tuple of Field
        Its columns, in order.
    carried : tuple of str
        Columns that a row left blank takes from the row of its meter above.
    """

    title: str
    table: str
    done_by: tuple[str, ...]
    fields: tuple[Field, ...]
    carried: tuple[str, ...] = ()


TABS: tuple[Tab, ...] = (
    Tab(
        "Readings",
        "readings",
        ("reading_air_pct",),
        (
            Field("Meter", "meter_id", is_typed=False),
            Field("Stage", "stage", is_typed=False),
            Field("Point, %", POINT, is_typed=False),
            Field("No.", "replicate", is_typed=False),
            Field("Vessel", "vessel_id"),
            Field("Draws", "draws"),
            Field("Date", "performed_on"),
            Field("Reading, % air", "reading_air_pct"),
            Field("Operator", "operator"),
            Field("Water, °C", "water_temp_c"),
            Field("Read to, % air", "resolution_pct"),
            Field("Remarks", "remarks"),
            Field("Why seen", "visit_reason"),
            Field("Says", "says", is_typed=False),
            Field("Correct, % air", "correct_air_pct", is_typed=False),
        ),
        carried=("performed_on", "operator", "water_temp_c"),
    ),
    Tab(
        "Marks",
        "marks",
        ("mark", "action"),
        (
            Field("Meter", "meter_id"),
            Field("Unit", "mark_unit"),
            Field("On record", "known", is_typed=False),
            Field("Date", "performed_on"),
            Field("Mark", "mark"),
            Field("What was done to the mark", "action"),
            Field("Operator", "operator"),
            Field("Remarks", "remarks"),
        ),
    ),
    Tab(
        "Work",
        "service",
        ("action",),
        (
            Field("Meter", "meter_id"),
            Field("Date", "performed_on"),
            Field("Work done or mishap", "action"),
            Field("Operator", "operator"),
            Field("Remarks", "remarks"),
        ),
    ),
    Tab(
        "Checks",
        "checks",
        ("value",),
        (
            Field("Meter", "meter_id"),
            Field("Date", "performed_on"),
            Field("Check", "check"),
            Field("Found", "value"),
            Field("Unit", "unit"),
            Field("Should be", "expected"),
            Field("Most off", "limit"),
            Field("Operator", "operator"),
            Field("Remarks", "remarks"),
        ),
    ),
    Tab(
        "Open signals",
        "responses",
        ("finding", "action"),
        (
            Field("Signal", "signal_id", is_typed=False),
            Field("Meter", "meter_id", is_typed=False),
            Field("Visit", "visit_on", is_typed=False),
            Field("What it says", "known", is_typed=False),
            Field("Finding", "finding"),
            Field("Action taken", "action"),
            Field("By", "recorded_by"),
            Field("On", "recorded_on"),
        ),
    ),
    Tab(
        "Decisions",
        "decisions",
        ("decision",),
        (
            Field("Meter", "meter_id", is_typed=False),
            Field("Visit found out", "about", is_typed=False),
            Field("What it found", "known", is_typed=False),
            Field("Decision on results", "decision"),
            Field("Decided by", "decided_by"),
            Field("Decided on", "decided_on"),
            Field("Customer told on", "customer_told_on"),
            Field("Authorised by", "authorised_by"),
            Field("Remarks", "remarks"),
        ),
    ),
    Tab(
        "New meters",
        "meters",
        ("in_service_on", "dial_resolution_pct", "chamber_bowl_ratio", "site", "maker", "serial"),
        (
            Field("Meter", "meter_id"),
            Field("In service on", "in_service_on"),
            Field("Dial step, % air", "dial_resolution_pct"),
            Field("Days between visits", "interval_days"),
            Field("Chamber over bowl", "chamber_bowl_ratio"),
            Field("Initial pressure, kPa", "initial_pressure_kpa"),
            Field("Site", "site"),
            Field("Maker", "maker"),
            Field("Model", "model"),
            Field("Serial", "serial"),
            Field("Received on", "received_on"),
            Field("Remarks", "remarks"),
        ),
    ),
)
# What else stands in a workbook: how to use it, what vessels stand for, and words to choose from.
FIRST_TAB, VALUES_TAB, LISTS_TAB = "Round", "Values", "Lists"
VALUES_HEADS = ("Vessel", "Meter", "One draw, % air")
