"""This module names the grounds for not keeping a meter, and tests how it was adjusted."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import special

from drift.arrays import Floats, Integers
from drift.format import fixed
from drift.frames import Row
from drift.upkeep.retirement.frames import GROUNDS

# Work that is meant to cure what a service can cure.
CURES = ("gauge_replaced", "seal_replaced", "chamber_dried")
MET, NOT_MET, NOT_KNOWN = "met", "not_met", "cannot_say"


@dataclass(frozen=True, slots=True)
class Ground:
    """One ground.

    Attributes
    ----------
    name, title, unit : str
    calls_for : {"check_more_often", "service", "retire", ""}
        What it speaks for where it is met; nothing where it only supports others.
    met_from_above : bool
        Whether it is met at the threshold and above, or below it.
    """

    name: str
    title: str
    unit: str
    calls_for: str
    met_from_above: bool = True


GROUND_TABLE: tuple[Ground, ...] = (
    Ground("adjustment_rate", "adjusted often", "per year", "check_more_often"),
    Ground("adjustment_rise", "adjusted more and more often", "p value", "check_more_often", False),
    Ground("same_direction", "always moved the same way", "moves in a row", "check_more_often"),
    Ground("pass_rate", "passes too seldom", "of checks at most", "check_more_often", False),
    Ground("interval_in_force", "needs checking sooner", "days", "check_more_often", False),
    Ground("mark_travel", "mark far from where it began", "% on the dial", "service"),
    Ground("repeatability", "repeats worse than it did", "times its baseline", "service"),
    Ground("points_together", "cannot be set right at all points at once", "visits", "service"),
    Ground("needed_interval", "needs too short an interval", "days", "service", False),
    Ground("recurring_fault", "leak or water again", "faults", "service"),
    Ground("age", "old", "years", ""),
    Ground(
        "cheaper_choice", "costs more as it is than with another choice", "times the high end", ""
    ),
    Ground("cost", "costs more to keep than to replace", "times a new meter", "retire"),
)
BY_NAME = {ground.name: ground for ground in GROUND_TABLE}


@dataclass(frozen=True, slots=True)
class RetirementEvidence:
    """What retirement is weighed on.

    Attributes
    ----------
    as_of : date
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    marks, service, meters : pl.DataFrame
        Rows in force of those input tables; they may be empty.
    needed : pl.DataFrame
        Of `drift.upkeep.intervals.from_drift.days_after_adjustment`; meters may be missing.
    present : pl.DataFrame
        ``meter_id interval_days`` in force.
    processes : pl.DataFrame
        Of `drift.upkeep.intervals.from_drift.forecast_processes`.
    causes : pl.DataFrame
        ``meter_id segment cause probability``; may be empty.
    """

    as_of: date
    ledger: pl.DataFrame
    marks: pl.DataFrame
    service: pl.DataFrame
    meters: pl.DataFrame
    needed: pl.DataFrame
    present: pl.DataFrame
    processes: pl.DataFrame
    causes: pl.DataFrame


# A value, a threshold and a sentence; no value where it cannot be said.
Finding = tuple[float | None, float | None, str]


def last_cures(evidence: RetirementEvidence) -> pl.DataFrame:
    """Return when work that is meant to cure was last done on each meter.

    Returns
    -------
    pl.DataFrame
        ``meter_id cured_on``, by meter_id.
    """
    done = pl.col("action").is_in(CURES) & (pl.col("performed_on") <= evidence.as_of)
    return (
        evidence.service.filter(done)
        .group_by("meter_id")
        .agg(cured_on=pl.col("performed_on").max())
        .sort("meter_id")
    )


def judge(meter_id: str, ground: str, finding: Finding) -> Row:
    """Return the row of one ground: its verdict by its value and threshold."""
    value, threshold, sentence = finding
    entry = BY_NAME[ground]
    if value is None or threshold is None:
        verdict = NOT_KNOWN
    elif entry.met_from_above:
        verdict = MET if value >= threshold else NOT_MET
    else:
        verdict = MET if value < threshold else NOT_MET
    return {
        "meter_id": meter_id,
        "ground": ground,
        "value": value,
        "threshold": threshold,
        "unit": entry.unit,
        "verdict": verdict,
        "sentence": sentence,
    }


def judged_rows(
    seen: pl.DataFrame, numbers: pl.DataFrame, grounds: dict[str, Callable[[Row], Finding]]
) -> pl.DataFrame:
    """Judge grounds on one row of numbers a meter, null where there is none."""
    rows = seen.join(numbers, on="meter_id", how="left").sort("meter_id")
    judged = [
        judge(row["meter_id"], ground, say(row))
        for row in rows.iter_rows(named=True)
        for ground, say in grounds.items()
    ]
    return pl.DataFrame(judged, schema=GROUNDS)


def one_place(value: float) -> str:
    """Return a number to one decimal place."""
    return fixed(value, places=1)


def two_places(value: float) -> str:
    """Return a number to two decimal places."""
    return fixed(value, places=2)


def rate_interval(
    count: npt.ArrayLike, years: npt.ArrayLike, *, confidence: float = 0.95
) -> tuple[Floats, Floats]:
    """Return the exact two-sided interval of a Poisson rate.

    Parameters
    ----------
    count : array_like of int
        Events seen, 0 or more.
    years : array_like
        Time watched, over 0.
    confidence : float
        Over 0 and under 1.

    Returns
    -------
    low, high : array
        Events per year.

    Raises
    ------
    ValueError
        If an argument is out of range.

    References
    ----------
    Garwood (1936), Biometrika 28, 437–442, as quantiles of gamma distributions.
    """
    k, t = np.asarray(count, dtype=np.float64), np.asarray(years, dtype=np.float64)
    if not ((k >= 0).all() and (t > 0).all() and 0 < confidence < 1):
        raise ValueError("expected counts of 0 or more, years over 0, confidence over 0, under 1")
    tail = (1 - confidence) / 2
    low = np.where(k > 0, special.gammaincinv(np.maximum(k, 1), tail), 0.0)
    return low / t, special.gammaincinv(k + 1, 1 - tail) / t


def rise_p(early: npt.ArrayLike, late: npt.ArrayLike, *, late_share: npt.ArrayLike) -> Floats:
    """Return the one-sided p value of "the rate did not rise".

    Parameters
    ----------
    early, late : array_like of int
        Events before and after a moment chosen without regard to them.
    late_share : array_like
        Share of the time watched that lies after it, 0 to 1.

    Returns
    -------
    array
        1 where nothing happened.

    References
    ----------
    Given their sum, the later count is binomial with that share: Przyborowski and Wilenski (1940),
    Biometrika 31, 313–323.
    """
    first, second = np.asarray(early, dtype=np.float64), np.asarray(late, dtype=np.float64)
    share = np.asarray(late_share, dtype=np.float64)
    if not ((first >= 0).all() and (second >= 0).all() and ((share >= 0) & (share <= 1)).all()):
        raise ValueError("expected counts of 0 or more and a share from 0 to 1")
    tail = special.betainc(np.maximum(second, 1), first + 1, share)
    return np.where(second == 0, 1.0, tail)


def last_run(signs: npt.ArrayLike) -> int:
    """Return how many of the last moves went the same way as the last one.

    Parameters
    ----------
    signs : array_like
        Moves in time order; only their signs count, and a 0 is no move.
    """
    moves = np.sign(np.asarray(signs, dtype=np.float64))
    moves = moves[moves != 0]
    if moves.size == 0:
        return 0
    other = np.flatnonzero(moves != moves[-1])
    return int(moves.size if other.size == 0 else moves.size - 1 - other[-1])


def run_p(length: int) -> float:
    """Return the chance that fair moves end in a run at least this long, either way."""
    return 1.0 if length < 2 else float(2.0 ** (1 - length))


def spread_limit(
    freedom: npt.ArrayLike, base_freedom: npt.ArrayLike, *, level: float = 0.05
) -> Floats:
    """Return how many times a pooled base deviation a later deviation may reach by chance.

    Parameters
    ----------
    freedom, base_freedom : array_like of int
        Degrees of freedom of the later deviation and of the base, at least 1.
    level : float
        Chance of going beyond although nothing changed, over 0 and under 1.

    Returns
    -------
    array
        √F, the quantile of F with that upper tail.

    Raises
    ------
    ValueError
        If an argument is out of range.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 2.2.3.1 (control chart for precision: limit
    s₁√F); formula as read there.
    """
    later: Integers = np.asarray(freedom, dtype=np.int64)
    base: Integers = np.asarray(base_freedom, dtype=np.int64)
    if not ((later >= 1).all() and (base >= 1).all() and 0 < level < 1):
        raise ValueError("expected degrees of freedom of at least 1 and a level over 0, under 1")
    ratio: Floats = np.sqrt(special.fdtri(later, base, 1 - level))
    return ratio
