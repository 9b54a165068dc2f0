"""This module says which visits answer for a meter, looking back and looking forward.

A *calibration* looks back where it was read as found at zero and at as many span points as the
meter is kept at: it counts as passed or failed.  It looks forward where what the meter was left
with was read at these points and passes: it moves the due date.  A visit that read less still
informs a forecast and can condemn the meter; it never acquits it.

Which points a meter is kept at is the laboratory's choice, else what it does: the points of at
least half of the meter's last eight visits, span points nearer than 2 % air being one (vessels of
4.9 and 6.1 % in turn).  The first visit sets its own.  Both numbers are ours, no source.
"""

from dataclasses import dataclass

import polars as pl

from drift.meter.tolerance import within_tolerance

BOTH, LOOKS_BACK, LOOKS_FORWARD, NEITHER = "both", "looks_back", "looks_forward", "neither"

_LAST_VISITS = 8
_NEAR_PCT = 2.0
_SAME = 1e-9
_VISIT = ["meter_id", "visit_id"]


@dataclass(frozen=True, slots=True)
class CalibrationRule:
    """What a laboratory chose about calibrations; the defaults are those of its policy.

    Attributes
    ----------
    required_points_pct : tuple of float
        Points that a calibration reads, % air; empty for those that each meter is kept at.
    tolerance_pct, comparison
        As of `drift.meter.tolerance.within_tolerance`.
    """

    required_points_pct: tuple[float, ...] = ()
    tolerance_pct: float = 0.1
    comparison: str = "absolute"


AS_IT_IS_KEPT = CalibrationRule()


def looks_back(column: str = "calibration") -> pl.Expr:
    """Return whether a visit looks back."""
    return pl.col(column).is_in([BOTH, LOOKS_BACK])


def looks_forward(column: str = "calibration") -> pl.Expr:
    """Return whether a visit looks forward."""
    return pl.col(column).is_in([BOTH, LOOKS_FORWARD])


def with_calibrations(rows: pl.DataFrame, rule: CalibrationRule) -> pl.DataFrame:
    """Add to rows of a ledger what their visit is as a calibration.

    Parameters
    ----------
    rows : pl.DataFrame
        One row per meter, visit and point: ``meter_id visit_id performed_on point_pct adjusted
        as_found_bias_pct as_left_bias_pct``, % air.
    rule : CalibrationRule

    Returns
    -------
    pl.DataFrame
        The rows in their order with ``calibration`` (``both``, ``looks_back``, ``looks_forward``,
        ``neither``) and ``points_missing``: the points that it lacks and at which stage, in
        words; null where it lacks none.
    """
    read = rows.with_columns(
        left=pl.coalesce("as_left_bias_pct", pl.when(~pl.col("adjusted")).then("as_found_bias_pct"))
    )
    stands = within_tolerance(
        pl.coalesce("left", "as_found_bias_pct"),
        tolerance=rule.tolerance_pct,
        comparison=rule.comparison,
    )
    passes = read.group_by(_VISIT).agg(passes=stands.fill_null(value=True).all())
    judged = _judged(kept_points(read, rule)).join(passes, on=_VISIT, how="left")
    back, forward = pl.col("found_all"), pl.col("left_all") & pl.col("passes")
    named = judged.select(
        *_VISIT,
        calibration=pl.when(back & forward)
        .then(pl.lit(BOTH))
        .when(back)
        .then(pl.lit(LOOKS_BACK))
        .when(forward)
        .then(pl.lit(LOOKS_FORWARD))
        .otherwise(pl.lit(NEITHER)),
        points_missing=_missing_words(),
    )
    return rows.join(named, on=_VISIT, how="left", maintain_order="left")


def kept_points(rows: pl.DataFrame, rule: CalibrationRule) -> pl.DataFrame:
    """Return every visit with every point that its meter was ever kept at.

    Parameters
    ----------
    rows : pl.DataFrame
        As for `with_calibrations`; ``left`` (what the meter was left with) where it is known.
    rule : CalibrationRule

    Returns
    -------
    pl.DataFrame
        ``meter_id visit_id performed_on kept_pct found left required``, by meter, kept_pct and
        time: whether the visit read the point as found and as left, and whether it had to.
    """
    left = pl.col("left") if "left" in rows.columns else pl.col("as_left_bias_pct")
    visits = (
        rows.group_by(_VISIT)
        .agg(pl.col("performed_on").min())
        .sort("meter_id", "performed_on", "visit_id")
        .with_columns(before=pl.int_range(pl.len()).over("meter_id"))
    )
    points = rows.select("meter_id", "point_pct").unique()
    near = _as_required(points, rule) if rule.required_points_pct else _as_kept(points)
    read = (
        rows.select(
            *_VISIT,
            "point_pct",
            found=pl.col("as_found_bias_pct").is_not_null(),
            left=left.is_not_null(),
        )
        .join(near, on=["meter_id", "point_pct"])
        .group_by(*_VISIT, "kept_pct")
        .agg(pl.col("found").any(), pl.col("left").any())
    )
    wanted = (
        visits.select("meter_id")
        .unique()
        .join(pl.DataFrame({"kept_pct": rule.required_points_pct}), how="cross")
        if rule.required_points_pct
        else near.select("meter_id", "kept_pct").unique()
    )
    grid = (
        visits.join(wanted, on="meter_id")
        .join(read, on=[*_VISIT, "kept_pct"], how="left")
        .with_columns(pl.col("found", "left").fill_null(value=False))
        .sort("meter_id", "kept_pct", "before")
    )
    seen = (pl.col("found") | pl.col("left")).cast(pl.Int64)
    lately = (
        seen.shift(1)
        .rolling_sum(window_size=_LAST_VISITS, min_samples=1)
        .over("meter_id", "kept_pct")
    )
    usual = 2 * lately >= pl.min_horizontal("before", pl.lit(_LAST_VISITS))
    required = pl.when(pl.col("before") == 0).then(seen > 0).otherwise(usual)
    return grid.with_columns(
        required=pl.lit(value=True) if rule.required_points_pct else required
    ).drop("before")


