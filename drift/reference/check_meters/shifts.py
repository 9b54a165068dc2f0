"""This module lists the shifts that all meters showed, and says when each session was read."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from scipy.special import ndtri

from drift.arrays import Floats
from drift.frames import DAYS_PER_YEAR, EPOCH
from drift.reference.check_meters.placing import OF_ITSELF

STEPS = ("vessel_change", "vessel_step", "shared_step")
FLEET_DRIFT = "fleet_drift"
# A shift of a tenth of the tolerance is spoken of (common practice, no source).
_MATTERS = 0.1
_NORMAL_95 = float(ndtri(0.975))
_BETWEEN = " to "


@dataclass(frozen=True, slots=True)
class Shift:
    """Something that moved all meters alike.

    Attributes
    ----------
    kind, name, from_on, to_on
        As of `drift.reference.crossed_effects.REFERENCE`.
    effect, error : float
        % air at 5 % air, or a year.
    before, after : str or None
        Vessels read before and after it; None where none is named.
    """

    kind: str
    name: str
    from_on: date
    to_on: date
    effect: float
    error: float
    before: str | None
    after: str | None

    def column(self, rows: pl.DataFrame) -> Floats:
        """Return 0 for sessions before it, 1 after it, NaN for those that cannot tell.

        Of a drift it is the time, in years.
        """
        t_years = rows["t_years"].to_numpy()
        if self.kind == FLEET_DRIFT:
            return np.asarray(t_years - t_years.mean())
        early, late = (years_of(on) for on in (self.from_on, self.to_on))
        by_day = np.where(t_years >= late, 1.0, np.where(t_years <= early, 0.0, np.nan))
        if self.after is None:
            return by_day
        vessel = rows["vessel_id"].fill_null("").to_numpy()
        if self.before == self.after:
            return np.where((vessel == self.after) | (vessel == ""), by_day, np.nan)
        # Two vessels may be read in turn for a while.
        named = np.where(vessel == self.after, 1.0, np.where(vessel == self.before, 0.0, np.nan))
        return np.where(vessel == "", by_day, named)


def columns_beside(rows: pl.DataFrame, shifts: list[Shift]) -> Floats:
    """Return the columns of the fleet's shifts on these rows, sessions in doubt as before them."""
    if rows["follows"][0] == OF_ITSELF:
        return np.empty((len(rows), 0))
    steps = [np.nan_to_num(one.column(rows)) for one in shifts if one.kind != FLEET_DRIFT]
    return np.column_stack(steps) if steps else np.empty((len(rows), 0))


def years_of(on: date) -> float:
    """Return a day in years since the epoch of the house."""
    return (on - EPOCH).days / DAYS_PER_YEAR


def shifts_found(
    effects: pl.DataFrame,
    vessels: dict[str, str],
    *,
    rate: float,
    tolerance_pct: float,
    negligible: float,
) -> list[Shift]:
    """Return the shifts that are more than chance and large enough to matter, by date.

    Parameters
    ----------
    effects : pl.DataFrame
        Frame of `drift.reference.crossed_effects.REFERENCE`.
    vessels : dict of str to str
        Vessel of each name of a calibration period in it.
    rate : float
        False discovery rate up to which an effect counts as found.
    tolerance_pct : float
        A tenth of which matters.
    negligible : float
        Drift of all meters from which it matters, % air per year.
    """
    least = (
        pl.when(pl.col("kind") == FLEET_DRIFT).then(negligible).otherwise(_MATTERS * tolerance_pct)
    )
    found = effects.filter(
        pl.col("kind").is_in((*STEPS, FLEET_DRIFT)),
        pl.col("q") <= rate,
        pl.col("effect_pct").abs() >= least,
    ).sort("to_on", "kind", "name")
    return [_shift(row, vessels) for row in found.iter_rows(named=True)]


def _shift(row: dict[str, object], vessels: dict[str, str]) -> Shift:
    """Return one row of effects as a shift."""
    before, after = _sides(str(row["name"]), vessels)
    error = (row["high"] - row["low"]) / 2 / _NORMAL_95  # type: ignore[operator]  # numbers here
    return Shift(
        kind=str(row["kind"]),
        name=str(row["name"]),
        from_on=row["from_on"],  # type: ignore[arg-type]  # a day here
        to_on=row["to_on"],  # type: ignore[arg-type]
        effect=row["effect_pct"],  # type: ignore[arg-type]  # a number here
        error=float(error),
        before=before,
        after=after,
    )


def _sides(name: str, vessels: dict[str, str]) -> tuple[str | None, str | None]:
    """Return the vessels before and after a shift, by its name."""
    if name in vessels:
        return vessels[name], vessels[name]
    for old, vessel in vessels.items():
        new = name.removeprefix(f"{old}{_BETWEEN}")
        if new != name and new in vessels:
            return vessel, vessels[new]
    return None, None
