"""This module lets each interval method answer, with its basis in one sentence."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from drift.format import NO_BREAK, bias, count, fixed, in_days, known, probability, share
from drift.meter.calibrations import looks_back
from drift.meter.tolerance import within_tolerance
from drift.upkeep.choices import IntervalChoices
from drift.upkeep.intervals.estimates import EXTEND, REDUCE, staircase_days, staircase_verdicts
from drift.upkeep.intervals.from_drift import chart_intervals
from drift.upkeep.reliability import survival, weibull
from drift.upkeep.reliability.censored_intervals import periods_of, spells_of
from drift.upkeep.reliability.reliability import (
    end_of_period_reliability,
    exponential_interval,
    passes_needed,
    settled_reliability,
)
from drift.upkeep.reliability.survival_curve import survival_band

# Below this the meters of a group pass too unevenly to speak as one.
_UNLIKE_P = 0.05
# Spells seen to end below which no law is fitted: to a group, and to a single meter.
_FEWEST_ENDS = 3
_FEWEST_ENDS_OF_ONE = 5
# A length that may be so many times shorter or longer is not known.
_OPEN = 100.0
# Meters of their own law, those found out most often: a law with its limits takes about 10 ms.
_MOST_OF_ONE = 100


@dataclass(frozen=True, slots=True)
class Answer:
    """What one method says for one scope.

    Attributes
    ----------
    scope, name, method : str
    days : float or None
        None where the method cannot say, or where it is longer than `at_least`.
    low, high : float or None
        What is left possible.
    at_least : float or None
        Days for which the target is known to be kept, where no end was found.
    at_once : bool
        The target is missed by now; `days` is no interval but how late it is.
    evidence : int
        Checks, stretches or visits.
    basis : str
    """

    scope: str
    name: str
    method: str
    days: float | None
    low: float | None
    high: float | None
    evidence: int
    basis: str
    at_least: float | None = None
    at_once: bool = False


@dataclass(frozen=True, slots=True)
class IntervalEvidence:
    """What of the record intervals are set from.

    Attributes
    ----------
    ledger, path_trends : pl.DataFrame
        Frames of `drift.frames`.
    groups : pl.DataFrame
        ``meter_id name``: the similar meters each belongs to.
    present : pl.DataFrame
        ``meter_id interval_days`` in force.
    trend_level : float
        Two-sided error probability of the drifts' intervals in `path_trends`.
    of_own_law : frozenset of str or None
        Where these are some meters of a fleet, those to which a law of their own is fitted; nothing
        is then said of the fleet.  None where they are all of it.
    """

    ledger: pl.DataFrame
    path_trends: pl.DataFrame
    groups: pl.DataFrame
    present: pl.DataFrame
    trend_level: float = 0.05
    of_own_law: frozenset[str] | None = None


def reliability_answers(
    evidence: IntervalEvidence, visits: pl.DataFrame, *, choices: IntervalChoices
) -> Iterator[Answer]:
    """Answer by the share of checks passed and an exponential law, for every scope.

    `visits` are those of `drift.upkeep.reliability.censored_intervals.judged_visits`.
    """
    table = end_of_period_reliability(
        periods_of(visits),
        evidence.groups,
        confidence=choices.confidence,
        whole=evidence.of_own_law is None,
    )
    needed = passes_needed(choices.target, confidence=choices.confidence)
    enough = f"It takes {needed} in a row to show {share(choices.target)}"
    kept = [
        exponential_interval(table["days"], observed=table[name], target=choices.target)
        for name in ("reliability", "low", "high", "proven")
    ]
    for row, *lengths in zip(table.iter_rows(named=True), *kept, strict=True):
        days, low, high, proven = (_finite(length) for length in lengths)
        seen = (
            f"{row['passes']} of {count(row['checks'], 'check')} passed, {in_days(row['days'])} "
            "apart as a rule (median)"
        )
        sure = f"{share(choices.confidence)} confidence"
        if row["passes"] == row["checks"]:
            basis = f"{seen}. This shows a share of {probability(row['proven'])} at least ({sure})."
            basis += "" if row["proven"] >= choices.target else f" {enough}."
            yield Answer(
                row["scope"], row["name"], "reliability", None, proven, None, row["checks"], basis
            )
            continue
        uneven = row["alike_p"] is not None and row["alike_p"] < _UNLIKE_P
        basis = (
            f"{seen}: a share of {probability(row['reliability'])}, "
            f"{_span(row['low'], row['high'])} ({sure}). {share(choices.target)} would still pass "
            f"after {in_days(days)}, if meters go out at a constant rate (exponential law)."
            + (" Some meters pass less often than others." if uneven else "")
        )
        yield Answer(
            row["scope"], row["name"], "reliability", days, low, high, row["checks"], basis
        )


def survival_answers(
    evidence: IntervalEvidence, visits: pl.DataFrame, *, choices: IntervalChoices
) -> Iterator[Answer]:
    """Answer by the time in tolerance: a Weibull law for every scope, and none for groups.

    `visits` as for `reliability_answers`.
    """
    held = spells_of(visits).with_columns(pl.col("upper_days").fill_null(math.inf))
    likes = held.join(evidence.groups.select("meter_id", "name"), on="meter_id")
    present = evidence.present.select("meter_id", "interval_days")
    whole = evidence.of_own_law is None
    scopes = [("fleet", "fleet", held)] if held.height and whole else []
    scopes += [("like", name, part) for name, part in _parts(likes.drop_nulls("name"), "name")]
    for scope, name, part in scopes:
        at = part.join(present, on="meter_id")["interval_days"].median()
        days = float(at) if isinstance(at, (int, float)) else float(choices.ceiling_days)
        yield _weibull_answer(scope, name, part, days, choices)
        yield _stepwise_answer(scope, name, part, days, choices)
    enough = evidence.of_own_law
    if enough is None:
        enough = often_found_out(times_found_out(held))
    each = dict(present.iter_rows())
    for name, part in _parts(held.filter(pl.col("meter_id").is_in(list(enough))), "meter_id"):
        days = float(each.get(name, choices.ceiling_days))
        yield _weibull_answer("meter", name, part, days, choices)


def times_found_out(held: pl.DataFrame) -> pl.DataFrame:
    """Return ``meter_id ended known``: how often meters were found out, and days in tolerance.

    `held` is of `drift.upkeep.reliability.censored_intervals.censored_intervals`.
    """
    ended = pl.col("upper_days").is_finite() & pl.col("upper_days").is_not_null()
    return held.group_by("meter_id").agg(ended=ended.sum(), known=pl.col("lower_days").sum())


def often_found_out(ends: pl.DataFrame) -> frozenset[str]:
    """Return the meters of a fleet to which a law of their own is fitted, by `times_found_out`.

    Among those found out as often, those known the longest; their names come last.
    """
    enough = ends.filter(pl.col("ended") >= _FEWEST_ENDS_OF_ONE).sort(
        "ended", "known", "meter_id", descending=[True, True, False]
    )
    return frozenset(enough["meter_id"].head(_MOST_OF_ONE))


def staircase_answers(
    evidence: IntervalEvidence, *, tolerance: float, choices: IntervalChoices
) -> Iterator[Answer]:
    """Answer by the last check of each meter alone."""
    worst = pl.col("as_found_bias_pct").abs().round(9).arg_max()
    inside = within_tolerance(
        pl.col("as_found_bias_pct"), tolerance=tolerance, comparison="absolute"
    )
    last = (
        # Of visits that read too little only those that found the meter out are checks.
        evidence.ledger.lazy()
        .drop_nulls("as_found_bias_pct")
        .sort("series", "visit")
        .filter(looks_back() | ~inside)
        .filter(pl.col("t_years") == pl.col("t_years").max().over("meter_id"))
        .group_by("meter_id")
        .agg(error=pl.col("as_found_bias_pct").get(worst))
        .join(evidence.present.lazy().select("meter_id", "interval_days"), on="meter_id")
        .sort("meter_id")
        .collect()
    )
    extension, reduction = choices.staircase_extension, choices.staircase_reduction
    said = staircase_verdicts(
        last["error"], tolerance=tolerance, extend_within=choices.staircase_within
    )
    days = staircase_days(last["interval_days"], said, extension=extension, reduction=reduction)
    settled = settled_reliability(extension=extension, reduction=reduction)
    near = f"within {share(choices.staircase_within)} of the tolerance"
    where = {EXTEND: near, REDUCE: "outside the tolerance"}
    rows = zip(last.iter_rows(named=True), said, days, strict=True)
    for row, verdict, new in rows:
        to = f" to {in_days(float(new))}" if str(verdict) in where else ""
        basis = (
            f"Last found at {bias(row['error'])}{NO_BREAK}%{NO_BREAK}air, "
            f"{where.get(str(verdict), f'inside the tolerance but not {near}')}: {verdict} "
            f"{in_days(row['interval_days'])}{to}. In the long run {probability(settled)} of "
            "checks pass under this rule."
        )
        yield Answer("meter", row["meter_id"], "staircase", float(new), None, None, 1, basis)


def chart_answers(
    evidence: IntervalEvidence, *, tolerance: float, choices: IntervalChoices
) -> Iterator[Answer]:
    """Answer by the drift and dispersion of each meter's control chart."""
    table = chart_intervals(
        evidence.ledger,
        evidence.path_trends,
        tolerance=tolerance,
        target=choices.target,
        longest_days=choices.longest_days,
        trend_level=evidence.trend_level,
    )
    aim = share(choices.target)
    held = "the chance that it is in tolerance"
    for row in table.iter_rows(named=True):
        days, low, high = row["days"], row["low_days"], row["high_days"]
        left = f"{in_days(low)} to {in_days(high)}" if known(high) else f"{in_days(low)} or more"
        at_least = float(choices.longest_days) if row["beyond"] else None
        if row["hidden"]:
            left = left if known(low) else f"more than {in_days(choices.longest_days)}"
            basis = (
                f"Its dial is too coarse to show a drift. Whatever drift it hides, {held} stays at "
                f"{aim} or more for {left}."
            )
        elif row["beyond"]:
            longest = in_days(choices.longest_days)
            basis = f"By its drift and scatter, {held} stays at {aim} or more for over {longest}."
        elif days <= 0:
            basis = f"By its drift and scatter, {held} was below {aim} as its last visit left it."
        else:
            basis = (
                f"By its drift and scatter, {held} stays at {aim} or more for {in_days(days)} from "
                "its last visit"
            )
            basis += f"; {left}, as its drift is not known exactly." if known(low) else "."
        yield Answer(
            *("meter", row["meter_id"], "control_chart", days, low, high, row["visits"], basis),
            at_least=at_least,
            at_once=days is not None and days <= 0,
        )


