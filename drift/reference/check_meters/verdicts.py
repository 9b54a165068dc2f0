"""This module asks check meters and artefacts whether the vessel moved or the fleet."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl
from scipy.special import gammaln, stdtrit

from drift.arrays import Floats
from drift.frames import Schema
from drift.reference.check_meters.fitting import Estimate, OwnMotion, estimate, rounding_variance
from drift.reference.check_meters.placing import OF_ITSELF, OF_VESSEL
from drift.reference.check_meters.shifts import FLEET_DRIFT, Shift

VESSEL, FLEET, CANNOT_TELL = "vessel", "meters", "cannot_say"
# Why nothing is said.
NOBODY, ONLY_DRIFTING = "no_check_meter", "only_drifting_ones"
ADJUSTED_BETWEEN, ONE_SIDE = "adjusted_in_between", "not_read_on_both_sides"
OTHERWISE, NOT_SURE = "moved_otherwise", "not_sure_enough"
CHANGED = "changed_without_record"
# A verdict is given from this probability on (common practice, no source).
SURE = 0.95
# A change so unlikely under both is neither.
_NEITHER = 0.999
# Odds beyond these say more than two normal tails do.
_MOST_LOG_ODDS = float(np.log(1e4))

# One row per shift that all meters showed: `data/reference_verdicts.csv`.  change_pct is what the
# witness showed over the same dates (% air at 5 % air, of a drift a year), the surest one's where
# there are several.  likelihood_ratio: how many times likelier it is where the vessel moved than
# where the meters did; p_vessel from even odds.  sigma_pct: scatter of a session of a check meter,
# there or to be expected; an EWMA chart of one read in every session shows a shift of that size
# within sessions_half in half of all cases, within sessions_ninety in nine of ten; sessions_sure
# after it let half of the verdicts reach 95 %.  changed_on: day from which the witness is off
# without a record, so that the verdict rests on what it showed before.
REFERENCE_VERDICTS: Schema = {
    "kind": pl.String,
    "name": pl.String,
    "from_on": pl.Date,
    "to_on": pl.Date,
    "effect_pct": pl.Float64,
    "effect_error_pct": pl.Float64,
    "witness": pl.String,
    "witnesses": pl.Int64,
    "change_pct": pl.Float64,
    "change_error_pct": pl.Float64,
    "likelihood_ratio": pl.Float64,
    "p_vessel": pl.Float64,
    "verdict": pl.String,
    "why": pl.String,
    "changed_on": pl.Date,
    "sigma_pct": pl.Float64,
    "sessions_half": pl.Float64,
    "sessions_ninety": pl.Float64,
    "sessions_sure": pl.Float64,
    "sentence": pl.String,
    "plan": pl.String,
}


@dataclass(frozen=True, slots=True)
class Testimony:
    """What one witness says of a shift.

    Attributes
    ----------
    witness : str
    change, error : float
        Over the dates of the shift.
    log_odds : float
        Of the vessel against the meters; 0 where it says nothing.
    why : str
        Empty where it counts.
    """

    witness: str
    change: float
    error: float
    log_odds: float
    why: str


def hear_witnesses(
    rows: pl.DataFrame, shift: Shift, *, others: Sequence[Shift], motion: OwnMotion
) -> list[Testimony]:
    """Ask every witness of one shift.

    Parameters
    ----------
    rows : pl.DataFrame
        Frame of `drift.reference.check_meters.placing.WITNESS_ROWS`, of those that hold.
    shift : Shift
    others : sequence of Shift
        Those that are taken out beside it.
    motion : OwnMotion

    Notes
    -----
    The vessel moved: a check meter moves with the fleet, an artefact that the fleet reads does not;
    the meters moved: the other way round.  The likelihoods are Student's t densities of the change
    by the degrees of freedom of its scatter, the error of the fleet's own estimate and of rounding
    added to the scale (a Bayes factor of two simple hypotheses; Kass and Raftery 1995, J. Am. Stat.
    Assoc. 90, 773–795).  A change that neither explains (0.1 %) counts for nothing and is told.
    """
    return [
        _testimony(part, shift, others, motion)
        for part in rows.partition_by("witness", "follows", maintain_order=True)
        if part["follows"][0] != OF_ITSELF
    ]


def _testimony(
    part: pl.DataFrame, shift: Shift, others: Sequence[Shift], motion: OwnMotion
) -> Testimony:
    """Ask one witness."""
    name, follows = part["witness"][0], part["follows"][0]
    column = shift.column(part)
    told = part.filter(pl.Series(~np.isnan(column)))
    column = column[~np.isnan(column)]
    if shift.kind != FLEET_DRIFT and len(np.unique(column)) < 2:
        return Testimony(name, np.nan, np.nan, 0.0, ONE_SIDE)
    columns = [np.nan_to_num(one.column(told)) for one in others if one is not shift]
    beside = np.column_stack(columns) if columns else np.empty((len(told), 0))
    change = estimate(told, column, beside=beside, motion=motion)
    if change is None:
        both = _series_on_both_sides(told, column)
        return Testimony(name, np.nan, np.nan, 0.0, ONE_SIDE if both else ADJUSTED_BETWEEN)
    error = _whole_error(change, told, column, drift=shift.kind == FLEET_DRIFT)
    with_it, without = (shift.effect, 0.0) if follows == OF_VESSEL else (0.0, shift.effect)
    scales = [
        float(np.hypot(error, shift.error if expected else 0.0)) for expected in (with_it, without)
    ]
    away = [
        (change.value - expected) / scale
        for expected, scale in zip((with_it, without), scales, strict=True)
    ]
    if min(map(abs, away)) > float(stdtrit(change.freedom, 0.5 + _NEITHER / 2)):
        return Testimony(name, change.value, error, 0.0, OTHERWISE)
    log_odds = _log_density(away[0], scales[0], change.freedom) - _log_density(
        away[1], scales[1], change.freedom
    )
    return Testimony(name, change.value, error, log_odds, "")


def _series_on_both_sides(rows: pl.DataFrame, column: Floats) -> int:
    """Return how many series were read on both sides of a shift."""
    sides = (
        rows.select("series", side=pl.Series(column))
        .group_by("series")
        .agg(pl.col("side").n_unique())
    )
    return sides.filter(pl.col("side") > 1).height


def _whole_error(change: Estimate, rows: pl.DataFrame, column: Floats, *, drift: bool) -> float:
    """Return the error of a change with that of rounding, which no repetition takes away."""
    steps = rows["step_pct"].drop_nulls()
    if steps.is_empty():
        return change.error
    variance = rounding_variance(float(steps.max()), change.scatter)  # type: ignore[arg-type]
    if drift:
        # Of a level that moves through the steps, rounding is scatter.
        span = float(np.ptp(column)) or 1.0
        return float(np.hypot(change.error, np.sqrt(variance) / span))
    both = max(_series_on_both_sides(rows, column), 1)
    return float(np.sqrt(change.error**2 + 2 * variance / both))


def _log_density(away: float, scale: float, freedom: int) -> float:
    """Return the log density of Student's t at so many scales from its middle."""
    half = (freedom + 1) / 2
    return float(
        gammaln(half)
        - gammaln(freedom / 2)
        - 0.5 * np.log(freedom * np.pi)
        - np.log(scale)
        - half * np.log1p(away**2 / freedom)
    )


