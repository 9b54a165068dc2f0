"""This module has every chart of a review drawn and judged as the policy says; it fills no page."""

import dataclasses
from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.frames import DAYS_PER_YEAR, EPOCH, Schema
from drift.policy import Policy
from drift.stats.baseline_change import find_changes
from drift.stats.charts import MARKS, ChartSettings, draw_family, mark
from drift.stats.rules import apply_rules

KPA_PER_PSI = 6.894757293168  # exact by the definition of the pound-force and the inch
# Step that a mark on a pressure scale is taken as read to, kPa; common practice, no source.
_PRESSURE_STEP_KPA = 1.0
# The rule that a mark may break: a mark stays where it is put, so that runs of it mean nothing.
_OF_MARKS = "beyond_limits"

# One row per meter, chart (``mark``: position, ``mark_moves``: move) and record of its mark.  unit
# is "dial_pct" or "kpa"; centre and limits are null where too few moves are known; note says where
# they come from.
MARK_CHARTS: Schema = {
    "series": pl.Int64,
    "meter_id": pl.String,
    "performed_on": pl.Date,
    "unit": pl.String,
    "chart": pl.String,
    "phase": pl.Int64,
    "visit": pl.Int64,
    "value": pl.Float64,
    "centre": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
    "note": pl.String,
}


@dataclass(frozen=True, slots=True)
class Charts:
    """The charts of a review.

    Attributes
    ----------
    charted, limits, findings : pl.DataFrame
        Frames of `drift.frames` for the as-found bias of every series.
    phases : pl.DataFrame
        Frame of `drift.stats.phase_comparison.PHASES`.
    since : pl.DataFrame
        Frame of `drift.stats.baseline_change.CHANGES`: visits since each baseline against it.
    onsets : pl.DataFrame
        Frame of `drift.stats.charts.ONSETS`; empty where no CUSUM was asked for.
    marks, mark_findings : pl.DataFrame
        Frames of `MARK_CHARTS` and `drift.frames.FINDINGS`, whose series count meters here.
    """

    charted: pl.DataFrame
    limits: pl.DataFrame
    findings: pl.DataFrame
    phases: pl.DataFrame
    since: pl.DataFrame
    onsets: pl.DataFrame
    marks: pl.DataFrame
    mark_findings: pl.DataFrame


def draw_charts(
    ledger: pl.DataFrame, *, marks: pl.DataFrame, service: pl.DataFrame, policy: Policy
) -> Charts:
    """Chart the as-found bias of every series and the mark of every meter.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.frames.LEDGER`.
    marks, service : pl.DataFrame
        Rows in force of those input tables.
    policy : Policy
    """
    points = ledger.select(
        "series",
        "visit",
        "phase",
        "gauge",
        "t_years",
        value="as_found_bias_pct",
        replicates="as_found_replicates",
        spread="as_found_spread_pct",
        resolution="resolution_pct",
        values="as_found_biases_pct",
    )
    settings = chart_settings(policy)
    wanted = tuple(name for name in policy.charts if name not in MARKS)
    family = draw_family(points, settings=settings, charts=wanted)
    charted = family.points.sort("series", "chart", "visit")
    # Of a large fleet, twice the points is half a gigabyte: let go of them as they came.
    family = dataclasses.replace(family, points=charted)
    placed = place_marks(marks, service=service, ledger=ledger)
    drawn = mark(placed, settings=settings) if set(MARKS) & set(policy.charts) else None
    return Charts(
        charted=charted,
        limits=family.limits.sort("series", "chart", "phase"),
        findings=_findings(charted, ledger, rules=policy.rules),
        phases=family.phases,
        since=find_changes(
            family.charted,
            visits=policy.baseline_visits,
            level=settings.pooling_level,
            window=settings.baseline_window,
        ),
        onsets=family.onsets,
        marks=_mark_charts(placed, drawn.points, drawn.limits)
        if drawn
        else pl.DataFrame(schema=MARK_CHARTS),
        mark_findings=apply_rules(
            drawn.points if drawn else charted.clear(),
            rules=tuple(name for name in policy.rules if name == _OF_MARKS),
        ),
    )


def _findings(
    charted: pl.DataFrame, ledger: pl.DataFrame, *, rules: tuple[str, ...]
) -> pl.DataFrame:
    """Return what the rules see, with the dial's step beside each point.

    With it a rounded reading counts as past a zone only if every value that rounds to it is.
    """
    dial = ledger.select("series", "visit", "resolution_pct")
    return apply_rules(charted.join(dial, on=["series", "visit"], how="left"), rules=rules)


