"""This module puts a page's numbers into sentences."""

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

import polars as pl

from drift import format as text
from drift.report.pages.parts import Crossing, MeterRow, TrendRow
from drift.review.headline import doubt_first, further, headline, uses_words
from drift.review.policy import Policy
from drift.review.results import Review

# What a chart without signals says of a meter; any other that its level shows no move.
_STABLE = {
    "moving_range": "no step from one visit to the next is larger than its usual scatter",
    "repeatability": "it repeats itself from reading to reading as before",
    "spread": "it repeats itself from reading to reading as before",
    "range": "it repeats itself from reading to reading as before",
}
# Charts of how the readings of one visit scatter, on which a drift does not show.
_OF_SCATTER = frozenset({"repeatability", "spread", "range"})
# A crossing bound that is not after the date of the review has come already.
NOW = "now"
# Sorts after every ISO date.
_BEYOND = "beyond"


def crossing(
    *,
    on: date | None,
    early: date | None,
    late: date | None,
    p_out: float | None,
    outside: bool,
    last_visit_on: date,
    policy: Policy,
    as_of: date,
) -> Crossing:
    """Say when a meter leaves the tolerance, with the interval of that date."""
    horizon = text.years(policy.horizon_days)
    if outside:
        return Crossing("already outside", "", last_visit_on.isoformat())
    if p_out is None:
        return Crossing(text.CANNOT_SAY, "", "")
    if on is None:
        if early is None:
            return Crossing(f"not within {horizon}", "", _BEYOND)
        already = early <= as_of
        perhaps = "could be outside already" if already else f"{text.day(early)} at the earliest"
        return Crossing(f"not within {horizon}", perhaps, _BEYOND)
    if on <= last_visit_on:
        return Crossing("already outside", "", on.isoformat())
    first = NOW if early is not None and early <= as_of else text.day(early)
    last = text.day(late) if late else f"beyond {horizon}"
    return Crossing(text.day(on), f"{first} to {last}", on.isoformat())


def fleet_lead(
    review: Review,
    *,
    watched: tuple[MeterRow, ...],
    overdue: tuple[MeterRow, ...],
    open_signals: int,
) -> tuple[str, ...]:
    """Say in a few sentences what the review speaks of and what it finds."""
    ledger = review.ledger
    first, last = ledger["performed_on"].min(), ledger["performed_on"].max()
    readings = int(review.sources.sessions["replicates"].sum())
    span = f"{text.day(_date(first))} to {text.day(_date(last))}"
    scope = (
        f"{text.count(review.meters.height, 'meter')}, {text.count(readings, 'reading')} from "
        f"{span}, as known on {text.day(review.as_of)}."
    )
    policy = review.policy
    doubt = doubt_first(*review.untaken_readings, most=policy.untaken_readings_share)
    used = uses_words(review.uses, as_of=review.as_of, days=policy.signal_days)
    told = (doubt, headline(review.obligations, as_of=review.as_of), used)
    need = " ".join(part for part in told if part)
    parts = further(review.obligations)
    if watched:
        parts.append(f"{len(watched)} more on watch")
    if overdue:
        parts.append(f"{len(overdue)} overdue")
    if open_signals:
        parts.append(f"{text.count(open_signals, 'signal')} without a response")
    rest = f"{text.listed(parts)}." if parts else "Nothing else is on watch or overdue."
    return scope, need, rest[0].upper() + rest[1:]


def as_found(
    last: pl.DataFrame, *, out_points: list[float], adjusted: int, tolerance_pct: float
) -> str:
    """Say what to conclude from as-found bias by date.

    Parameters
    ----------
    last : pl.DataFrame
        Ledger rows of the last visit.
    out_points : list of float
        Points of that visit found outside tolerance.
    adjusted : int
        How often it was adjusted, of `adjustments`.
    tolerance_pct : float
        Largest bias that passes, % air.
    """
    read = zip(last["point_pct"], last["as_found_bias_pct"], strict=True)
    biases = {point: found for point, found in read if found is not None}
    on = text.day(_date(last["performed_on"].max()))
    limit = f"±{text.plain(tolerance_pct)}{text.NO_BREAK}%{text.NO_BREAK}air"
    if not biases:
        found = f"Nothing was read as found on {on}."
    elif out_points:
        told = [f"{text.bias(biases[pct])} at {text.point(pct)}" for pct in out_points]
        found = f"On {on} it was found outside {limit}: {text.listed(told)}."
    else:
        found = (
            f"On {on} it was found inside {limit} at {_points(last['as_found_bias_pct'].count())}."
        )
    if not adjusted:
        return f"{found} Nothing was ever adjusted, so no drift is hidden here."
    return (
        f"{found} It was adjusted {text.count(adjusted, 'time')}: each adjustment hides the "
        "drift before it, so judge drift by the next figure."
    )


