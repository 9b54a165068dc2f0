"""This module turns sittings into the ledger: visits, drift steps, unadjusted path, segments.

It knows no statistics beyond a difference and a running sum, and reads no files.  One direction:
`build_ledger` pairs as found with as left, places every adjustment before, at or after a visit,
and only then takes differences, so that an adjustment never looks like drift.
"""

import polars as pl

from drift.frames import DAYS_PER_YEAR, EPOCH, Schema
from drift.meter.calibrations import AS_IT_IS_KEPT, CalibrationRule, with_calibrations
from drift.meter.segments import with_phases

# Work that changes what the dial shows; design of the trade: the mark moved, the hand reset, the
# gauge replaced.  The others (a new seal, a dried chamber, a drop) happen to the meter but set
# nothing, so that what they do to the bias stays visible as a drift step.
ADJUSTING_SERVICE = ("hand_reset", "gauge_replaced")
ADJUSTING_MARK = ("moved", "established")
# Work after which the meter is another instrument, whose scatter is not that of the one before.
RENEWING = ("gauge_replaced", "established")

# Steps that dials are read to, coarsest first; the last stands for digital or continuous data.
RESOLUTIONS_PCT = (0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001, 0.0001, 0.000001)

_VISIT = ["meter_id", "visit_id"]
_SAME = 1e-9

# One row per meter, visit and verification point, in time order within a series.
# as_found/as_left are null where that stage was not read.  left_bias_pct is the bias the meter
# was left with: as left where read, else as found carried forward where nothing was adjusted,
# else null.  adjusted: the mark or hand was changed at this visit.  evidence_lost: it was changed
# and no as-found was read, or a change between visits hides the step.  drift_step_pct is as-found
# minus left_bias of the visit before, null where either is unknown; unadjusted_path_pct its running
# sum, starting at the first as-found bias (else 0).  segment counts from 1 and rises at each
# adjustment, so that the visit of an adjustment closes its segment.  phase rises with it and with
# the vessel (`drift.meter.segments`), phase_began says why; gauge rises with each gauge replaced.
# calibration says what the visit answers for (``both``, ``looks_back``, ``looks_forward``,
# ``neither``; `drift.meter.calibrations`), points_missing which points it lacks, null for none.
LEDGER: Schema = {
    "series": pl.Int64,
    "meter_id": pl.String,
    "point_pct": pl.Float64,
    "visit": pl.Int64,
    "visit_id": pl.String,
    "performed_on": pl.Date,
    "t_years": pl.Float64,
    "correct_air_pct": pl.Float64,
    "as_found_bias_pct": pl.Float64,
    "as_found_spread_pct": pl.Float64,
    "as_found_replicates": pl.Int64,
    "as_found_biases_pct": pl.List(pl.Float64),
    "as_left_bias_pct": pl.Float64,
    "as_left_spread_pct": pl.Float64,
    "as_left_replicates": pl.Int64,
    "as_left_biases_pct": pl.List(pl.Float64),
    "left_bias_pct": pl.Float64,
    "resolution_pct": pl.Float64,
    "adjusted": pl.Boolean,
    "events": pl.String,
    "evidence_lost": pl.Boolean,
    "calibration": pl.String,
    "points_missing": pl.String,
    "drift_step_pct": pl.Float64,
    "unadjusted_path_pct": pl.Float64,
    "segment": pl.Int64,
    "phase": pl.Int64,
    "phase_began": pl.String,
    "gauge": pl.Int64,
    "vessel_id": pl.String,
    "operator": pl.String,
    "remarks": pl.String,
}


