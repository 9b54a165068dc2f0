"""This module says what moved every meter alike, and takes it out of their readings.

It ties together the design, the fit, the levels and the dating of `crossed_design` and its kin; it
decides nothing about a single meter.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from drift.arrays import Floats
from drift.frames import Schema
from drift.meter.dial import STATED_AT_PCT
from drift.reference.crossed_dates import date_rows
from drift.reference.crossed_design import NOT_RECORDED, Design
from drift.reference.crossed_effects import (
    REFERENCE,
    EffectValues,
    Levels,
    change_rows,
    contrast_row,
    is_estimable,
    level_rows,
)
from drift.reference.crossed_fit import CrossedFit
from drift.reference.vessel_shifts import find_steps
from drift.trend.false_discovery import discovery_q

# Effects are taken out to so many places, % air: beyond lies the rounding of sums.
_PLACES = 9

EFFECT_KINDS = (
    "vessel",
    "vessel_change",
    "vessel_step",
    "shared_step",
    "operator",
    "season",
    "water_temperature",
    "fleet_drift",
)


@dataclass(frozen=True, slots=True)
class SharedEffects:
    """Everything that a fleet's meters share.

    Attributes
    ----------
    frame : pl.DataFrame
        Frame of `drift.reference.crossed_effects.REFERENCE`, in the order of `EFFECT_KINDS`, then
        by name.  q controls the false discovery rate within a kind.
    levels : Levels
        The solution behind it, shifts found included.
    steps : list of rows
        The shifts found within calibration periods.
    """

    frame: pl.DataFrame
    levels: Levels
    steps: list[EffectValues]


def find_shared_effects(
    fit: CrossedFit, *, level: float = 0.95, rate: float = 0.05
) -> SharedEffects:
    """Find everything that a fleet's meters share.

    Parameters
    ----------
    fit : CommonFit
    level : float
        Coverage of the intervals.
    rate : float
        False discovery rate up to which a shift within a calibration period counts as found; the
        other effects are then estimated beside it.
    """
    found, others, levels = find_steps(fit, level=level, rate=rate)
    rows = [
        *level_rows(fit, levels, level=level),
        *change_rows(fit, levels, level=level),
        *found,
        *others,
        *date_rows(fit, levels, level=level),
    ]
    frame = pl.DataFrame(
        [{name: row.get(name) for name in REFERENCE} for row in rows], schema=REFERENCE
    )
    parts = []
    for kind in EFFECT_KINDS:
        part = frame.filter(pl.col("kind") == kind).sort("name", "from_on")
        q = discovery_q(part["p"].fill_null(np.nan).to_numpy())
        parts.append(part.with_columns(q=pl.Series(q, dtype=pl.Float64).fill_nan(None)))
    return SharedEffects(frame=pl.concat(parts), levels=levels, steps=found)


def without_common(sessions: pl.DataFrame, causes: SharedEffects, *, rate: float) -> pl.DataFrame:
    """Take the common effects that were found out of every session.

    Parameters
    ----------
    sessions : pl.DataFrame
        Frame of `drift.store.tables.SESSIONS`.
    causes : CommonCauses
        Found in the ledger of the same sessions.
    rate : float
        False discovery rate up to which an effect is taken out.

    Returns
    -------
    pl.DataFrame
        `sessions` with bias_pct and biases_pct less the effect, and the further column common_pct,
        what was taken out, % air.

    Notes
    -----
    Vessels are brought to the calibration period that was used most, a shift within a period to
    the state before it, operators to their mean.  The effect of a vessel is proportional to the
    air content; that of an operator was seen above 0 % air only and is left alone at 0 %.
    """
    vessel = _vessel_offsets(causes.levels, causes.steps, rate=rate)
    operator = causes.frame.filter((pl.col("kind") == "operator") & (pl.col("q") <= rate)).select(
        operator="name", by_operator="effect_pct"
    )
    if operator.is_empty() and not (vessel["by_vessel"] != 0).any():
        return sessions.with_columns(common_pct=pl.lit(0.0))
    share = pl.col("correct_air_pct") / STATED_AT_PCT
    rows = (
        sessions.with_row_index("_row")
        .with_columns(_vessel=pl.col("vessel_id").fill_null(NOT_RECORDED))
        .sort("performed_on")
        .join_asof(
            vessel.rename({"vessel_id": "_vessel"}).sort("used_from"),
            left_on="performed_on",
            right_on="used_from",
            by="_vessel",
            strategy="backward",
            check_sortedness=False,
        )
        .join(operator, on="operator", how="left")
        .sort("_row")
        .with_columns(
            common_pct=pl.when(pl.col("point_pct") > 0)
            .then(pl.col("by_vessel").fill_null(0.0) * share + pl.col("by_operator").fill_null(0.0))
            .otherwise(0.0)
            .round(_PLACES)
        )
        .drop("_row", "_vessel", "used_from", "by_vessel", "by_operator")
    )
    lists = rows.select(pl.col("biases_pct").list.len().max().fill_null(0)).item()
    less = [
        pl.col("biases_pct").list.get(k, null_on_oob=True) - pl.col("common_pct")
        for k in range(lists)
    ]
    return rows.with_columns(
        bias_pct=pl.col("bias_pct") - pl.col("common_pct"),
        biases_pct=pl.concat_list(less).list.drop_nulls() if less else pl.col("biases_pct"),
    )


def _vessel_offsets(levels: Levels, steps: list[EffectValues], *, rate: float) -> pl.DataFrame:
    """Return per vessel from which day on how much is taken out, % air at 5 % air."""
    vessels = levels.frame.filter(pl.col("kind") == "vessel")
    most_used = vessels["visits"].arg_max() or 0
    effect = np.zeros(vessels.height)
    p = np.full(vessels.height, np.nan)
    for index in range(vessels.height):
        contrast = np.zeros(len(levels.estimates))
        contrast[index] += 1
        contrast[most_used] -= 1
        if index != most_used and is_estimable(levels, contrast):
            row = contrast_row(levels, contrast, level=0.95)
            effect[index] = row["effect_pct"]  # type: ignore[call-overload]  # a float here
            p[index] = row["p"]
    taken = np.where(discovery_q(p) <= rate, effect, 0.0)
    starts = vessels.select(
        "vessel_id",
        "name",
        used_from=pl.coalesce("calibrated_on", "from_on"),
        by_vessel=pl.Series(taken, dtype=pl.Float64),
    )
    after = pl.DataFrame(
        steps, schema={"of": pl.String, "at_on": pl.Date, "effect_pct": pl.Float64}
    ).join(starts, left_on="of", right_on="name")
    shifted = after.sort("of", "at_on").select(
        "vessel_id",
        used_from="at_on",
        by_vessel=pl.col("by_vessel") + pl.col("effect_pct").cum_sum().over("of"),
    )
    return pl.concat([starts.drop("name"), shifted])


# One row per sitting; meanings as in `drift.meter.causes.CAUSE_READINGS`, and operator_pct, what
# the operator reads too high above 0 % air, 0 where none was found to differ.
COMMON_EVIDENCE: Schema = {
    "meter_id": pl.String,
    "segment": pl.Int64,
    "performed_on": pl.Date,
    "common_pct": pl.Float64,
    "common_error_pct": pl.Float64,
    "common_base_pct": pl.Float64,
    "operator_pct": pl.Float64,
}


def common_evidence(
    fit: CrossedFit,
    causes: SharedEffects,
    *,
    rate: float = 0.05,
    sittings: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Return what vessel and operator of each sitting do to every meter, to weigh causes by.

    Parameters
    ----------
    fit : CommonFit
    causes : CommonCauses
        Found in `fit`.
    rate : float
        False discovery rate up to which an operator counts as found to differ.
    sittings : pl.DataFrame or None
        Of `drift.reference.crossed_design.sittings`, of the meters that are asked for; None for
        those that were fitted.

    Returns
    -------
    pl.DataFrame
        Frame of `COMMON_EVIDENCE`, sorted.  Sittings of which nothing can be said are left out.

    Notes
    -----
    An adjustment takes out whatever the vessel of its day did, so that in later segments only a
    change since the segment's first sitting matters and the base is 0.  In a meter's first segment
    nobody has done so: vessels are compared with the mean of those that can be, weighted by
    visits, and the base is their spread about it; it is null where there is only one.
    """
    rows = fit.design.rows if sittings is None else _in_bins(sittings, fit.design)
    states, rows = _states(fit, causes, rows)
    levels, count = causes.levels, len(causes.levels.estimates)
    bases, spreads = _bases(levels)
    unit = np.eye(count)
    pairs = rows.select("state", "against", "first_segment", "base_level").unique()
    found: list[EffectValues] = []
    for state, against, first_segment, level in pairs.iter_rows():
        start = bases[level] if first_segment else states[against]
        if start is None:
            start = unit[level]
        contrast = states[state] - start
        if not is_estimable(levels, contrast):
            continue
        variance = float(contrast @ levels.covariance @ contrast)
        found.append(
            {
                "state": state,
                "against": against,
                "first_segment": first_segment,
                "base_level": level,
                "common_pct": float(contrast @ levels.estimates),
                "common_error_pct": float(np.sqrt(max(variance, 0.0))),
                "common_base_pct": spreads[level] if first_segment else 0.0,
            }
        )
    if not found:
        return pl.DataFrame(schema=COMMON_EVIDENCE)
    kept = ("common_pct", "common_error_pct", "common_base_pct")
    effects = pl.DataFrame(found, schema=dict(pairs.schema) | dict.fromkeys(kept, pl.Float64))
    people = causes.frame.filter((pl.col("kind") == "operator") & (pl.col("q") <= rate)).select(
        operator="name", operator_pct="effect_pct"
    )
    return (
        rows.join(effects, on=pairs.columns)
        .join(people, on="operator", how="left")
        .with_columns(pl.col("operator_pct").fill_null(0.0))
        .sort("meter_id", "segment", "performed_on", "t_years")
        .unique(["meter_id", "segment", "performed_on"], keep="first", maintain_order=True)
        .select(COMMON_EVIDENCE.keys())
    )


