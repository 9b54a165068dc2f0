"""This module draws the charts of the initial pressure mark: where it stands and how it was moved.

A mark stays where it is put.  If nothing ails a meter its moves go either way and cancel; a meter
that leaks or whose spring tires has its mark moved the same way again and again.  The position is
therefore judged as a walk of undirected steps: its limits open with the square root of the number
of moves since the phase began.
"""

from collections.abc import Mapping

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import ndtr, stdtrit

from drift.arrays import Floats
from drift.frames import DAYS_PER_YEAR, EPOCH, Schema
from drift.limits.baseline import Baseline, set_baseline
from drift.limits.charts.shape import Charted, Lines, Origin, assemble, per_row
from drift.limits.choices import ChartSettings
from drift.limits.rounding.borrowing import borrowing_cutoffs, kinds_of_meters

# Fewest moves of similar meters from which the size of a move is known well enough.
_FEWEST_MOVES = 6
# A mark that stands within this share of its step of where it stood has not been moved.
_SAME = 1e-6

_KPA_PER_PSI = 6.894757293168  # exact by the definition of the pound-force and the inch
# Step that a mark on a pressure scale is taken as read to, kPa; common practice, no source.
_PRESSURE_STEP_KPA = 1.0

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


# Times and cumulated squares of the moves of marks, by the name of those that are alike.
MoveSizes = Mapping[str | None, tuple[Floats, Floats]]


def mark(
    points: pl.DataFrame, *, settings: ChartSettings, sizes: MoveSizes | None = None
) -> Charted:
    """Chart the position of the initial pressure mark, and its moves.

    The chart ``mark`` plots positions about the first one of the phase; ``mark_moves`` plots each
    move at the visit that found the mark in its new place.

    Parameters
    ----------
    points : pl.DataFrame
        As for `drift.limits.charting.draw_family`: ``value`` is the position of the mark in one
        unit for all rows that are alike, a series is one meter, and a phase begins where another
        gauge was put on or the mark was established anew.  ``like`` names meters whose moves are of
        one size.
    settings : ChartSettings
        The half-width of limits in `sigmas`; moves are pooled over similar meters, with the t
        factor for their number, as known when the first `baseline_visits` records were complete.
    sizes : MoveSizes or None
        From `move_sizes` of meters that stand for the fleet where these are some of it.

    Raises
    ------
    ValueError
        If a column is missing or holds a number that cannot be.

    Notes
    -----
    Common practice, no source: laboratories look at which way a mark is moved.  The limits of the
    walk follow from independent moves about 0.
    """
    baseline = set_baseline(points, visits=settings.baseline_visits)
    moves, moved, step = _moves(baseline)
    if sizes is None:
        sizes = _sizes(baseline, moves, moved)
    size, number = _size_of_moves(baseline, sizes)
    nominal = float(2 * ndtr(-settings.sigmas))
    known = number >= _FEWEST_MOVES
    factor = stdtrit(np.maximum(number, 1.0), 1 - nominal / 2)
    half = np.where(known, factor * size, np.nan)
    moves_so_far = np.asarray(np.cumsum(moved), float)
    so_far = moves_so_far - per_row(baseline, moves_so_far[baseline.starts])
    first = baseline.values[baseline.starts]
    # Half a step of the dial is the least that a limit can be away from a position.
    cone = np.hypot(per_row(baseline, half) * np.sqrt(so_far), step / 2)
    centre = np.where(np.isfinite(cone), per_row(baseline, first), np.nan)
    width = per_row(baseline, half)
    zero = np.where(np.isfinite(width), 0.0, np.nan)
    origin = _origin(baseline, size, number, known, nominal)
    charts = [
        assemble(
            "mark",
            baseline,
            lines=Lines(
                value=baseline.values, centre=centre, lower=centre - cone, upper=centre + cone
            ),
            origin=origin,
        ),
        assemble(
            "mark_moves",
            baseline,
            lines=Lines(
                value=np.where(moved, moves, np.nan), centre=zero, lower=-width, upper=width
            ),
            origin=origin,
        ),
    ]
    return Charted(
        points=pl.concat([chart.points for chart in charts]),
        limits=pl.concat([chart.limits for chart in charts]),
    )