def build_ledger(
    sessions: pl.DataFrame,
    *,
    marks: pl.DataFrame,
    service: pl.DataFrame,
    meters: pl.DataFrame,
    resolution_pct: float,
    tolerance_pct: float = 0.1,
    vessels: pl.DataFrame | None = None,
    rule: CalibrationRule = AS_IT_IS_KEPT,
) -> pl.DataFrame:
    """Build the ledger of a fleet.

    Parameters
    ----------
    sessions : pl.DataFrame
        Frame of `drift.store.tables.SESSIONS`.
    marks, service, meters : pl.DataFrame
        Rows in force of those input tables; they may be empty.
    resolution_pct : float
        Coarsest resolution to assume where none is stated, % air.
    tolerance_pct : float
        Largest bias that passes, % air.
    vessels : pl.DataFrame or None
        Rows in force of that input table; None where nobody recorded any.
    rule : CalibrationRule
        Which visits are calibrations.

    Returns
    -------
    pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`, sorted by series and visit.
    """
    visits = _visits(sessions)
    events = _events(marks, service)
    stages = _pair_stages(_with_resolution(sessions, meters, resolution_pct))
    placed = _place_events(visits, events, _unrecorded_adjustments(stages, tolerance_pct))
    rows = (
        stages.join(placed, on=_VISIT, how="left")
        .sort("meter_id", "point_pct", "performed_on", "visit_id")
        .with_columns(
            series=pl.struct("meter_id", "point_pct").rank("dense").cast(pl.Int64) - 1,
            t_years=(pl.col("performed_on") - EPOCH).dt.total_days() / DAYS_PER_YEAR,
        )
        .with_columns(visit=pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("series"))
    )
    rows = with_calibrations(with_phases(rows, vessels), rule)
    return _with_path(rows).select(LEDGER.keys()).cast(LEDGER)  # type: ignore[arg-type]  # names to types


def _visits(sessions: pl.DataFrame) -> pl.DataFrame:
    """Return one row per meter and visit: its first and last day, in time order."""
    return (
        sessions.group_by(_VISIT)
        .agg(performed_on=pl.col("performed_on").min(), ended_on=pl.col("performed_on").max())
        .sort("meter_id", "performed_on", "visit_id")
    )


def _events(marks: pl.DataFrame, service: pl.DataFrame) -> pl.DataFrame:
    """Return one row per piece of work on a meter: what, when, and what it does to the record."""
    rows = pl.concat(
        [
            marks.select("meter_id", "performed_on", event=pl.format("mark {}", "action")),
            service.select("meter_id", "performed_on", event="action"),
        ]
    )
    adjusting = [f"mark {action}" for action in ADJUSTING_MARK] + list(ADJUSTING_SERVICE)
    renewing = [*RENEWING, *(f"mark {action}" for action in RENEWING)]
    return (
        rows.filter(pl.col("event") != "mark verified")
        .unique()
        .with_columns(
            adjusts=pl.col("event").is_in(adjusting), renews=pl.col("event").is_in(renewing)
        )
        .sort("performed_on", "meter_id", "event")
    )


def _with_resolution(
    sessions: pl.DataFrame, meters: pl.DataFrame, resolution_pct: float
) -> pl.DataFrame:
    """Fill in the resolution: as stated, else the dial's, else what the readings show."""
    dial = meters.select("meter_id", dial=pl.col("dial_resolution_pct"))
    stated = sessions.join(dial, on="meter_id", how="left", maintain_order="left").with_columns(
        resolution_pct=pl.coalesce("resolution_pct", "dial")
    )
    unknown = stated.filter(pl.col("resolution_pct").is_null())
    if unknown.is_empty():
        return stated.drop("dial")
    shown = _shown_resolution(unknown, resolution_pct)
    return (
        stated.join(shown, on=["meter_id", "point_pct"], how="left", maintain_order="left")
        .with_columns(resolution_pct=pl.coalesce("resolution_pct", "shown"))
        .drop("dial", "shown")
    )


def _shown_resolution(unknown: pl.DataFrame, resolution_pct: float) -> pl.DataFrame:
    """Return per meter and point the coarsest step of which every reading is a multiple."""
    readings = unknown.select(
        "meter_id", "point_pct", "correct_air_pct", reading=pl.col("biases_pct")
    ).explode("reading")
    steps = [
        resolution_pct,
        *(step for step in RESOLUTIONS_PCT if step < resolution_pct - _SAME),
    ]
    in_steps = [(pl.col("reading") + pl.col("correct_air_pct")) / step for step in steps]
    fits = [((ratio - ratio.round()).abs() < 1e-4).all() for ratio in in_steps]
    first = pl.coalesce(
        *(pl.when(fit).then(pl.lit(step)) for fit, step in zip(fits[:-1], steps[:-1], strict=True)),
        pl.lit(steps[-1]),
    )
    return readings.group_by("meter_id", "point_pct").agg(shown=first)