def told_of_change(
    told: Sequence[Testimony], shift: Shift, changed: dict[str, date]
) -> list[Testimony]:
    """Return testimonies of which those that an unrecorded change silences say so.

    Parameters
    ----------
    told : sequence of Testimony
    shift : Shift
    changed : dict of str to date
        First day after an unrecorded change of each witness that changed.
    """
    unread = (ONE_SIDE, ADJUSTED_BETWEEN)
    return [
        replace(one, why=CHANGED)
        if one.why in unread and changed.get(one.witness, date.max) <= shift.to_on
        else one
        for one in told
    ]


def verdict_row(shift: Shift, told: Sequence[Testimony], *, drifting: bool) -> dict[str, object]:
    """Put the testimonies on one shift together.

    Parameters
    ----------
    shift : Shift
    told : sequence of Testimony
    drifting : bool
        Whether some check meter was not asked because it drifts or was read too seldom.
    """
    counted = [one for one in told if not one.why]
    surest = min(counted or told, key=lambda one: _size(one.error), default=None)
    row: dict[str, object] = {
        "kind": shift.kind,
        "name": shift.name,
        "from_on": shift.from_on,
        "to_on": shift.to_on,
        "effect_pct": shift.effect,
        "effect_error_pct": shift.error,
        "witness": None if surest is None else surest.witness,
        "witnesses": len(counted),
        "verdict": CANNOT_TELL,
        "why": (ONLY_DRIFTING if drifting else NOBODY) if surest is None else surest.why,
    }
    if surest is not None and np.isfinite(surest.change):
        row |= {"change_pct": surest.change, "change_error_pct": surest.error}
    if not counted:
        return row
    whole = float(np.clip(sum(one.log_odds for one in counted), -_MOST_LOG_ODDS, _MOST_LOG_ODDS))
    p_vessel = float(1 / (1 + np.exp(-whole)))
    verdict = VESSEL if p_vessel >= SURE else FLEET if p_vessel <= 1 - SURE else CANNOT_TELL
    return row | {
        "likelihood_ratio": float(np.exp(whole)),
        "p_vessel": p_vessel,
        "verdict": verdict,
        "why": NOT_SURE if verdict == CANNOT_TELL else "",
    }


def _size(error: float) -> float:
    """Return an error to sort by, one that is not known last."""
    return error if np.isfinite(error) else np.inf