def move_sizes(points: pl.DataFrame, *, settings: ChartSettings) -> MoveSizes:
    """Return what is known of the sizes of the moves of marks; arguments as for `mark`."""
    baseline = set_baseline(points, visits=settings.baseline_visits)
    moves, moved, _ = _moves(baseline)
    return _sizes(baseline, moves, moved)


def _moves(baseline: Baseline) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Return the move before each record, whether there was one, and the step of its scale."""
    moves = np.diff(baseline.values, prepend=np.nan)
    moves[baseline.starts] = np.nan
    step = np.where(baseline.resolutions > 0, baseline.resolutions, 1.0)
    return moves, np.nan_to_num(np.abs(moves)) > _SAME * step, step


def _names(baseline: Baseline) -> list[str | None]:
    """Return what each block is like by its name."""
    if "like" not in baseline.rows.columns:
        return [None] * len(baseline.starts)
    return baseline.rows["like"].gather(baseline.starts).to_list()


def _sizes(baseline: Baseline, moves: Floats, moved: NDArray[np.bool_]) -> MoveSizes:
    """Return when the marks of each kind moved, in order, and the sums of squares from 0 on."""
    times = baseline.rows["t_years"].to_numpy()
    like, names = kinds_of_meters(baseline), _names(baseline)
    sizes = {}
    for kind, first in zip(*np.unique(like, return_index=True), strict=True):
        rows = np.flatnonzero(moved & (like == kind)[baseline.block])
        # Moves of one day by size, so that no order of meters shows in the last digits.
        rows = rows[np.lexsort((np.abs(moves[rows]), times[rows]))]
        sizes[names[first]] = (times[rows], np.concatenate([[0.0], np.cumsum(moves[rows] ** 2)]))
    return sizes


def _size_of_moves(baseline: Baseline, sizes: MoveSizes) -> tuple[Floats, Floats]:
    """Return the root mean square of the moves of similar meters, and their number, per block.

    Limits are frozen: only moves known when the first records of the phase were complete count, or
    when enough were known if that was later.
    """
    like, last, names = kinds_of_meters(baseline), borrowing_cutoffs(baseline), _names(baseline)
    size, number = np.zeros(len(like)), np.zeros(len(like))
    for kind, first in zip(*np.unique(like, return_index=True), strict=True):
        mine = like == kind
        times, squares = sizes.get(names[first], (np.empty(0), np.zeros(1)))
        enough = times[_FEWEST_MOVES - 1] if len(times) >= _FEWEST_MOVES else np.inf
        known = np.searchsorted(times, np.maximum(last[mine], enough), side="right")
        size[mine] = np.sqrt(squares[known] / np.maximum(known, 1))
        number[mine] = known
    return size, number


def _origin(
    baseline: Baseline, size: Floats, number: Floats, known: NDArray[np.bool_], nominal: float
) -> Origin:
    """Return where the limits of marks come from."""
    blank = np.full_like(size, np.nan)
    return Origin(
        centre=np.where(known, baseline.values[baseline.starts], np.nan),
        sigma=np.where(known, size, np.nan),
        df=np.where(known, number, np.nan),
        attained=blank,
        lag1=blank,
        form="t",
        nominal=nominal,
        estimator=["root mean square of moves, pooled over similar meters"] * len(size),
        note=[
            f"Limits from the {int(moves)} moves of the marks of similar meters, as known when "
            "set. They widen with every move, as a mark that is moved at random may stray further."
            if ok
            else f"No limits yet: {int(moves)} of {_FEWEST_MOVES} moves of similar meters needed."
            for moves, ok in zip(number.tolist(), known.tolist(), strict=True)
        ],
    )


def place_marks(
    marks: pl.DataFrame, *, service: pl.DataFrame, ledger: pl.DataFrame
) -> pl.DataFrame:
    """Return the records of marks as points of a chart, one series per meter.

    Parameters
    ----------
    marks, service : pl.DataFrame
        Rows in force of those input tables.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`; its dials give the step a position is read to.

    Returns
    -------
    pl.DataFrame
        Columns as `drift.limits.charts.mark` takes them, with ``meter_id performed_on unit``.
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
            unit=unit, value=pl.col("mark") * pl.when(psi).then(_KPA_PER_PSI).otherwise(1.0)
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


def mark_charts(placed: pl.DataFrame, points: pl.DataFrame, limits: pl.DataFrame) -> pl.DataFrame:
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
