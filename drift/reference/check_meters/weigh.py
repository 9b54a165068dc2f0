"""This module asks check meters and artefacts of what all meters showed, and plans for the next."""

from dataclasses import dataclass, field
from functools import partial

import numpy as np
import polars as pl

from drift.frames import DAYS_PER_YEAR
from drift.reference.check_meters.fitting import OwnMotion
from drift.reference.check_meters.placing import place_witnesses
from drift.reference.check_meters.planner import (
    ChartOfSessions,
    sessions_to_be_sure,
    sessions_to_show,
)
from drift.reference.check_meters.shifts import FLEET_DRIFT, Shift, shifts_found
from drift.reference.check_meters.steadiness import CHECK_METERS, STEADY, steadiness
from drift.reference.check_meters.unrecorded import fleet_steps, trusted_rows, without_jumps
from drift.reference.check_meters.verdicts import (
    REFERENCE_VERDICTS,
    hear_witnesses,
    told_of_change,
    verdict_row,
)
from drift.reference.check_meters.words import (
    plan_of_shift,
    said_of_outlook,
    said_of_shift,
    said_of_witness,
)
from drift.reference.choices import CheckMeterChoices
from drift.reference.crossed_fit import CrossedFit
from drift.reference.shared_effects import SharedEffects

# Sessions in a year where no check meter says it: one a month.
_A_YEAR = 12.0


@dataclass(frozen=True, slots=True)
class CheckMeters:
    """What check meters and artefacts say.

    Attributes
    ----------
    held : pl.DataFrame
        Frame of `drift.reference.check_meters.steadiness.CHECK_METERS`.
    verdicts : pl.DataFrame
        Frame of `drift.reference.check_meters.verdicts.REFERENCE_VERDICTS`, by date.
    outlook : str
        What a check meter would show of a shift of half the tolerance; empty where not known.
    """

    held: pl.DataFrame = field(default_factory=partial(pl.DataFrame, schema=CHECK_METERS))
    verdicts: pl.DataFrame = field(default_factory=partial(pl.DataFrame, schema=REFERENCE_VERDICTS))
    outlook: str = ""


def weigh_check_meters(
    ledger: pl.DataFrame,
    tables: dict[str, pl.DataFrame],
    *,
    shared: tuple[CrossedFit | None, SharedEffects | None],
    choices: CheckMeterChoices,
) -> CheckMeters:
    """Say whether check meters hold, and for each shift whether the vessel or the fleet moved.

    Parameters
    ----------
    ledger, tables
        As for `drift.reference.check_meters.placing.place_witnesses`.
    shared : (CrossedFit or None, SharedEffects or None)
        What meters share, found without check meters; None where nothing could be.
    choices : CheckMeterChoices
    """
    witnesses, (fit, found) = place_witnesses(ledger, tables), shared
    motion = _own_motion(fit, choices)
    shifts = _shifts(fit, found, choices)
    rows, jumps = without_jumps(witnesses, shifts, motion, fleet=fleet_steps(fit, found))
    held = steadiness(rows, witnesses, jumps=jumps, shifts=shifts, motion=motion)
    holding = held.filter(pl.col("finding") == STEADY)["witness"]
    trusted = trusted_rows(rows, jumps, witnesses.adjusted)
    asked = trusted.filter(pl.col("witness").is_in(holding.implode()))
    changed = dict(held.select("witness", "silent_from").drop_nulls().iter_rows())
    plans = _plans(held, fit, choices)
    told = []
    for shift in shifts:
        heard = hear_witnesses(asked, shift, others=shifts, motion=motion)
        row = verdict_row(
            shift,
            told_of_change(heard, shift, changed),
            drifting=held.height > len(holding),
        )
        row["changed_on"] = changed.get(str(row["witness"]))
        told.append({**row, **_planned(shift, plans)})
    verdicts = pl.DataFrame(
        [{name: row.get(name) for name in REFERENCE_VERDICTS} for row in told],
        schema=REFERENCE_VERDICTS,
    )
    own = _has_own_scatter(held)
    return CheckMeters(
        held=held.with_columns(
            sentence=pl.Series(map(said_of_witness, held.iter_rows(named=True)), dtype=pl.String)
        ),
        verdicts=verdicts.with_columns(
            sentence=pl.Series(map(said_of_shift, verdicts.iter_rows(named=True)), dtype=pl.String),
            plan=pl.Series(
                [plan_of_shift(row, steady=own) for row in verdicts.iter_rows(named=True)],
                dtype=pl.String,
            ),
        ),
        outlook=_outlook(plans, choices),
    )


