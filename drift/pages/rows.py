"""This module turns rows of a review's frames into rows of page data; it words no conclusion."""

import dataclasses
from datetime import date
from typing import Any

import polars as pl

import drift
from drift import format as text
from drift.pages import captions
from drift.pages.data import Choice, FileRow, HeldBackRow, MeterRow, SignalRow, Sparkline, Stamp
from drift.pages.names import file_name
from drift.policy import Policy
from drift.results import Review

BOX_WIDTH, BOX_HEIGHT = 100.0, 24.0

# What each number of the policy means, in the words of a page.
_MEANINGS = {
    "tolerance_pct": "largest bias that passes, % air",
    "comparison": "how a bias is compared with the tolerance (method names of ASTM E29)",
    "points_pct": "nominal verification points, % air",
    "point_window_pct": "how far the correct air content may lie from its point, % air",
    "interval_days": "days between visits where a meter has no interval of its own",
    "resolution_pct": "coarsest step of the dial assumed where none is stated, % air",
    "baseline_visits": "visits that set the control limits",
    "limit_sigmas": "half-width of control limits, in standard deviations",
    "ewma_weight": "weight of the newest visit in the moving average",
    "trend_level": "error probability of intervals on drift",
    "trend_visits": "fewest visits from which a trend is tested",
    "false_discovery_rate": "share of false findings accepted among meters said to drift",
    "watch_probability": "P(out) at the next due date from which a meter is watched",
    "drifting_probability": "P(out) at the next due date from which it is called drifting",
    "drift_reach_days": "a confirmed drift that crosses within this many days is called drifting",
    "signal_days": "how long a signal without a response keeps a meter on watch, days",
    "rules": "rules that may speak on a chart",
    "horizon_days": "how far ahead a crossing is looked for, days",
    "band_level": "coverage of forecast bands and of intervals of crossing dates",
}


def stamp(review: Review) -> Stamp:
    """Return what every page of a review speaks for."""
    policy = review.policy
    return Stamp(
        version=drift.__version__,
        as_of=review.as_of,
        source_name=review.source_name,
        tolerance_pct=policy.tolerance_pct,
        band_level=policy.band_level,
        trend_level=policy.trend_level,
    )


def meter_rows(
    review: Review, meters: pl.DataFrame, *, sparklines: dict[str, Sparkline]
) -> tuple[MeterRow, ...]:
    """Return page rows for rows of `review.meters`, in their order."""
    table = review.sources.meters
    retired = set(table.filter(pl.col("status") == "retired")["meter_id"])
    return tuple(
        _meter_row(
            row,
            retired=row["meter_id"] in retired,
            sparkline=sparklines.get(row["meter_id"]),
            review=review,
        )
        for row in meters.iter_rows(named=True)
    )


def _meter_row(
    row: dict[str, Any], *, retired: bool, sparkline: Sparkline | None, review: Review
) -> MeterRow:
    """Return the page row of one meter."""
    return MeterRow(
        meter_id=row["meter_id"],
        file=file_name(row["meter_id"]),
        standing=row["standing"],
        overdue=bool(row["overdue"]),
        retired=retired,
        reason=row["reason"],
        action=row["action"],
        last_visit_on=row["last_visit_on"],
        next_due_on=row["next_due_on"],
        visits=row["visits"],
        point_pct=row["worst_point_pct"],
        found_pct=row["as_found_bias_pct"],
        level_pct=row["level_pct"],
        drift=row["drift_pct_per_year"],
        drift_low=row["drift_low"],
        drift_high=row["drift_high"],
        resolution_limited=bool(row["resolution_limited"]),
        p_out=row["p_out_next_due"],
        crossing=captions.crossing(
            on=row["crossing_on"],
            early=row["crossing_early"],
            late=row["crossing_late"],
            p_out=row["p_out_next_due"],
            last_visit_on=row["last_visit_on"],
            policy=review.policy,
            as_of=review.as_of,
        ),
        repeatability_pct=row["repeatability_pct"],
        sparkline=sparkline,
    )


def is_urgent(row: MeterRow) -> bool:
    """Say whether a meter needs action before its next due date."""
    return not row.retired and (row.standing in {"out", "drifting"} or row.overdue)