def path_words(trend: TrendRow | None, *, policy: Policy, jumps: tuple[str, ...]) -> str:
    """Say what to conclude from the unadjusted path and its drift at one point.

    Parameters
    ----------
    trend : TrendRow or None
        The point to speak of.
    policy : Policy
        The thresholds.
    jumps : tuple of str
        Sentences of `jump`, which follow.
    """
    if trend is None or trend.verdict is None:
        seen = text.count(trend.visits if trend else 0, "visit")
        return f"Cannot say yet: {seen}; a drift is first looked for at {policy.trend_visits}."
    at = text.point(trend.point_pct)
    level = text.share(1 - policy.trend_level)
    interval = f"{level} interval {text.interval(trend.low, trend.high)}"
    if trend.drift is None:
        rate = f"a rate that its dial is too coarse to show ({interval})"
    else:
        rate = f"{text.bias_with_unit(trend.drift)} a year ({interval})"
    accepted = f"{text.share(policy.false_discovery_rate)} is accepted"
    q = f"(q {text.p_value(trend.q)}; {accepted})"
    false = text.probability(trend.q)
    most = f"up to {false}" if false[0].isdigit() else false
    matters = text.plain(policy.negligible_drift_pct_per_year)
    told = {
        "drifting": (
            f"At {at} it drifts by {rate}. The drift is confirmed: {most} of such findings are "
            f"false alarms {q}."
        ),
        "shown_steady": (
            f"At {at} it is shown to be steady: its drift, {rate}, is below "
            f"{matters}{text.NO_BREAK}%{text.NO_BREAK}air a year, the least that matters."
        ),
    }
    undecided = (
        f"At {at} it may be drifting or steady; the records do not show which: {rate}. Of findings "
        f"like this, if called drifts, {most} would be false alarms {q}."
    )
    return " ".join([told.get(trend.verdict, undecided), *jumps])


def jump(row: Mapping[str, Any]) -> str:
    """Say that the path jumped, from a row of `drift.trend.change_points.JUMP_EVENTS`."""
    return f"At {text.point(row['point_pct'])} it {text.jumped(row)}."


def control(
    name: str,
    *,
    limited: bool,
    signals: int,
    open_signals: int,
    drifts: bool,
    adjusted: bool,
) -> str:
    """Say what to conclude from one control chart.

    Parameters
    ----------
    name : str
        The chart.
    limited : bool
        Whether it has limits at any point.
    signals, open_signals : int
        How many signals it gave, and how many have no response.
    drifts : bool
        Whether the unadjusted path confirms a drift at any point.
    adjusted : bool
        Whether the meter was ever adjusted.
    """
    if not limited:
        return "Cannot say yet: there are too few visits to set limits."
    if not signals and drifts and name not in _OF_SCATTER:
        return (
            "No point lies outside its control limits, yet the path without adjustments shows a "
            f"drift. {'Adjustments hide it here. ' if adjusted else ''}The drift among the visits "
            "that set the limits also makes them wide. Judge by the path."
        )
    if not signals:
        return (
            "No point lies outside its control limits: by this chart "
            f"{_STABLE.get(name, 'nothing shows that its level has moved')}."
        )
    spoke = text.count(signals, "signal")
    answered = "all have a response" if not open_signals else f"{open_signals} without a response"
    return (
        f"{spoke}, {answered}: the marked visits lie outside control limits, further than this "
        "meter usually scatters."
    )


def wide_limits(
    edges: Iterable[tuple[float, float | None]], *, tolerance_pct: float, drifts: bool
) -> str:
    """Say where control limits lie outside the tolerance, and so warn of nothing.

    Parameters
    ----------
    edges : iterable of (float, float or None)
        Points with a limit of the newest visit there, % air.
    tolerance_pct : float
        Largest bias that passes, % air.
    drifts : bool
        Whether the path without adjustments confirms a drift at any point.
    """
    told = [
        f"{text.bias_with_unit(edge)} at {text.point(point)}"
        for point, edge in edges
        if edge is not None and abs(edge) > tolerance_pct
    ]
    if not told:
        return ""
    why = (
        "it was drifting already at the visits that set them"
        if drifts
        else "the visits that set them scatter widely or are few"
    )
    return (
        f" Control limits lie outside the tolerance of ±{text.plain(tolerance_pct)}: "
        f"{text.listed(told)}, because {why}. The meter can leave the tolerance before this chart "
        "gives a signal."
    )