def forecast_answers(
    evidence: IntervalEvidence,
    *,
    falls: pl.DataFrame,
    adjusted: pl.DataFrame,
    choices: IntervalChoices,
) -> Iterator[Answer]:
    """Answer by the forecast of each meter: as it stands, and once it has been adjusted.

    `falls` is of `drift.upkeep.intervals.estimates.days_to_target` on the meters' forecasts,
    `adjusted` of `drift.upkeep.intervals.from_drift.days_after_adjustment`.
    """
    aim = share(choices.target)
    held = "chance that it is in tolerance"
    visits = dict(evidence.ledger.group_by("meter_id").agg(pl.col("visit").max()).iter_rows())
    for row in falls.iter_rows(named=True):
        days, meter = row["days"], row["unit"]
        at_least = row["seen_to_days"] if days is None else None
        if days is None:
            seen = in_days(row["seen_to_days"])
            basis = f"The forecast {held} stays above {aim} for {seen} at least."
        elif row["at_once"]:
            basis = f"The forecast {held} was already below {aim} on the day of its last visit."
        else:
            basis = (
                f"The forecast {held} falls to {aim} {in_days(days)} after its last calibration."
            )
        yield Answer(
            *("meter", meter, "forecast", days, at_least, None, visits.get(meter, 0), basis),
            at_least=at_least,
            at_once=row["at_once"],
        )
    for row in adjusted.iter_rows(named=True):
        days, meter = row["days"], row["meter_id"]
        at_least = float(choices.longest_days) if days is None else None
        long = f"more than {in_days(choices.longest_days)}" if days is None else in_days(days)
        yield Answer(
            *("meter", meter, "forecast_once_adjusted", days, at_least, None),
            evidence=visits.get(meter, 0),
            basis=f"Once it has been adjusted, the {held} stays at {aim} or more for {long}.",
            at_least=at_least,
        )