def _in_bins(rows: pl.DataFrame, design: Design) -> pl.DataFrame:
    """Return rows of `sittings` with the ``bin`` of a design that each lies in.

    A day between two bins of a vessel's period, or beyond them, belongs to the nearer one before,
    else to the first; what was read with a vessel or in a period that the design has not is left
    out.
    """
    period = ["vessel_id", "calibrated_on"]
    bins = design.bins.sort("first_on").select(*period, "bin", begun="first_on")
    first = bins.group_by(period).agg(first_bin=pl.col("bin").first())
    keyed = bins.with_columns(_period=pl.struct(period).rank("dense")).sort("begun")
    periods = keyed.select(*period, "_period").unique()
    return (
        rows.with_columns(pl.col("vessel_id").fill_null(NOT_RECORDED))
        .with_row_index("_row")
        .join(periods, on=period, nulls_equal=True)
        .join(first, on=period, nulls_equal=True)
        .sort("performed_on")
        .join_asof(
            keyed.select("_period", "bin", "begun"),
            left_on="performed_on",
            right_on="begun",
            by="_period",
            check_sortedness=False,
        )
        .with_columns(pl.coalesce("bin", "first_bin"))
        .sort("_row")
        .drop("_row", "_period", "first_bin", "begun")
    )


def _states(
    fit: CrossedFit, causes: SharedEffects, rows: pl.DataFrame
) -> tuple[Floats, pl.DataFrame]:
    """Return the states that vessels were in, (states, k) columns of levels, and each row's."""
    levels = causes.levels
    period = ["vessel_id", "calibrated_on"]
    vessels = levels.frame.filter(pl.col("kind") == "vessel").with_row_index("base_level")
    rows = rows.join(
        vessels.select(*period, pl.col("base_level").cast(pl.Int64)),
        on=period,
        how="left",
        nulls_equal=True,
    ).sort("meter_id", "segment", "t_years", "block", maintain_order=True)
    bins = fit.design.bins.height
    # Every bin of a vessel is in one state: its period, and the shifts that came before it.
    seen = levels.into[:bins]
    of_vessel = [
        index
        for index, kind in enumerate(levels.frame["kind"])
        if kind.startswith("vessel") or kind == "shared_step"
    ]
    of_bins = np.zeros_like(seen)
    of_bins[:, of_vessel] = seen[:, of_vessel]
    rows = rows.with_columns(state=pl.col("bin")).with_columns(
        against=pl.col("state").first().over("meter_id", "segment"),
        base_level=pl.col("base_level").first().over("meter_id", "segment"),
        first_segment=pl.col("segment") == 1,
    )
    return of_bins, rows


def _bases(levels: Levels) -> tuple[list[Floats | None], list[float | None]]:
    """Return for each vessel level the mean of those it can be compared with, and their spread."""
    unit = np.eye(len(levels.estimates))
    vessels = levels.frame.filter(pl.col("kind") == "vessel")
    visits = vessels["visits"].to_numpy().astype(np.float64)
    means: list[Floats | None] = []
    spreads: list[float | None] = []
    for i in range(vessels.height):
        alike = [
            j for j in range(vessels.height) if j == i or is_estimable(levels, unit[i] - unit[j])
        ]
        if len(alike) < 2:
            means.append(None)
            spreads.append(None)
            continue
        weight = visits[alike] / visits[alike].sum()
        effect = levels.estimates[alike]
        means.append(weight @ unit[alike])
        spreads.append(float(np.sqrt(weight @ (effect - weight @ effect) ** 2)))
    return means, spreads
