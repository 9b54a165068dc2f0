"""This module looks for steps of check meters and artefacts that no record explains.

A step that the fleet takes too is the reference's or the fleet's; one that it does not take is the
witness's own: adjusted by mistake, changed for another, or knocked.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.special import expit, stdtr

from drift.arrays import Integers
from drift.limits.checks.placing import ARTEFACT
from drift.reference.check_meters.fitting import Estimate, OwnMotion, estimate, rounding_variance
from drift.reference.check_meters.placing import OF_FLEET, OF_ITSELF, Witnesses
from drift.reference.check_meters.shifts import Shift, columns_beside
from drift.reference.check_meters.verdicts import SURE
from drift.reference.crossed_effects import contrast_row, is_estimable, solve_levels
from drift.reference.crossed_fit import CrossedFit
from drift.reference.shared_effects import SharedEffects

# Level of the search (common practice, no source).
_JUMP_LEVEL = 0.01
# Sessions on each side of a jump that is looked for.
_EACH_SIDE = 2
_MOST_JUMPS = 3

# Size and standard error of the fleet's step up to a day; None where it cannot be known.
FleetStep = Callable[[date], tuple[float, float] | None]


@dataclass(frozen=True, slots=True)
class Jump:
    """A step of a check meter or an artefact that no record explains.

    Attributes
    ----------
    witness : str
    size : float
        % air at 5 % air.
    from_on, to_on : date
        Last day before it, and first after it.
    own : float or None
        Probability from even odds that it alone moved and not the fleet with it; None where the
        fleet's own step over these days cannot be known.
    """

    witness: str
    size: float
    from_on: date
    to_on: date
    own: float | None


def fleet_steps(fit: CrossedFit | None, found: SharedEffects | None) -> FleetStep:
    """Return what tells the fleet's own step up to a day, beside all that it shares."""

    def up_to(to_on: date) -> tuple[float, float] | None:
        if fit is None or found is None:
            return None
        later = fit.design.bins.filter(pl.col("first_on") >= to_on)["bin"].to_list()
        if not later:
            return None
        levels = solve_levels(fit, steps=[*found.steps, {"bins": later}])
        contrast = np.eye(len(levels.estimates))[-1]
        if not is_estimable(levels, contrast):
            return None
        size = contrast_row(levels, contrast, level=0.95)["effect_pct"]
        error = float(np.sqrt(max(contrast @ levels.covariance @ contrast, 0.0)))
        return float(size), error  # type: ignore[arg-type]  # a number here

    return up_to


def without_jumps(
    witnesses: Witnesses, shifts: list[Shift], motion: OwnMotion, *, fleet: FleetStep
) -> tuple[pl.DataFrame, list[Jump]]:
    """Begin the series of a witness anew where it jumped by itself.

    Returns
    -------
    rows : pl.DataFrame
        Frame of `drift.reference.check_meters.placing.WITNESS_ROWS`.
    jumps : list of Jump

    Notes
    -----
    Every day is tried beside the shifts of the fleet, at 1 % by Bonferroni's bound over the days
    and series.  Of an artefact that several meters read, the values of its days are searched, the
    level of each meter taken out.  A jump on the day of a shift cannot be told from the shift.
    """
    jumps: list[Jump] = []
    parts = []
    for part in witnesses.rows.partition_by("witness", "follows", maintain_order=True):
        rows, known = part, list(shifts)
        for _ in range(_MOST_JUMPS):
            found = _largest_jump(day_values(rows), known, motion)
            if found is None:
                break
            step, series, days = found
            jump = _jump(rows, step, days, fleet)
            if jump.own is not None and jump.own <= 1 - SURE:
                # The fleet took it too: no step of the witness, and nothing to cut.
                known.append(Shift("shared_step", "", *days, step.value, step.error, None, None))
                continue
            rows = _cut(rows, series, days[1])
            jumps.append(jump)
        parts.append(rows)
    return (pl.concat(parts) if parts else witnesses.rows), jumps


def day_values(rows: pl.DataFrame) -> pl.DataFrame:
    """Return one row per day of what several meters read of an artefact; other rows as they are.

    Notes
    -----
    Value = level of the meter's series + value of the day, by least squares: what one meter does
    is shared out, and what all see on one day, such as a warm artefact, is one piece of evidence
    and not as many as there are meters.  Days that no series ties together are series apart.
    """
    if rows.is_empty() or rows["follows"][0] != OF_FLEET or rows["series"].n_unique() == 1:
        return rows
    days = rows.select("performed_on").unique().sort("performed_on").with_row_index("day")
    numbered = rows.join(days, on="performed_on", how="left", maintain_order="left")
    series = numbered["series"].rle_id().cast(pl.Int64).to_numpy()
    day, value = numbered["day"].to_numpy(), numbered["shift_pct"].to_numpy()
    times = coo_array((np.ones(len(day)), (series, day))).tocsr()
    share = times.multiply(1 / times.sum(axis=1)[:, None]).tocsr()
    gram = np.diag(times.sum(axis=0)) - (times.T @ share).toarray()
    means = np.bincount(series, value) / np.bincount(series)
    right = np.bincount(day, value - means[series])
    found = np.linalg.lstsq(gram, right, rcond=1e-10)[0]
    tied = connected_components((times.T @ times).tocsr(), directed=False)[1]
    return (
        rows.group_by("performed_on")
        .first()
        .sort("performed_on")
        .select(rows.columns)
        .with_columns(
            series=pl.Series([f"{rows['witness'][0]} by day {part}" for part in tied]),
            shift_pct=pl.Series(found),
        )
        .sort("series", "t_years")
    )