def _weibull_answer(
    scope: str, name: str, part: pl.DataFrame, at_days: float, choices: IntervalChoices
) -> Answer:
    """Answer by a Weibull law of the stretches of one scope."""
    ended = part.filter(pl.col("upper_days").is_finite()).height
    stretches = count(part.height, "stretch", "stretches")
    seen = f"{ended} of {stretches} in tolerance ended with the meter out"
    fit = weibull.fit_weibull(
        part["lower_days"], part["upper_days"], cluster=part["meter_id"], fewest=_FEWEST_ENDS
    )
    method = "survival_weibull"
    if fit is None:
        basis = f"{seen}: too few to say how long such stretches last."
        return Answer(scope, name, method, None, None, None, part.height, basis)
    sure = choices.confidence
    days = weibull.time_at(fit, choices.target)
    low, high = weibull.time_interval(fit, choices.target, confidence=sure)
    if days > _OPEN * low or _OPEN * days < high < math.inf:
        basis = (
            f"{seen}. By a Weibull law anything from {_range(low, high)} is possible: no answer."
        )
        return Answer(scope, name, method, None, None, None, part.height, basis)
    lowest, highest = weibull.survival_interval(fit, at_days, confidence=sure)
    now = float(weibull.survival(fit, at_days))
    basis = (
        f"{seen}. By a Weibull law (shape {fixed(fit.shape, places=1)}) {share(choices.target)} of "
        f"stretches last {in_days(days)} ({_range(low, high)}) or longer; {probability(now)} "
        f"({_span(lowest, highest)}) outlast the present {in_days(at_days)}."
    )
    return Answer(scope, name, method, days, low, _finite(high), part.height, basis)


