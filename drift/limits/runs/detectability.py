"""This module says what charts can and cannot see, in visits and years."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass

import numpy as np
import polars as pl

from drift.frames import DAYS_PER_YEAR, Schema
from drift.limits.runs.monitors import TOLERANCE_CHECK, Monitor, Watch, monitors_of
from drift.limits.runs.run_length import (
    RunLengths,
    chance_at,
    chance_by,
    constant_means,
    drifting_means,
    mean_visits,
    quantile_visits,
)

SHIFTS_PCT = (0.02, 0.05, 0.08, 0.1, 0.15)
DRIFTS_PCT_PER_YEAR = (0.02, 0.04, 0.08, 0.16)

# One row per monitor: what it costs while every meter is sound.  mean_* is the average time to a
# false alarm of one series; false_alarms_a_quarter and chance_a_quarter speak of the whole fleet,
# with the centre known; the last column of a centre set by the baseline alone.
FALSE_ALARMS: Schema = {
    "monitor": pl.String,
    "mean_visits": pl.Float64,
    "mean_years": pl.Float64,
    "false_alarms_a_quarter": pl.Float64,
    "chance_a_quarter": pl.Float64,
    "chance_a_quarter_short_baseline": pl.Float64,
}

# One row per monitor and sudden shift: how soon it is noticed.  Nulls stand for "never".
SHIFTS: Schema = {
    "monitor": pl.String,
    "shift_pct": pl.Float64,
    "shift_sigmas": pl.Float64,
    "mean_visits": pl.Float64,
    "median_visits": pl.Float64,
    "p90_visits": pl.Float64,
    "mean_years": pl.Float64,
    "median_years": pl.Float64,
    "p90_years": pl.Float64,
    "chance_within_year": pl.Float64,
}

# One row per monitor and steady drift, from a meter that reads right: how soon it is noticed and
# how large the bias has become by then.  Nulls stand for "cannot say": it may never be noticed.
DRIFTS: Schema = {
    "monitor": pl.String,
    "drift_pct_per_year": pl.Float64,
    "drift_sigmas_per_visit": pl.Float64,
    "mean_visits": pl.Float64,
    "median_visits": pl.Float64,
    "p90_visits": pl.Float64,
    "mean_years": pl.Float64,
    "median_years": pl.Float64,
    "p90_years": pl.Float64,
    "mean_bias_pct": pl.Float64,
    "p90_bias_pct": pl.Float64,
    "mean_past_tolerance_pct": pl.Float64,
    "p90_past_tolerance_pct": pl.Float64,
    "chance_within_tolerance": pl.Float64,
}

# Nodes at which an uncertain centre is averaged over; an odd number.
CENTRE_NODES = 25


@dataclass(frozen=True, slots=True)
class Detectability:
    """What the charts of one `Watch` can and cannot see.

    Attributes
    ----------
    watch : Watch
        The settings.
    false_alarms, shifts, drifts : pl.DataFrame
        Frames of `FALSE_ALARMS`, `SHIFTS` and `DRIFTS`, monitors in the same order.
    notes : tuple of str
        What was assumed, one sentence each.
    """

    watch: Watch
    false_alarms: pl.DataFrame
    shifts: pl.DataFrame
    drifts: pl.DataFrame
    notes: tuple[str, ...]

    def as_records(self) -> dict[str, object]:
        """Return all of it as plain lists, dicts and numbers, ready for JSON."""
        return {
            "watch": {**asdict(self.watch), "rules": list(self.watch.rules)},
            "false_alarms": self.false_alarms.to_dicts(),
            "shifts": self.shifts.to_dicts(),
            "drifts": self.drifts.to_dicts(),
            "notes": list(self.notes),
        }


_NOTES = (
    "Visits are taken to be independent of each other, and readings to follow a normal law.",
    "The centre of the limits is taken as known, except where a column says short baseline.",
    "Times are counted in whole visits from the last visit before the change.",
    "Points are taken to be independent; those of a meter share its mark, so alarms are rarer.",
    "A drift starts from a bias of zero, and nobody adjusts the meter meanwhile.",
)


def detectability(
    watch: Watch,
    *,
    shifts_pct: tuple[float, ...] = SHIFTS_PCT,
    drifts_pct_per_year: tuple[float, ...] = DRIFTS_PCT_PER_YEAR,
) -> Detectability:
    """Compute what the charts of a fleet can and cannot see.

    Parameters
    ----------
    watch : Watch
        How the fleet is watched.
    shifts_pct : tuple of float
        Sudden shifts of the bias, % air, not zero.
    drifts_pct_per_year : tuple of float
        Steady drifts, % air per year, not zero.

    Returns
    -------
    Detectability
        Exact but for rounding error and quadrature (better than four digits).

    Raises
    ------
    ValueError
        If a setting is out of range, a rule unknown, or a shift or drift zero or not finite.
    """
    _check(shifts_pct, drifts_pct_per_year)
    monitors = monitors_of(watch)
    return Detectability(
        watch=watch,
        false_alarms=_false_alarms(watch, monitors),
        shifts=_shifts(watch, monitors, shifts_pct),
        drifts=_drifts(watch, monitors, drifts_pct_per_year),
        notes=_NOTES,
    )


def _check(shifts_pct: tuple[float, ...], drifts_pct_per_year: tuple[float, ...]) -> None:
    """Raise if a shift or a drift cannot be meant."""
    for name, values in (
        ("shifts_pct", shifts_pct),
        ("drifts_pct_per_year", drifts_pct_per_year),
    ):
        if not values or not all(np.isfinite(value) and value for value in values):
            raise ValueError(f"{name} = {values!r} must be numbers other than zero, at least one")


def _false_alarms(watch: Watch, monitors: Mapping[str, Monitor]) -> pl.DataFrame:
    """Return what each monitor costs while nothing is wrong."""
    # A centre from n sound visits is off by a normal error of 1/√n sigma: Gauss-Hermite nodes, of
    # which one half will do, because both directions are alike; the first of them is 0.
    nodes, weights = np.polynomial.hermite_e.hermegauss(CENTRE_NODES)
    errors = nodes[CENTRE_NODES // 2 :] / np.sqrt(watch.baseline_visits)
    weights = 2 * weights[CENTRE_NODES // 2 :] / weights.sum()
    weights[0] /= 2
    series = watch.meters * watch.points_per_meter
    points = series * DAYS_PER_YEAR / 4 / watch.interval_days
    rows = []
    for name, monitor in monitors.items():
        visits = mean_visits(monitor.follow(constant_means((0.0, *errors[1:]))))
        rate = 1.0 / visits[0]
        # The tolerance is not set by a baseline.
        off = rate if name == TOLERANCE_CHECK else float(weights @ (1.0 / visits))
        rows.append(
            {
                "monitor": name,
                "mean_visits": visits[0],
                "mean_years": _years(watch, visits[0]),
                "false_alarms_a_quarter": points * rate,
                "chance_a_quarter": _any_of(points, rate),
                "chance_a_quarter_short_baseline": _any_of(points, off),
            }
        )
    return _frame(rows, FALSE_ALARMS)


def _shifts(
    watch: Watch, monitors: Mapping[str, Monitor], shifts_pct: tuple[float, ...]
) -> pl.DataFrame:
    """Return how soon each monitor notices each sudden shift."""
    sigmas = tuple(shift / watch.sigma_pct for shift in shifts_pct)
    a_year = int(DAYS_PER_YEAR / watch.interval_days + 1e-9)
    rows = []
    for name, monitor in monitors.items():
        lengths = monitor.follow(constant_means(sigmas))
        within = chance_by(lengths, visits=a_year)
        rows += [
            {"monitor": name, "shift_pct": shift, "shift_sigmas": sigma, **times, **chance}
            for shift, sigma, times, chance in zip(
                shifts_pct,
                sigmas,
                _times(watch, lengths),
                [{"chance_within_year": float(value)} for value in within],
                strict=True,
            )
        ]
    return _frame(rows, SHIFTS)


def _drifts(
    watch: Watch, monitors: Mapping[str, Monitor], drifts: tuple[float, ...]
) -> pl.DataFrame:
    """Return how soon each monitor notices each drift, and how far it has gone by then."""
    per_visit = np.abs(np.array(drifts)) * watch.interval_days / DAYS_PER_YEAR
    sigmas = tuple(float(step) for step in per_visit / watch.sigma_pct)
    inside = np.floor(watch.tolerance_pct / per_visit + 1e-9).astype(np.int64)
    rows = []
    for name, monitor in monitors.items():
        means = drifting_means(sigmas, until_sigmas=monitor.certain_sigmas)
        lengths = monitor.follow(means)
        rows_kept = min(len(means), len(lengths.survival) - 1)
        chances = chance_at(lengths, visits=rows_kept)
        visits = np.arange(1, rows_kept + 1)[:, None]
        past = (chances * np.maximum(visits * per_visit - watch.tolerance_pct, 0.0)).sum(axis=0)
        times = _times(watch, lengths)
        for at, drift in enumerate(drifts):
            row = {
                "monitor": name,
                "drift_pct_per_year": drift,
                "drift_sigmas_per_visit": sigmas[at],
                **times[at],
                "mean_bias_pct": times[at]["mean_visits"] * per_visit[at],
                "p90_bias_pct": times[at]["p90_visits"] * per_visit[at],
                "mean_past_tolerance_pct": past[at],
                "chance_within_tolerance": float(chance_by(lengths, visits=int(inside[at]))[at]),
            }
            row["p90_past_tolerance_pct"] = max(row["p90_bias_pct"] - watch.tolerance_pct, 0.0)
            # Where the path may end unnoticed, what comes after it is not known.
            unnoticed = lengths.survival[rows_kept][at]
            rows.append(row if unnoticed < 1e-9 else _cannot_say(row))
    return _frame(rows, DRIFTS)


def _cannot_say(row: dict[str, object]) -> dict[str, object]:
    """Return the row of a drift that may never be noticed: only what is sure stays."""
    sure = ("monitor", "drift_pct_per_year", "drift_sigmas_per_visit", "chance_within_tolerance")
    return {name: value if name in sure else None for name, value in row.items()}


def _times(watch: Watch, lengths: RunLengths) -> list[dict[str, float]]:
    """Return the mean, median and 90 % point of each scenario, in visits and years."""
    columns = {
        "mean": mean_visits(lengths),
        "median": quantile_visits(lengths, chance=0.5),
        "p90": quantile_visits(lengths, chance=0.9),
    }
    return [
        {
            **{f"{name}_visits": float(column[at]) for name, column in columns.items()},
            **{f"{name}_years": _years(watch, column[at]) for name, column in columns.items()},
        }
        for at in range(lengths.survival.shape[1])
    ]


def _years(watch: Watch, visits: float) -> float:
    """Return the time that so many visits take."""
    return float(visits * watch.interval_days / DAYS_PER_YEAR)


def _any_of(points: float, rate: float) -> float:
    """Return the chance that at least one of so many independent points signals."""
    return float(-np.expm1(points * np.log1p(-rate)))


def _frame(rows: list[dict[str, object]], schema: Schema) -> pl.DataFrame:
    """Return rows in the columns of a schema; what is not finite becomes null."""
    numbers = [name for name, kind in schema.items() if kind == pl.Float64]
    frame = pl.DataFrame(rows, schema_overrides=schema).select(schema.keys())
    return frame.with_columns(
        pl.when(pl.col(name).is_finite()).then(pl.col(name)).alias(name) for name in numbers
    )
