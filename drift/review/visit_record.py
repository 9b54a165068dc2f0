"""This module gathers the record of one visit: what was read with what, how surely, by whom."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.conformity.weigh import CONFORMITY
from drift.errors import DriftError
from drift.format import listed, point
from drift.frames import Row, Schema
from drift.reference.bowl_pairs import bowl_pairs
from drift.review.results import Review

# One row per stage and point of a visit, as found before as left: what was read and how it conforms
# (columns of `drift.conformity.weigh.CONFORMITY`), and when vessel and bowl were last measured.
VISIT_ROWS: Schema = {
    "visit_id": pl.String,
    "stage": pl.String,
    "point_pct": pl.Float64,
    "vessel_id": pl.String,
    "draws": pl.Int64,
    "calibrated_on": pl.Date,
    "bowl_measured_on": pl.Date,
    "correct_air_pct": pl.Float64,
    "readings_pct": pl.List(pl.Float64),
    "bias_pct": pl.Float64,
    "expanded_u_pct": pl.Float64,
    "limit_pct": pl.Float64,
    "verdict": pl.String,
    "two_successive": pl.Boolean,
}
_PLACES = 9


@dataclass(frozen=True, slots=True)
class VisitRecord:
    """The record of one visit.

    Attributes
    ----------
    meter_id : str
    on : date
        The day.
    rows : pl.DataFrame
        Frame of `VISIT_ROWS`.
    about : dict
        Of the meters table, the meter's last row; empty where it has none.
    operators, checked_by, procedures, reasons, remarks : tuple of str
        What the readings say of it, each once.
    water_c : tuple of float
        Water temperatures noted.
    marks, service : list of dict
        Rows of these tables of that meter and day.
    """

    meter_id: str
    on: date
    rows: pl.DataFrame
    about: Row
    operators: tuple[str, ...]
    checked_by: tuple[str, ...]
    procedures: tuple[str, ...]
    reasons: tuple[str, ...]
    remarks: tuple[str, ...]
    water_c: tuple[float, ...]
    marks: list[Row]
    service: list[Row]

    @property
    def headline(self) -> str:
        """Say what the numbers of the visit say: of as left where it was read, else as found."""
        last = self.rows.filter(pl.col("stage") == self.rows["stage"][-1])
        out = last.filter(~pl.col("verdict").str.ends_with("pass"))["point_pct"]
        if last["verdict"].null_count():
            return "Cannot say for every point whether it conforms."
        stage = self.rows["stage"][-1].replace("_", " ")
        if out.len():
            return f"Does not conform as {stage[3:]} at {listed([point(at) for at in out])}."
        read = listed([point(at) for at in last["point_pct"]])
        return f"Conforms as {stage[3:]} at {read}."


def visit_day(sessions: pl.DataFrame, meter_id: str, on: date | None) -> date:
    """Return the day of a meter's visit, its last where none is named.

    Parameters
    ----------
    sessions : pl.DataFrame
        Frame of `drift.store.tables.SESSIONS`.
    meter_id : str
        The meter.
    on : date or None
        The day asked for.

    Raises
    ------
    DriftError
        If there is no such visit.
    """
    days = sessions.filter(pl.col("meter_id") == meter_id)["performed_on"].unique().sort().to_list()
    if days and (on is None or on in days):
        return on or days[-1]
    raise DriftError(
        what=f"has no visit on {on} on record" if on else "was never read",
        where=f"meter {meter_id}",
        expected="the day of a visit",
        hint=f"the last: {', '.join(map(str, days[-3:]))}" if days else "",
    )


def visit_record(review: Review, meter_id: str, *, on: date) -> VisitRecord:
    """Gather the record of a meter's visit.

    Parameters
    ----------
    review : Review
        Of a source that holds the visit.
    meter_id : str
        The meter.
    on : date
        From `visit_day`.
    """
    mine = pl.col("meter_id") == meter_id
    of_day = mine & (pl.col("performed_on") == on)
    read = review.sources.sessions.filter(of_day)
    meters = review.sources.meters.filter(mine).to_dicts()
    return VisitRecord(
        meter_id=meter_id,
        on=on,
        rows=_rows(review, read, on=on),
        about=meters[-1] if meters else {},
        operators=_said(read, "operator"),
        checked_by=_said(read, "checked_by"),
        procedures=_said(read, "procedure"),
        reasons=_said(read, "visit_reason"),
        remarks=_said(read, "remarks"),
        water_c=tuple(read["water_temp_c"].drop_nulls().unique().sort()),
        marks=review.sources.marks.filter(of_day).to_dicts(),
        service=review.sources.service.filter(of_day).to_dicts(),
    )


def _said(read: pl.DataFrame, column: str) -> tuple[str, ...]:
    """Return what a column says, each once, in the order of the readings."""
    return tuple(read[column].drop_nulls().unique(maintain_order=True))


def _rows(review: Review, read: pl.DataFrame, *, on: date) -> pl.DataFrame:
    """Return the sittings of a visit, how they conform, and when their reference was measured."""
    key = ["meter_id", "visit_id", "stage", "point_pct"]
    known = {*key, "bias_pct"}
    judged = review.conformity.verdicts.select(
        *key, *(name for name in CONFORMITY if name in VISIT_ROWS and name not in known)
    )
    usable = pl.col("usable") & (pl.col("calibrated_on") <= on)
    vessels = review.reference.vessels.filter(usable).group_by("vessel_id")
    pairs = bowl_pairs(review.reference.vessels, review.reference.bowls, as_of=on)
    return (
        read.with_columns(
            readings_pct=(pl.col("biases_pct") + pl.col("correct_air_pct")).list.eval(
                pl.element().round(_PLACES)
            )
        )
        .join(judged, on=key, how="left")
        .join(vessels.agg(pl.col("calibrated_on").max()), on="vessel_id", how="left")
        .join(
            pairs.select("vessel_id", "meter_id", bowl_measured_on="measured_on"),
            on=["vessel_id", "meter_id"],
            how="left",
        )
        .sort("stage", "point_pct", "visit_id")
        .select(VISIT_ROWS.keys())
    )
