"""This module estimates what goes with dates: seasons, water temperature, a drift of all meters.

What happened once looks like any of them for a while; nothing is called by a name that it has not
earned in both halves of the dates.
"""

import numpy as np
import polars as pl
from scipy.special import fdtrc, stdtr, stdtrit

from drift.arrays import Floats
from drift.reference.crossed_design import FLEET_DRIFT, LATER, SEASON
from drift.reference.crossed_effects import (
    ALL_METERS,
    BLIND,
    EffectValues,
    Levels,
    base_row,
    contrast_row,
    is_estimable,
    solve_into,
)
from drift.reference.crossed_fit import CrossedFit

DATES = "dates"
# A drift is shared where nine meters of ten take part: its mean is so many standard deviations of
# the meters' own (Φ(1.28) = 0.9).
_TOGETHER = 1.28


def date_rows(fit: CrossedFit, levels: Levels, *, level: float) -> list[EffectValues]:
    """Return the rows of what goes with dates: season or water temperature, and fleet drift.

    Notes
    -----
    What happened once, such as a shift of all meters, has a part that looks like a season and one
    that looks like a drift.  A season returns and a drift goes on: either is called so only as far
    as both halves of the dates show it alike, each by itself; p is the largest of the three
    (intersection–union test, Berger 1982, Technometrics 24, 295–300).
    """
    kinds = levels.frame["kind"].to_list()
    halves = solve_halves(fit, levels)
    rows: list[EffectValues] = []
    if "water_temperature" in kinds:
        rows.append(_date_row(levels, kinds.index("water_temperature"), level=level))
    if FLEET_DRIFT in kinds:
        row = _date_row(levels, kinds.index(FLEET_DRIFT), level=level)
        rows.append(_drift_row(row, fit, halves))
    if SEASON[0] in kinds:
        rows.append(_season_row(levels, halves, level=level))
    return rows


def _date_row(levels: Levels, index: int, *, level: float) -> EffectValues:
    """Return the row of one level that goes with dates."""
    contrast = np.eye(len(levels.estimates))[index]
    base = base_row(levels, index)
    if is_estimable(levels, contrast):
        return {**base, **contrast_row(levels, contrast, level=level)}
    blind = levels.null @ contrast
    names = levels.frame["name"].to_list()
    against = [names[j] for j in np.flatnonzero(np.abs(blind) > BLIND)]
    others = [name for name in against if name != ALL_METERS]
    return {**base, "confounded_with": "; ".join(others) or DATES}


def _drift_row(row: EffectValues, fit: CrossedFit, halves: Levels) -> EffectValues:
    """Return the row of the fleet's drift as far as it goes on and most meters take part in it."""
    effect, p = row.get("effect_pct"), row.get("p")
    if not isinstance(effect, float) or not isinstance(p, float):
        return row
    # An estimate short of that many standard deviations is as likely as not to come without them.
    together = 0.0 if abs(effect) >= _TOGETHER * fit.drift_sd else 0.5
    return {**row, "p": max(p, together, *_half_drifts(halves, sign=float(np.sign(effect))))}


def _half_drifts(halves: Levels, *, sign: float) -> list[float]:
    """Return the one-sided p of a drift of this sign in each half of the dates, 1 if untold."""
    kinds = halves.frame["kind"].to_list()
    found = []
    for name in (FLEET_DRIFT, FLEET_DRIFT + LATER):
        contrast = np.eye(len(kinds))[kinds.index(name)]
        variance = float(contrast @ halves.covariance @ contrast)
        told = is_estimable(halves, contrast) and variance > 0
        t = sign * float(contrast @ halves.estimates) / np.sqrt(variance) if told else -np.inf
        found.append(float(stdtr(halves.freedom, -t)))
    return found


def _season_row(levels: Levels, halves: Levels, *, level: float) -> EffectValues:
    """Return half the swing over the year with its interval (delta method) and F tests."""
    kinds = levels.frame["kind"].to_list()
    first = kinds.index(SEASON[0])
    base = {**base_row(levels, first), "kind": "season"}
    whole = _swing(levels, SEASON)
    if whole is None:
        return {**base, "confounded_with": DATES}
    swing, covariance, p = whole
    size = float(np.hypot(*swing))
    error = float(np.sqrt(swing @ covariance @ swing)) / size
    half = float(stdtrit(levels.freedom, 0.5 + level / 2)) * error
    early, late = _swing(halves, SEASON), _swing(halves, tuple(name + LATER for name in SEASON))
    if early is None or late is None:
        return {**base, "confounded_with": DATES}
    alike = bool(early[0] @ late[0] > 0)
    return {
        **base,
        "effect_pct": size,
        "low": max(size - half, 0.0),
        "high": size + half,
        "p": max(p, early[2], late[2]) if alike else 1.0,
    }


def _swing(levels: Levels, names: tuple[str, ...]) -> tuple[Floats, Floats, float] | None:
    """Return a yearly swing, its covariance and its F test's p; None where it cannot be known."""
    kinds = levels.frame["kind"].to_list()
    pair = [kinds.index(name) for name in names]
    unit = np.eye(len(levels.estimates))
    if not all(is_estimable(levels, unit[j]) for j in pair):
        return None
    swing = levels.estimates[pair]
    covariance = levels.covariance[np.ix_(pair, pair)]
    statistic = float(swing @ np.linalg.solve(covariance, swing)) / 2
    return swing, covariance, float(fdtrc(2, levels.freedom, statistic))


def solve_halves(fit: CrossedFit, levels: Levels) -> Levels:
    """Estimate what goes with dates by halves of the dates, beside all other `levels`.

    Returns
    -------
    Levels
        In it the level of a name stands for the first half of the dates, that of the name with
        `drift.reference.crossed_design.LATER` for the second; levels of the same dates are free.
    """
    names = fit.design.extra_names
    kinds = levels.frame["kind"].to_list()
    first = fit.design.width - len(names)
    into, parts = levels.into.copy(), [levels.frame]
    for place, name in enumerate(names):
        if not name.endswith(LATER):
            continue
        column = np.zeros(len(into))
        column[first + place] = 1
        whole = name.removesuffix(LATER)
        if whole in kinds:
            into[:, kinds.index(whole)] -= column
        into = np.column_stack([into, column])
        parts.append(pl.DataFrame([{"kind": name}], schema=levels.frame.schema))
    return solve_into(fit, pl.concat(parts), into)