def points_given_up(grid: pl.DataFrame) -> pl.DataFrame:
    """Return the points that meters were kept at and are no longer.

    Parameters
    ----------
    grid : pl.DataFrame
        Of `kept_points`.

    Returns
    -------
    pl.DataFrame
        ``meter_id kept_pct last_read_on since_on``: since_on is the first visit that no longer
        had to read it.
    """
    read = pl.col("found") | pl.col("left")
    needed_last = pl.col("performed_on").filter("required").max()
    return (
        grid.group_by("meter_id", "kept_pct", maintain_order=True)
        .agg(
            last_read_on=pl.col("performed_on").filter(read).max(),
            since_on=pl.col("performed_on").filter(pl.col("performed_on") > needed_last).min(),
            was=pl.col("required").any(),
            still=pl.col("required").last(),
        )
        .filter(pl.col("was") & ~pl.col("still"))
        .drop("was", "still")
    )


def _as_kept(points: pl.DataFrame) -> pl.DataFrame:
    """Return with every point of a meter the lowest of those that count as one with it."""
    listed = points.group_by("meter_id").agg(pl.col("point_pct").sort())
    groups = {tuple(group): _grouped(group) for group in listed["point_pct"].unique().to_list()}
    kept = pl.Series(
        [groups[tuple(group)] for group in listed["point_pct"].to_list()],
        dtype=pl.List(pl.Float64),
    )
    return listed.with_columns(kept_pct=kept).explode("point_pct", "kept_pct")


def _grouped(points: list[float]) -> list[float]:
    """Return with each of ascending points the lowest of its group; zero is its own."""
    lowest: list[float] = []
    for at in points:
        joins = bool(lowest) and lowest[-1] > 0 and at - lowest[-1] < _NEAR_PCT - _SAME
        lowest.append(lowest[-1] if joins else at)
    return lowest


def _as_required(points: pl.DataFrame, rule: CalibrationRule) -> pl.DataFrame:
    """Return with every point of a meter each required one that it stands for."""
    wanted = pl.DataFrame({"kept_pct": rule.required_points_pct}, schema={"kept_pct": pl.Float64})
    at, kept = pl.col("point_pct"), pl.col("kept_pct")
    span = (at > 0) & (kept > 0) & ((at - kept).abs() < _NEAR_PCT - _SAME)
    return points.join(wanted, how="cross").filter(span | (at == kept))


def _judged(grid: pl.DataFrame) -> pl.DataFrame:
    """Return per visit whether enough was read at each stage, and what lacks."""
    zero, span = pl.col("kept_pct") == 0, pl.col("kept_pct") > 0
    needed = (span & pl.col("required")).sum()

    def enough(stage: str) -> pl.Expr:
        at_zero = (pl.col(stage) | ~(zero & pl.col("required"))).all()
        return at_zero & ((span & pl.col(stage)).sum() >= needed)

    def lacking(stage: str) -> pl.Expr:
        missing = pl.col("kept_pct").filter(pl.col("required") & ~pl.col(stage))
        named = missing.round(2).cast(pl.String).str.strip_suffix(".0").str.join(", ")
        return pl.when(~enough(stage)).then(named)

    return grid.group_by(_VISIT, maintain_order=True).agg(
        found_all=enough("found"),
        left_all=enough("left"),
        found_lacks=lacking("found"),
        left_lacks=lacking("left"),
    )


def _missing_words() -> pl.Expr:
    """Name the points that a visit lacks, and the stage where it lacks them at one alone."""
    found, left = pl.col("found_lacks"), pl.col("left_lacks")
    return (
        pl.when(found == left)
        .then(found)
        .otherwise(
            pl.concat_str(
                pl.when(found.is_not_null()).then(pl.format("as found {}", found)),
                pl.when(left.is_not_null()).then(pl.format("as left {}", left)),
                separator="; ",
                ignore_nulls=True,
            )
        )
        .replace("", None)
    )