def _largest_jump(
    rows: pl.DataFrame, shifts: list[Shift], motion: OwnMotion
) -> tuple[Estimate, str, tuple[date, date]] | None:
    """Return the largest jump of rows, its series, and the days before and after it."""
    beside = columns_beside(rows, shifts)
    series = rows["series"].rle_id().cast(pl.Int64).to_numpy()
    begins = np.flatnonzero(np.diff(series, prepend=-1))
    trials = [(int(first), cut) for first in begins for cut in _cuts(series, int(first))]
    best: tuple[float, Estimate, int] | None = None
    for first, cut in trials:
        column = np.zeros(len(rows))
        column[cut : first + int((series == series[first]).sum())] = 1.0
        found = estimate(rows, column, beside=beside, motion=motion)
        if found is None or found.error <= 0:
            continue
        p = 2 * float(stdtr(found.freedom, -abs(found.value / found.error)))
        if best is None or p < best[0]:
            best = p, found, cut
    if best is None or best[0] * len(trials) > _JUMP_LEVEL:
        return None
    _, found, cut = best
    days = rows["performed_on"]
    return found, rows["series"][cut], (days[cut - 1], days[cut])


def _cuts(series: Integers, first: int) -> range:
    """Return the places at which a series that begins at `first` may have jumped."""
    size = int((series == series[first]).sum())
    return range(first + _EACH_SIDE, first + size - _EACH_SIDE + 1)


def _jump(rows: pl.DataFrame, step: Estimate, days: tuple[date, date], fleet: FleetStep) -> Jump:
    """Return a jump with the probability that it is the witness's own.

    Notes
    -----
    By itself: the fleet's step over these days is 0, known to its error e.  Together: it is the
    witness's step a, known to its own error besides.  Normal densities of the fleet's estimate at
    0 and at a (a Bayes factor of two simple hypotheses, as for the verdicts).
    """
    own: float | None = 1.0
    if rows["follows"][0] != OF_ITSELF:
        of_fleet = fleet(days[1])
        own = None
        if of_fleet is not None and of_fleet[1] > 0:
            size, error = of_fleet
            both = float(np.hypot(error, _whole_error(rows, step)))
            own = float(expit(_log_normal(size, error) - _log_normal(size - step.value, both)))
    return Jump(rows["witness"][0], step.value, *days, own)


def _whole_error(rows: pl.DataFrame, step: Estimate) -> float:
    """Return the error of a jump with that of rounding, which no repetition takes away."""
    read_to = rows["step_pct"].drop_nulls()
    if read_to.is_empty():
        return step.error
    by_day = rows.height / rows["performed_on"].n_unique() if rows["kind"][0] == ARTEFACT else 1.0
    rounding = rounding_variance(float(read_to.max()), step.scatter * by_day**0.5)  # type: ignore[arg-type]
    return float(np.sqrt(step.error**2 + 2 * rounding / by_day))


def _log_normal(away: float, scale: float) -> float:
    """Return the log density of a normal law but for its constant."""
    return float(-np.log(scale) - (away / scale) ** 2 / 2)


def _cut(rows: pl.DataFrame, series: str, to_on: date) -> pl.DataFrame:
    """Return rows of which a series, or all of an artefact's, begins anew on a day."""
    theirs = pl.lit(value=True) if rows["follows"][0] == OF_FLEET else pl.col("series") == series
    return rows.with_columns(
        series=pl.when(theirs & (pl.col("performed_on") >= to_on))
        .then(pl.format("{} and its jump of {}", "series", pl.lit(str(to_on))))
        .otherwise("series")
    )


def trusted_rows(rows: pl.DataFrame, jumps: list[Jump], adjusted: pl.DataFrame) -> pl.DataFrame:
    """Return rows without those after an unrecorded jump, until something is on record again.

    Parameters
    ----------
    rows : pl.DataFrame
        Frame of `drift.reference.check_meters.placing.WITNESS_ROWS`.
    jumps : list of Jump
    adjusted : pl.DataFrame
        ``meter_id on`` of recorded adjustments of check meters.
    """
    for jump in jumps:
        until = trusted_again(jump, adjusted)
        day = pl.col("performed_on")
        silent = (pl.col("witness") == jump.witness) & (day >= jump.to_on)
        rows = rows.filter(~(silent if until is None else silent & (day < until)))
    return rows


def trusted_again(jump: Jump, adjusted: pl.DataFrame) -> date | None:
    """Return the first recorded adjustment after a jump; None where there is none."""
    later = adjusted.filter((pl.col("meter_id") == jump.witness) & (pl.col("on") > jump.to_on))
    return later["on"].min()  # type: ignore[return-value]  # a day or nothing