def chart_settings(policy: Policy) -> ChartSettings:
    """Return what the policy says of charts."""
    return ChartSettings(
        baseline_visits=policy.baseline_visits,
        baseline_window=_window(policy),
        limits=policy.limits,
        sigmas=policy.limit_sigmas,
        ewma_weight=policy.ewma_weight,
        ewma_sigmas=policy.limit_sigmas,
        cusum_reference=policy.cusum_reference_sigmas,
        cusum_decision=policy.cusum_decision_sigmas,
        change_level=policy.phase_level,
    )


def _window(policy: Policy) -> tuple[float, float] | None:
    """Return the named dates of the baseline as times, None where the policy names none."""
    if not policy.baseline_dates:
        return None
    days = [(date.fromisoformat(day) - EPOCH).days / DAYS_PER_YEAR for day in policy.baseline_dates]
    return days[0], days[1]


def place_marks(
    marks: pl.DataFrame, *, service: pl.DataFrame, ledger: pl.DataFrame
) -> pl.DataFrame:
    """Return the records of marks as points of a chart, one series per meter.

    Parameters
    ----------
    marks, service : pl.DataFrame
        Rows in force of those input tables.
    ledger : pl.DataFrame
        Frame of `drift.frames.LEDGER`; its dials give the step a position is read to.

    Returns
    -------
    pl.DataFrame
        Columns as `drift.stats.charts.mark` takes them, with ``meter_id performed_on unit``.
        Positions in psi are given in kPa.  A phase begins where the mark was established anew,
        another gauge was put on or the unit changed.
    """
    psi = pl.col("mark_unit") == "psi"
    unit = pl.when(psi).then(pl.lit("kpa")).otherwise(pl.col("mark_unit").fill_null("dial_pct"))
    steps = ledger.group_by("meter_id").agg(step=pl.col("resolution_pct").last())
    gauges = (
        service.filter(pl.col("action") == "gauge_replaced")
        .select("meter_id", "performed_on")
        .sort("performed_on")
        .with_columns(gauges=pl.int_range(1, pl.len() + 1).over("meter_id"))
    )
    rows = (
        marks.with_columns(
            unit=unit, value=pl.col("mark") * pl.when(psi).then(KPA_PER_PSI).otherwise(1.0)
        )
        .sort("performed_on", maintain_order=True)
        .join_asof(gauges, on="performed_on", by="meter_id", check_sortedness=False)
        .join(steps, on="meter_id", how="left", maintain_order="left")
        .sort("meter_id", "performed_on", maintain_order=True)
    )
    first = ~pl.struct("meter_id").is_first_distinct()
    anew = first & (
        (pl.col("action") == "established")
        | (pl.col("gauges").fill_null(0) != pl.col("gauges").fill_null(0).shift(1).over("meter_id"))
        | (pl.col("unit") != pl.col("unit").shift(1).over("meter_id"))
    )
    return rows.with_columns(
        series=pl.col("meter_id").rank("dense").cast(pl.Int64) - 1,
        visit=pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("meter_id"),
        t_years=(pl.col("performed_on") - EPOCH).dt.total_days() / DAYS_PER_YEAR,
        phase=1 + anew.fill_null(value=False).cast(pl.Int64).cum_sum().over("meter_id"),
        resolution=pl.when(pl.col("unit") == "kpa")
        .then(_PRESSURE_STEP_KPA)
        .otherwise(pl.col("step")),
        like=pl.col("unit"),
    ).select(
        "series",
        "visit",
        "phase",
        "t_years",
        "value",
        "resolution",
        "like",
        "meter_id",
        "performed_on",
        "unit",
    )


def _mark_charts(placed: pl.DataFrame, points: pl.DataFrame, limits: pl.DataFrame) -> pl.DataFrame:
    """Return the charts of marks with their meters, dates and notes."""
    return (
        points.join(
            placed.select("series", "visit", "meter_id", "performed_on", "unit"),
            on=["series", "visit"],
        )
        .join(limits.select("series", "chart", "phase", "note"), on=["series", "chart", "phase"])
        .select(MARK_CHARTS.keys())
        .cast(MARK_CHARTS)  # type: ignore[arg-type]  # names to types
        .sort("meter_id", "chart", "visit")
    )