def _pair_stages(sessions: pl.DataFrame) -> pl.DataFrame:
    """Return one row per meter, visit and point with both stages side by side."""
    key = [*_VISIT, "point_pct"]
    stage_columns = {
        "bias_pct": "{}_bias_pct",
        "spread_pct": "{}_spread_pct",
        "replicates": "{}_replicates",
        "biases_pct": "{}_biases_pct",
        "correct_air_pct": "{}_correct",
        "resolution_pct": "{}_resolution",
        "vessel_id": "{}_vessel",
        "operator": "{}_operator",
        "remarks": "{}_remarks",
    }

    def of(stage: str) -> pl.DataFrame:
        return sessions.filter(pl.col("stage") == stage).select(
            *key, *(pl.col(name).alias(new.format(stage)) for name, new in stage_columns.items())
        )

    return (
        of("as_found")
        .join(of("as_left"), on=key, how="full", coalesce=True)
        .with_columns(
            correct_air_pct=pl.coalesce("as_found_correct", "as_left_correct"),
            resolution_pct=pl.max_horizontal("as_found_resolution", "as_left_resolution"),
            vessel_id=pl.coalesce("as_found_vessel", "as_left_vessel"),
            operator=pl.coalesce("as_found_operator", "as_left_operator"),
            remarks=pl.concat_str(
                "as_found_remarks", "as_left_remarks", separator="; ", ignore_nulls=True
            ),
        )
    )


def _unrecorded_adjustments(stages: pl.DataFrame, tolerance_pct: float) -> pl.DataFrame:
    """Return the visits whose readings say that something was done, recorded or not.

    Where nobody wrote down what was done, readings tell: as-left readings that differ from those
    as found by more than one step of the dial, or a mean found out of tolerance and left nearer
    zero, which a coarse dial may show as one step or less.
    """
    found, left = pl.col("as_found_bias_pct"), pl.col("as_left_bias_pct")
    moved = (left - found).abs() > pl.col("resolution_pct") + _SAME
    set_right = (found.abs() > tolerance_pct + _SAME) & (left.abs() < found.abs() - _SAME)
    return (
        stages.group_by(_VISIT)
        .agg(readings_moved=(moved | set_right).any())
        .with_columns(pl.col("readings_moved").fill_null(value=False))
    )


def _place_events(
    visits: pl.DataFrame, events: pl.DataFrame, unrecorded: pl.DataFrame
) -> pl.DataFrame:
    """Return one row per visit: adjustments counted before and after it, its events in words.

    An event on a day of a visit belongs to that visit; one between two visits happened before
    the later one; one after the last visit is pending and makes the present state unknown.
    """
    first_day = visits.group_by("meter_id").agg(first_on=pl.col("performed_on").min())
    known = (
        events.join(first_day, on="meter_id")
        # A mark established on the first day starts the record; it adjusts nothing.
        .filter(
            (pl.col("performed_on") > pl.col("first_on")) | (pl.col("event") != "mark established")
        )
        .drop("first_on")
    )
    met = _meet(visits, known)
    counted = (
        visits.join(met, on=_VISIT, how="left")
        .join(unrecorded, on=_VISIT, how="left")
        .with_columns(
            pl.col("adjusts_before", "renews_before", "adjusts_at", "renews_at").fill_null(0)
        )
        .with_columns(
            adjusted=(pl.col("adjusts_at") > 0) | pl.col("readings_moved"),
            events=pl.when(pl.col("readings_moved") & (pl.col("adjusts_at") == 0))
            .then(
                pl.concat_str(
                    "events", pl.lit("adjusted without a record"), separator="; ", ignore_nulls=True
                )
            )
            .otherwise("events"),
        )
        .sort("meter_id", "performed_on", "visit_id")
    )
    own = pl.col("adjusted").cast(pl.Int64)
    through = (pl.col("adjusts_before") + own).cum_sum().over("meter_id")
    renewals = (pl.col("renews_before") + pl.col("renews_at")).cum_sum().over("meter_id")
    # What was done at a visit speaks from the next visit on.
    done_last = pl.when("adjusted").then("events").shift(1).over("meter_id")
    return counted.select(
        *_VISIT,
        "performed_on",
        "adjusted",
        "events",
        recorded=pl.col("adjusts_at") > 0,
        changes_before=through - own,
        changes_after=through,
        segment=1 + through - own,
        gauge=1 + renewals - pl.col("renews_at"),
        touched=pl.concat_str(done_last, "work_before", separator="; ", ignore_nulls=True),
        pending=pl.col("adjusts_after").fill_null(0) > 0,
    )


