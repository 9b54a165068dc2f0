"""This module sets what a meter shows at its points beside what each fault would show there."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.meter.causes import NOTHING
from drift.meter.fault_pattern import (
    PATTERNED,
    FaultPattern,
    fitted_curve,
    growth_of,
    pattern_of_biases,
    pattern_of_drifts,
    weigh_drift_pattern,
)
from drift.trend.equivalence import DRIFTING

# Latest visits whose biases make a pattern, points that it takes, and adjustments from which a
# drift is said to be hidden.
_VISITS, _FEWEST_POINTS, _HIDING = 4, 2, 2
# Width of a 95 % interval in standard errors.
_WIDTH = 3.92
# What meters share in drift where nothing can be told, and its standard error, % air a year.
_UNKNOWN_FLEET = (0.0, 0.02)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: its probability, what it does along the air content, and how that grows.

    Attributes
    ----------
    cause : str
        A name of `drift.meter.causes`, or that there is nothing to explain.
    probability : float
    curve : list of (float, float)
        Air content, % air, and the fault there, scaled to fit best; empty where it has no shape.
    growth : list of float
        From 0 over 5 to 10 % air, the least above 0 as one.
    """

    cause: str
    probability: float
    curve: list[tuple[float, float]]
    growth: list[float]


@dataclass(frozen=True, slots=True)
class CausePattern:
    """What a meter shows, and the faults, likeliest first.

    Attributes
    ----------
    of_drift : bool
        Whether it is of yearly drifts without adjustments, which hide them; else of biases.
    pattern : FaultPattern
    visits : list of (int, date, float, float)
        Visit, day, point and bias of which a pattern of biases is the mean; empty for drifts.
    faults : list of Fault
    """

    of_drift: bool
    pattern: FaultPattern
    visits: list[tuple[int, date, float, float]]
    faults: list[Fault]


def cause_pattern(
    ledger: pl.DataFrame,
    *,
    path_trends: pl.DataFrame,
    jumps: pl.DataFrame,
    causes: pl.DataFrame,
    effects: pl.DataFrame,
    k: float,
) -> CausePattern | None:
    """Return the pattern of one meter with its faults, None where too little is known.

    Parameters
    ----------
    ledger, path_trends, jumps, causes : pl.DataFrame
        Rows of the meter of `drift.meter.ledger.LEDGER`, `drift.trend.path_trend.PATH_TRENDS`,
        `drift.trend.change_points.JUMP_EVENTS` and `drift.meter.causes.CAUSES`.
    effects : pl.DataFrame
        Frame of `drift.reference.crossed_effects.REFERENCE`.
    k : float
        Chamber scale, % air.
    """
    drifts = path_trends.filter(pl.col("verdict") == DRIFTING).height > 0
    if drifts and ledger.filter("adjusted")["performed_on"].n_unique() >= _HIDING:
        return _of_drifts(ledger, path_trends, effects=effects, k=k)
    return _of_biases(ledger, jumps, causes=causes, k=k)


def _of_drifts(
    ledger: pl.DataFrame, path_trends: pl.DataFrame, *, effects: pl.DataFrame, k: float
) -> CausePattern | None:
    """Return the pattern of the yearly drifts."""
    points = ledger.select("series", "point_pct").unique()
    known = (
        path_trends.join(points, on="series")
        .drop_nulls(["drift", "drift_low", "drift_high"])
        .sort("point_pct")
        .select("point_pct", "drift", "drift_low", "drift_high")
    )
    if known.height < _FEWEST_POINTS:
        return None
    pattern = pattern_of_drifts(known.rows())
    shared = effects.filter(pl.col("kind") == "fleet_drift").drop_nulls(["low", "high"])
    fleet = _UNKNOWN_FLEET
    for effect, low, high in shared.select("effect_pct", "low", "high").iter_rows():
        fleet = (effect, max((high - low) / _WIDTH, 1e-6))
    weighed = weigh_drift_pattern(pattern, k=k, fleet=fleet)
    chances = list(weighed.select("cause", "probability").iter_rows())
    return CausePattern(
        of_drift=True, pattern=pattern, visits=[], faults=_faults(chances, pattern, k)
    )


def _of_biases(
    ledger: pl.DataFrame, jumps: pl.DataFrame, *, causes: pl.DataFrame, k: float
) -> CausePattern | None:
    """Return the pattern of the biases at the latest visits of one state of the meter."""
    weighed = causes.select("segment", "cause", "probability").rows()
    newest = max((segment for segment, _, _ in weighed), default=None)
    chances = [
        (cause, chance)
        for segment, cause, chance in weighed
        if segment == newest and chance is not None
    ]
    if not chances:
        return None
    since = max(jumps["by"]) if jumps.height else min(ledger["performed_on"])
    columns = ("point_pct", "visit", "performed_on", "as_found_bias_pct", "segment")
    rows = ledger.select(columns).rows()
    last = max(row[-1] for row in rows)
    kept: dict[float, list[tuple[int, date, float]]] = {}
    for point, visit, on, bias, segment in sorted(rows, key=lambda row: row[:2]):
        if segment == last and on >= since and bias is not None:
            kept.setdefault(point, []).append((visit, on, bias))
    shown = {at: seen[-_VISITS:] for at, seen in kept.items() if len(seen) > 1}
    if len(shown) < _FEWEST_POINTS:
        return None
    pattern = pattern_of_biases([(at, [bias for _, _, bias in seen]) for at, seen in shown.items()])
    chances.append((NOTHING, max(0.0, 1 - sum(chance for _, chance in chances))))
    chances.sort(key=lambda each: each[1], reverse=True)
    visits = [(visit, on, at, bias) for at, seen in shown.items() for visit, on, bias in seen]
    return CausePattern(
        of_drift=False, pattern=pattern, visits=visits, faults=_faults(chances, pattern, k)
    )


def _faults(chances: list[tuple[str, float]], pattern: FaultPattern, k: float) -> list[Fault]:
    """Return the faults with their shapes."""
    return [
        Fault(
            cause=cause,
            probability=chance,
            curve=fitted_curve(cause, pattern, k=k),
            growth=growth_of(cause, k=k) if cause in PATTERNED else [],
        )
        for cause, chance in chances
    ]