def false_alarms(rates: Iterable[tuple[float | None, float | None]]) -> str:
    """Say how often points of a sound meter fall outside the limits of one chart.

    Parameters
    ----------
    rates : iterable of (float or None, float or None)
        The rate that was aimed at and that which the dial's steps allow, of each limit known.
    """
    known = list(rates)
    if not known:
        return "No limits, so no false alarms."
    told = text.rate(max((rate for rate, _ in known if rate is not None), default=None))
    attained = max((rate for _, rate in known if rate is not None), default=None)
    steps = f" ({text.rate(attained)} at most, given the steps of the dial)" if attained else ""
    return f"By chance {told} of a sound meter's points fall outside such limits{steps}."


def not_drawn(charted: dict[str, int]) -> str:
    """Say which charts are kept without a figure, by name with their number of signals."""
    if not charted:
        return ""
    told = [
        f"{text.words_of(name)} ({text.count(signals, 'signal') if signals else 'no signal'})"
        for name, signals in charted.items()
    ]
    return (
        f"Kept but not drawn here: {text.listed(told)}. Their limits stand below, their signals "
        "above them."
    )


def tolerance_verdict(
    out_points: list[float], *, seen: int, on: date, visits: int, visits_out: int
) -> str:
    """Say whether the meter was found within tolerance, at its last visit and ever.

    Parameters
    ----------
    out_points : list of float
        Points found outside at the last visit.
    seen : int
        Points read as found at the last visit.
    on : date
        Day of the last visit.
    visits, visits_out : int
        Visits with any as-found reading, and those of them with any point outside.
    """
    if not seen:
        last = f"nothing was read as found on {text.day(on)}"
    elif out_points:
        told = text.listed([text.point(pct) for pct in out_points])
        last = f"found outside at {told} on {text.day(on)}"
    else:
        last = f"found inside at {_points(seen)} on {text.day(on)}"
    return f"Tolerance: {last}; outside at {visits_out} of {text.count(visits, 'visit')} in all."


def control_verdict(signals: pl.DataFrame, *, limits_known: bool, drifts: bool) -> str:
    """Say the control verdict, whether the meter is stable.

    Parameters
    ----------
    signals : pl.DataFrame
        Signals of the meter.
    limits_known : bool
        Whether any chart has limits.
    drifts : bool
        Whether the unadjusted path confirms a drift at any point.
    """
    if not limits_known:
        return "Control: too few visits to set limits."
    if signals.is_empty():
        but = ", but without adjustments it drifts: it is not stable" if drifts else ""
        return f"Control: no point outside control limits{but}."
    newest = text.day(_date(signals["visit_on"].max()))
    unanswered = signals["answered_on"].null_count()
    told = f"{unanswered} without a response" if unanswered else "all with a response"
    return f"Control: {text.count(signals.height, 'signal')}, {told}; the newest of {newest}."


def adjustments(ledger: pl.DataFrame) -> int:
    """Return how often one meter was adjusted, at its visits and between them."""
    if ledger.is_empty():
        return 0
    segments = ledger["segment"]
    last = segments == segments.max()
    return int(segments.filter(last)[0]) - 1 + int((ledger["adjusted"] & last).any())


def adjustment_story(ledger: pl.DataFrame, *, point_pct: float) -> str:
    """Say what the adjustments hide at one point of one meter."""
    here = ledger["point_pct"] == point_pct
    adjusted = adjustments(ledger)
    path_pct = ledger["unadjusted_path_pct"].filter(here).drop_nulls()
    if not adjusted:
        return "Adjustments: none on record."
    told = f"Adjustments: {text.whole(adjusted)}"
    lost = int((ledger["evidence_lost"] & here).sum())
    gap = f", {lost} of them made before the meter was read as found" if lost else ""
    if path_pct.is_empty():
        return f"{told}{gap}."
    return (
        f"{told}{gap}. Without adjustments it would now read about "
        f"{text.bias_with_unit(path_pct[-1])} off at {text.point(point_pct)}."
    )


def _points(number: int) -> str:
    """Return "the one point" or "all 3 points"."""
    return "the one point read" if number == 1 else f"all {number} points"


def _date(value: object) -> date | None:
    """Return a date that came out of a frame."""
    return value if isinstance(value, date) else None