def _meet(visits: pl.DataFrame, events: pl.DataFrame) -> pl.DataFrame:
    """Return per visit how many adjusting and renewing events lie before, at and after it."""
    days = visits.select(*_VISIT, "performed_on", "ended_on")
    after_start = events.sort("performed_on").join_asof(
        days.sort("ended_on").with_columns(visit_on="performed_on"),
        left_on="performed_on",
        right_on="ended_on",
        by="meter_id",
        strategy="forward",
        check_sortedness=False,
    )
    last = days.group_by("meter_id").agg(last_visit=pl.col("visit_id").last())
    placed = after_start.join(last, on="meter_id").with_columns(
        place=pl.when(pl.col("visit_on").is_null())
        .then(pl.lit("after"))
        .when(pl.col("visit_on") > pl.col("performed_on"))
        .then(pl.lit("before"))
        .otherwise(pl.lit("at")),
        visit_id=pl.coalesce("visit_id", "last_visit"),
    )

    def count(flag: str, place: str) -> pl.Expr:
        return (pl.col(flag) & (pl.col("place") == place)).sum().cast(pl.Int64)

    words = (
        pl.when(pl.col("place") == "at")
        .then(pl.col("event").str.replace_all("_", " "))
        .otherwise(pl.format("{} on {}", pl.col("event").str.replace_all("_", " "), "performed_on"))
    )
    return placed.group_by(_VISIT).agg(
        events=words.sort_by("performed_on", "event").str.join("; "),
        adjusts_before=count("adjusts", "before"),
        adjusts_at=count("adjusts", "at"),
        adjusts_after=count("adjusts", "after"),
        renews_before=count("renews", "before"),
        renews_at=count("renews", "at"),
        work_before=pl.when((pl.col("adjusts") & (pl.col("place") == "before")).any()).then(
            words.filter(pl.col("adjusts") & (pl.col("place") == "before")).str.join("; ")
        ),
    )


def _with_path(rows: pl.DataFrame) -> pl.DataFrame:
    """Add what the meter was left with, the drift steps and their running sum."""
    first = pl.col("visit") == 1
    found, left = pl.col("as_found_bias_pct"), pl.col("as_left_bias_pct")
    last = pl.col("visit") == pl.col("visit").max().over("series")
    gone_with = (
        pl.when(pl.col("pending") & last)
        .then(None)
        .when(left.is_not_null())
        .then(left)
        .when(~pl.col("recorded"))
        .then(found)
    )
    rows = rows.with_columns(left_bias_pct=gone_with).with_columns(
        hidden_change=(
            pl.col("changes_before") != pl.col("changes_after").shift(1).over("series")
        ).fill_null(value=False)
    )
    step = pl.when(~pl.col("hidden_change")).then(
        found - pl.col("left_bias_pct").shift(1).over("series")
    )
    rows = rows.with_columns(
        drift_step_pct=step,
        evidence_lost=~first & (found.is_null() | pl.col("hidden_change")),
        start=pl.coalesce("as_found_bias_pct", "left_bias_pct", pl.lit(0.0)).first().over("series"),
    )
    travelled = pl.col("drift_step_pct").fill_null(0.0).cum_sum().over("series")
    observed = pl.col("drift_step_pct").is_not_null() | first
    return rows.with_columns(
        unadjusted_path_pct=pl.when(observed).then(pl.col("start") + travelled)
    )