def sparklines(
    ledger: pl.DataFrame, meters: pl.DataFrame, *, tolerance_pct: float
) -> tuple[dict[str, Sparkline], float]:
    """Return the unadjusted path of each meter's worst point in one box for all, and its scale.

    Parameters
    ----------
    ledger, meters : pl.DataFrame
        Frames of `drift.frames`.
    tolerance_pct : float
        Largest bias that passes, % air.

    Returns
    -------
    dict of str to Sparkline, float
        By meter_id; and the bias at the upper edge of every box, % air.
    """
    worst = meters.select("meter_id", point_pct="worst_point_pct")
    paths = (
        ledger.join(worst, on=["meter_id", "point_pct"])
        .select("meter_id", "point_pct", "t_years", path=pl.col("unadjusted_path_pct"))
        .filter(pl.col("path").is_finite())
        .sort("meter_id", "t_years")
    )
    if paths.is_empty():
        return {}, tolerance_pct
    largest = float(paths["path"].abs().max())  # type: ignore[arg-type]  # not empty
    scale = 1.05 * max(largest, 2 * tolerance_pct)
    first = float(paths["t_years"].min())  # type: ignore[arg-type]  # not empty
    span = max(float(paths["t_years"].max()) - first, 1e-9)  # type: ignore[arg-type]  # as above
    placed = paths.with_columns(
        x=2 + (pl.col("t_years") - first) / span * (BOX_WIDTH - 6),
        y=BOX_HEIGHT / 2 * (1 - pl.col("path") / scale),
    )
    made = {
        str(key[0]): _sparkline(rows, tolerance_pct=tolerance_pct, scale=scale)
        for key, rows in placed.group_by("meter_id", maintain_order=True)
    }
    return made, scale


def _sparkline(rows: pl.DataFrame, *, tolerance_pct: float, scale: float) -> Sparkline:
    """Return the small path of one meter."""
    xs = [text.coordinate(x) for x in rows["x"]]
    ys = [text.coordinate(y) for y in rows["y"]]
    half = BOX_HEIGHT / 2 * tolerance_pct / scale
    start, end = rows["path"][0], rows["path"][-1]
    return Sparkline(
        points=" ".join(f"{x},{y}" for x, y in zip(xs, ys, strict=True)),
        strip_top=text.coordinate(BOX_HEIGHT / 2 - half),
        strip_height=text.coordinate(2 * half),
        end_x=xs[-1],
        end_y=ys[-1],
        label=f"unadjusted path from {text.bias(start)} to {text.bias_with_unit(end)}",
    )


def signal_rows(review: Review, signals: pl.DataFrame) -> tuple[SignalRow, ...]:
    """Return page rows for rows of `review.signals`, each with its first response."""
    said = {
        row["signal_id"]: f"{row['finding']}; {row['action']} ({row['recorded_by']})"
        for row in review.sources.responses.sort("recorded_on", descending=True).iter_rows(
            named=True
        )
    }
    return tuple(
        SignalRow(
            signal_id=row["signal_id"],
            meter_id=row["meter_id"],
            file=file_name(row["meter_id"]),
            visit_on=row["visit_on"],
            point_pct=row["point_pct"],
            chart=text.words_of(row["chart"]),
            sentence=row["sentence"],
            answered_on=row["answered_on"],
            response=said.get(row["signal_id"], ""),
        )
        for row in signals.iter_rows(named=True)
    )


def held_back_rows(held_back: pl.DataFrame) -> tuple[HeldBackRow, ...]:
    """Return page rows for rows that were held back."""
    return tuple(HeldBackRow(**row) for row in held_back.iter_rows(named=True))


def file_rows(files: pl.DataFrame) -> tuple[FileRow, ...]:
    """Return page rows for the input files."""
    names = [field.name for field in dataclasses.fields(FileRow)]
    told = files.select(names).with_columns(
        pl.selectors.string().fill_null(""), pl.selectors.integer().fill_null(0)
    )
    return tuple(FileRow(**row) for row in told.iter_rows(named=True))


def policy_rows(policy: Policy) -> tuple[Choice, ...]:
    """Return every number of the policy in force."""
    return tuple(
        Choice(field.name, _shown(getattr(policy, field.name)), _MEANINGS.get(field.name, ""))
        for field in dataclasses.fields(policy)
    )


def _shown(value: object) -> str:
    """Return one value of the policy as text."""
    if isinstance(value, tuple):
        return ", ".join(_shown(item) for item in value)
    return text.plain(value) if isinstance(value, int | float) else str(value)


def latest(frame: pl.DataFrame, column: str) -> date | None:
    """Return the latest date in a column, None where there is none."""
    value = frame[column].max()
    return value if isinstance(value, date) else None