def _stepwise_answer(
    scope: str, name: str, part: pl.DataFrame, at_days: float, choices: IntervalChoices
) -> Answer:
    """Answer by the stretches of one scope without a law."""
    lower, upper = part["lower_days"].to_numpy(), part["upper_days"].to_numpy()
    fit = survival.fit_survival(lower, upper)
    left, right = survival.time_to(fit, choices.target)
    low, high = survival_band(
        *(lower, upper, np.array([at_days])),
        cluster=part["meter_id"].to_numpy(),
        confidence=choices.confidence,
    )
    aim = share(choices.target)
    falls = f"falls to {aim} between {in_days(left)} and {in_days(right)}"
    basis = (
        f"The share still in tolerance {f'never fell to {aim}' if math.isinf(left) else falls}; "
        f"after the present {in_days(at_days)} it is {_span(float(low[0]), float(high[0]))}."
    )
    days = _finite(left)
    return Answer(scope, name, "survival_stepwise", days, days, _finite(right), part.height, basis)


def _parts(rows: pl.DataFrame, key: str) -> Iterator[tuple[str, pl.DataFrame]]:
    """Yield the rows of each value of a column, in order."""
    for part in rows.sort(key, maintain_order=True).partition_by(key, maintain_order=True):
        yield str(part[key][0]), part


def _finite(value: object) -> float | None:
    """Return a number, None where it is not finite."""
    number = float(value)  # type: ignore[arg-type]  # a float, or an array that holds one
    return number if math.isfinite(number) else None


def _range(low: float, high: float) -> str:
    """Say a range of days whose upper end may be open."""
    return (
        f"{in_days(low)} to {in_days(high)}" if math.isfinite(high) else f"{in_days(low)} or more"
    )


def _span(low: float, high: float) -> str:
    """Say an interval of a probability, to as many places as tell its ends apart."""
    if round(100 * low) != round(100 * high):
        return f"{probability(low)} to {probability(high)}"
    first, last = (fixed(100 * end, places=1) for end in (low, high))
    return f"{first}{NO_BREAK}% to " + (
        f"over 99.9{NO_BREAK}%" if high > 0.999 else f"{last}{NO_BREAK}%"
    )