def _outlook(plans: tuple[float, ChartOfSessions] | None, choices: CheckMeterChoices) -> str:
    """Say what a check meter would show of a shift of half the tolerance."""
    if plans is None:
        return ""
    size = choices.tolerance_pct / 2
    return said_of_outlook(size, plans[0], sessions_to_show(size, *plans, is_drift=False))


def _own_motion(fit: CrossedFit | None, choices: CheckMeterChoices) -> OwnMotion:
    """Return how the levels of meters move, by the fleet; what drifts negligibly is allowed."""
    if fit is None or fit.noise_sd <= 0:
        return OwnMotion(0.0, 0.0)
    drift = max(fit.drift_sd, choices.negligible_drift_pct_per_year)
    return OwnMotion((fit.wander_sd / fit.noise_sd) ** 2, (drift / fit.noise_sd) ** 2)


def _shifts(
    fit: CrossedFit | None, found: SharedEffects | None, choices: CheckMeterChoices
) -> list[Shift]:
    """Return the shifts that were found in the fleet."""
    if fit is None or found is None:
        return []
    periods = found.levels.frame.filter(pl.col("kind") == "vessel")
    # A drift of all is that of the mean of a sitting's points.
    per_sitting = pl.when(pl.col("kind") == FLEET_DRIFT).then(1 / float(np.median(fit.design.air)))
    sized = pl.col("effect_pct", "low", "high") * per_sitting.otherwise(1.0)
    return shifts_found(
        found.frame.with_columns(sized),
        dict(periods.select("name", "vessel_id").iter_rows()),
        rate=choices.false_discovery_rate,
        tolerance_pct=choices.tolerance_pct,
        negligible=choices.negligible_drift_pct_per_year,
    )


def _has_own_scatter(held: pl.DataFrame) -> bool:
    """Say whether a check meter that holds shows its own scatter."""
    return held.filter((pl.col("finding") == STEADY) & (pl.col("sigma_pct") > 0)).height > 0


def _plans(
    held: pl.DataFrame, fit: CrossedFit | None, choices: CheckMeterChoices
) -> tuple[float, ChartOfSessions] | None:
    """Return the scatter of a session of a check meter, and its chart; None where not known."""
    steady = held.filter((pl.col("finding") == STEADY) & (pl.col("sigma_pct") > 0)).sort(
        "sigma_pct"
    )
    a_year = _A_YEAR
    if not steady.is_empty():
        best = steady.row(0, named=True)
        sigma = best["sigma_pct"]
        days = (best["last_on"] - best["first_on"]).days
        a_year = max((best["sessions"] - 1) / max(days, 1) * DAYS_PER_YEAR, 1.0)
    elif fit is not None:
        # Of a meter of the fleet, its points brought to 5 % air.
        sigma = fit.noise_sd / float(np.median(fit.design.air))
    else:
        return None
    chart = ChartOfSessions(
        choices.ewma_weight, choices.limit_sigmas, choices.baseline_visits, a_year
    )
    return sigma, chart


def _planned(shift: Shift, plans: tuple[float, ChartOfSessions] | None) -> dict[str, float | None]:
    """Return after how many sessions a check meter shows a shift."""
    if plans is None:
        return {}
    sigma, chart = plans
    is_drift = shift.kind == FLEET_DRIFT
    half, ninety = sessions_to_show(shift.effect, sigma, chart, is_drift=is_drift)
    sure = (
        np.inf
        if is_drift
        else sessions_to_be_sure(shift.effect, shift.error, sigma, baseline=chart.baseline)
    )
    return {
        "sigma_pct": sigma,
        "sessions_half": half,
        "sessions_ninety": ninety,
        "sessions_sure": sure if np.isfinite(sure) else None,
    }
