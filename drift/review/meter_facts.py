"""This module holds what is known of one meter, from which all that is said of it follows."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any


@dataclass(frozen=True, slots=True)
class Noted:
    """Something on file about a meter: its day, null where it has none, and what, in words.

    The words are a clause without a full stop, such as "read at 5 % only on 25 Sep 2026: not a
    calibration".  speaks says whether it tells of readings of the meter.
    """

    on: date | None
    words: str
    speaks: bool = True


@dataclass(frozen=True, slots=True)
class Outside:
    """Where a meter was last left outside, or found so and not shown to be put right.

    Attributes
    ----------
    on : date
        The visit.
    point, found, left, limit : float or None
        The point furthest off, % air: bias as found, as left, and the limit in force.
    """

    on: date
    point: float
    found: float | None
    left: float | None
    limit: float | None


@dataclass(frozen=True, slots=True)
class Failure:
    """A visit that found a meter outside by the decision rule in force.

    Attributes
    ----------
    on : date
        The visit.
    point, found, limit : float or None
        The point furthest off, % air.
    good_on : date or None
        The calibration before it that last let the meter go within tolerance.
    answered : bool
        Whether a decision, or a response of that visit, is on record.
    """

    on: date
    point: float
    found: float | None
    limit: float | None
    good_on: date | None
    answered: bool


@dataclass(frozen=True, slots=True)
class CheckAsked:
    """A signal of a check since the last calibration, without a response.

    Attributes
    ----------
    on : date
        Day of the check.
    what : str
        Kind of check, as in the input table ``checks``.
    failed : bool
        It was outside its limit, or answered no; else the level of such checks has moved.
    """

    on: date
    what: str
    failed: bool


@dataclass(frozen=True, slots=True)
class ConfirmedDrift:
    """A drift that is real at one point, % air a year, and when it takes that point out.

    Attributes
    ----------
    point : float
    drift, low, high : float or None
        None where the dial hides its size.
    q : float or None
        Adjusted for the number of series tested.
    crossing : date or None
        None beyond the horizon.
    """

    point: float
    drift: float | None
    low: float | None
    high: float | None
    q: float | None
    crossing: date | None


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of one meter; biases and levels in % air.

    Attributes
    ----------
    status : str
        As the laboratory recorded it.
    as_of : date
        The date the review speaks for.
    last_visit_on, calibrated_on, next_due_on, speaks_for, overdue, visits, interval_days
        From `drift.review.schedule`.
    partial, given_up : tuple of Noted
        Visits since the last calibration that are none; points no longer read.
    outside : Outside or None
    failures : tuple of Failure
        Of the last calibration and of the last ``signal_days``, newest first.
    failed_in_row : int
        Checks up to the last one that failed, one after another.
    point, level, drift, drift_low, drift_high : float or None
        The worst point and what is forecast for it: the level is of today.
    p_then, p_now, p_due : float or None
        Chance that the true bias is out at any point: on the day of the last visit, today, and at
        the next due date (today where that is past).
    falls_on : date or None
        Day on which the chance of being in falls to the target, None beyond what is forecast.
    confirmed : tuple of ConfirmedDrift
        The surest first.
    jump : dict or None
        The largest jump of late, a row of `drift.trend.change_points.JUMP_EVENTS`.
    level_change : dict or None
        Its surest change of level, of `drift.review.level_changes.level_changes`.
    one_way : int
        The last adjustments that moved the readings the same way, below 0 for downwards.
    open_signals, recent_signals : int
        Signals without a response, and those of the last ``signal_days`` among them.
    signalled_on : date or None
        The newest of them.
    checked : tuple of CheckAsked
        Newest first.
    lost : tuple of date
        Visits of late whose evidence an adjustment destroyed, without a response.
    held : tuple of Noted
        Rows that could not be read and name the meter, newest first.
    misused : tuple of Noted
        Uses of late while it should not be used, newest first.
    alike : tuple of Noted
        Other ids that may be the same meter, written otherwise.
    resolution_limited : bool
        The dial is too coarse to show the drift's size.
    """

    status: str
    as_of: date
    last_visit_on: date
    calibrated_on: date | None
    next_due_on: date | None
    speaks_for: date
    overdue: bool
    visits: int
    interval_days: int
    point: float
    level: float | None
    drift: float | None
    drift_low: float | None
    drift_high: float | None
    p_then: float | None
    p_now: float | None
    p_due: float | None
    falls_on: date | None
    resolution_limited: bool
    partial: tuple[Noted, ...] = ()
    given_up: tuple[Noted, ...] = ()
    outside: Outside | None = None
    failures: tuple[Failure, ...] = ()
    failed_in_row: int = 0
    confirmed: tuple[ConfirmedDrift, ...] = ()
    jump: Mapping[str, Any] | None = None
    level_change: Mapping[str, Any] | None = None
    one_way: int = 0
    open_signals: int = 0
    recent_signals: int = 0
    signalled_on: date | None = None
    checked: tuple[CheckAsked, ...] = ()
    lost: tuple[date, ...] = ()
    held: tuple[Noted, ...] = ()
    misused: tuple[Noted, ...] = ()
    alike: tuple[Noted, ...] = ()

    @property
    def unread(self) -> bool:
        """Whether readings that could not be read may be newer than the last calibration."""
        since = self.calibrated_on
        newer = (
            since is None or row.on is None or row.on > since for row in self.held if row.speaks
        )
        return any(newer)
