"""This module keeps the register: what each meter is, and what is due when, from the records."""

from datetime import date

import polars as pl

from drift.frames import DAYS_PER_YEAR, IN_USE, Schema
from drift.meter.calibrations import looks_forward
from drift.review.results import Review

# One row per meter: `data/register.csv`.  calibrated_by and vessels are those of the visit of
# calibrated_on; several are joined by " + ".  age_years counts from in_service_on, else
# received_on.
REGISTER: Schema = {
    "meter_id": pl.String,
    "maker": pl.String,
    "model": pl.String,
    "serial": pl.String,
    "site": pl.String,
    "status": pl.String,
    "received_on": pl.Date,
    "in_service_on": pl.Date,
    "removed_on": pl.Date,
    "age_years": pl.Float64,
    "procedure": pl.String,
    "bowl_measured_on": pl.Date,
    "calibrated_on": pl.Date,
    "next_due_on": pl.Date,
    "calibrated_by": pl.String,
    "vessels": pl.String,
    "checked_by": pl.String,
}

# One row per thing with a day on which it is due: `data/due.csv`.  kind is meter, person, or one of
# the input table ``equipment``; by is who calibrated it, issued its certificate or authorised the
# person, about what is due.
DUE: Schema = {
    "due_on": pl.Date,
    "kind": pl.String,
    "item": pl.String,
    "about": pl.String,
    "site": pl.String,
    "since_on": pl.Date,
    "overdue": pl.Boolean,
    "by": pl.String,
}


_NOTHING = pl.lit(None, dtype=pl.String)


def register_of(review: Review) -> pl.DataFrame:
    """Return what is on record of each meter and of the calibration that it stands on.

    Parameters
    ----------
    review : Review
        Of the whole fleet.

    Returns
    -------
    pl.DataFrame
        Frame of `REGISTER`, by meter_id.
    """
    sources = review.sources
    known = sources.meters.unique("meter_id", keep="last", maintain_order=True)
    own = known.select(
        "meter_id",
        *("maker", "model", "serial", "site", "procedure"),
        *("received_on", "in_service_on", "removed_on"),
        said="status",
    )
    bowls = sources.bowls.group_by("meter_id").agg(bowl_measured_on=pl.col("measured_on").max())
    since = pl.coalesce("in_service_on", "received_on")
    stands = review.meters.select("meter_id", "next_due_on").join(
        _calibrations(review), on="meter_id", how="left"
    )
    return (
        stands.join(own, on="meter_id", how="full", coalesce=True)
        .join(bowls, on="meter_id", how="left")
        .with_columns(
            status=pl.col("said").fill_null("active"),
            procedure=pl.coalesce("procedure", "followed"),
            age_years=(pl.lit(review.as_of) - since).dt.total_days() / DAYS_PER_YEAR,
        )
        .select(REGISTER.keys())
        .cast(REGISTER)  # type: ignore[arg-type]  # names to types
        .sort("meter_id")
    )


def _calibrations(review: Review) -> pl.DataFrame:
    """Return of each meter the visit that it stands on: its day, who read and with what."""
    looking = review.ledger.filter(looks_forward())
    last = looking.group_by("meter_id").agg(calibrated_on=pl.col("performed_on").max())
    read = review.sources.sessions.join(
        last, left_on=["meter_id", "performed_on"], right_on=["meter_id", "calibrated_on"]
    )
    return last.join(
        read.group_by("meter_id").agg(
            calibrated_by=_together("operator"),
            vessels=_together("vessel_id"),
            checked_by=_together("checked_by"),
            followed=_together("procedure"),
        ),
        on="meter_id",
        how="left",
    )


def _together(column: str) -> pl.Expr:
    """Return the different texts of a column, joined; null where there are none."""
    texts = pl.col(column).drop_nulls().unique().sort()
    return pl.when(texts.len() > 0).then(texts.str.join(" + "))


def due_items(review: Review) -> pl.DataFrame:
    """Return what is due when: meters in use, vessels, other equipment, and authorisations.

    Parameters
    ----------
    review : Review
        Of the whole fleet.

    Returns
    -------
    pl.DataFrame
        Frame of `DUE`, what is due first first; of each thing the latest record before the date of
        the review counts, and one without a day on which it is due is left out.
    """
    return (
        pl.concat(
            [
                part.select(name for name in DUE if name != "overdue")
                for part in (_due_meters(review), *_due_equipment(review), _due_people(review))
            ]
        )
        .drop_nulls("due_on")
        .with_columns(overdue=pl.col("due_on") < review.as_of)
        .select(DUE.keys())
        .sort("due_on", "kind", "item")
    )


def _due_meters(review: Review) -> pl.DataFrame:
    """Return when each meter in use is due."""
    meters = register_of(review).filter(pl.col("status").is_in(IN_USE))
    return meters.select(
        due_on="next_due_on",
        kind=pl.lit("meter"),
        item="meter_id",
        about=pl.lit("calibration"),
        site="site",
        since_on="calibrated_on",
        by="calibrated_by",
    )


def _due_equipment(review: Review) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return when each vessel and each piece of equipment is due."""
    sources, as_of = review.sources, review.as_of
    equipment = latest(sources.equipment, "equipment_id", "calibrated_on", as_of=as_of)
    vessels = latest(sources.vessels, "vessel_id", "calibrated_on", as_of=as_of)
    # A vessel that is among the equipment is told once.
    listed = equipment.select(vessel_id="equipment_id")
    about = [pl.lit("calibration").alias("about"), _NOTHING.alias("site")]
    return (
        vessels.join(listed, on="vessel_id", how="anti").select(
            "due_on",
            *about,
            kind=pl.lit("vessel"),
            item="vessel_id",
            since_on="calibrated_on",
            by=_NOTHING,
        ),
        equipment.select(
            "due_on",
            "kind",
            *about,
            item="equipment_id",
            since_on="calibrated_on",
            by="issued_by",
        ),
    )


def _due_people(review: Review) -> pl.DataFrame:
    """Return when each authorisation ends."""
    people = (
        review.sources.people.filter(pl.col("authorised_on") <= review.as_of)
        .sort("authorised_on")
        .unique(["operator", "task"], keep="last", maintain_order=True)
    )
    return people.select(
        due_on="authorised_until",
        kind=pl.lit("person"),
        item="operator",
        about=pl.format("authorisation: {}", "task"),
        site=_NOTHING,
        since_on="authorised_on",
        by="authorised_by",
    )


def latest(rows: pl.DataFrame, item: str, day: str, *, as_of: date) -> pl.DataFrame:
    """Return the last row of each item on or before a day."""
    return (
        rows.filter(pl.col(day) <= as_of)
        .sort(day)
        .unique(item, keep="last", maintain_order=True)
        .sort(item)
    )
