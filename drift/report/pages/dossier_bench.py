"""This module says what to look at first on the bench, as a hint."""

import polars as pl

from drift import format as text
from drift.frames import Row, of_meter
from drift.meter.causes import WEIGHED_VISITS
from drift.meter.dial import STATED_AT_PCT
from drift.meter.marks import ACCUMULATE, CANCEL, CANNOT_TELL, ONLY_HAND, ONLY_MARK
from drift.report.pages.reference_rows import BenchPart, CauseRow, MoveRow
from drift.review.results import Review

# A cause less probable than this is left out of the table.
_LEAST = 0.01

# What each cause is called, and what to look at (common practice, no source).
CAUSE_WORDS = {
    "mark_misplaced": (
        "initial pressure mark misplaced",
        "Find the initial pressure line anew, then read all points again.",
    ),
    "hand_shifted": (
        "hand shifted on its shaft",
        "See whether the hand sits fast and returns to the same place.",
    ),
    "chamber_water": (
        "water in the air chamber",
        "Let the pressure out, drain and dry the chamber, then read again.",
    ),
    "leak": (
        "leak before release",
        "Pump to the mark and watch the hand; look at valves, petcocks and gasket.",
    ),
    "vessel_volume": (
        "the vessel, not the meter",
        "Read this meter with another vessel, and another meter with this one.",
    ),
    "plain_drift": (
        "plain drift",
        "No single fault to look for: follow the drift, or replace the gauge.",
    ),
}
# A mark whose place changed by this share of its way never went back.
_ONE_WAY = 0.999
# What the verdicts of `drift.meter.marks.ADJUSTMENT_BALANCE` say.
_BALANCE = {
    ACCUMULATE: "Both went the same way: they add up.",
    CANCEL: "They went opposite ways: one undoes the other.",
    CANNOT_TELL: "Whether they add up or cancel cannot be said: a change is unknown or too small.",
    ONLY_MARK: "Only the mark was moved.",
    ONLY_HAND: "Only the hand was reset.",
}
_UNITS = {"dial_pct": "% on the dial", "kpa": "kPa", "psi": "psi"}


def bench_part(review: Review, ledger: pl.DataFrame, *, meter_id: str) -> BenchPart:
    """Return what the dossier of one meter says for the bench.

    Parameters
    ----------
    review : Review
        What was found.
    ledger : pl.DataFrame
        Its rows of this meter.
    meter_id : str
        The meter.
    """
    causes = of_meter(review.reference.causes, meter_id)
    latest = causes.filter(pl.col("segment") == pl.col("segment").max()).to_dicts()
    told = bool(latest) and latest[0]["can_tell"] and latest[0]["probability"] is not None
    likely = [row for row in latest if told and row["probability"] >= _LEAST]
    return BenchPart(
        lead=_lead(review, ledger, latest),
        causes=tuple(
            CauseRow(_words(row["cause"]), row["probability"], CAUSE_WORDS[row["cause"]][1])
            for row in likely
        ),
        moves=move_rows(of_meter(review.reference.moves, meter_id)),
        balance=_balance(review, meter_id),
    )


def move_rows(moves: pl.DataFrame) -> tuple[MoveRow, ...]:
    """Return the changes of one meter's mark, newest first."""
    return tuple(
        MoveRow(
            performed_on=row["performed_on"],
            change=(
                f"{text.plain(row['mark_before'])} to {text.plain(row['mark_after'])}"
                f"{text.NO_BREAK}{_UNITS.get(row['mark_unit'], row['mark_unit'])}"
            ),
            worth_0=row["change_0_pct"],
            worth_5=row["change_5_pct"],
            worth_10=row["change_10_pct"],
            travel=row["travel_pct"],
            note=row["note"] or "",
        )
        for row in moves.sort("performed_on", descending=True).iter_rows(named=True)
    )


def _balance(review: Review, meter_id: str) -> str:
    """Say whether mark moves and hand resets took the meter the same way."""
    found = of_meter(review.reference.balance, meter_id).to_dicts()
    if not found:
        return ""
    row, travel = found[0], of_meter(review.reference.moves, meter_id)["total_travel_pct"].max()
    told = []
    if row["mark_moves"]:
        moved = row["mark_change_pct"]
        way = ""
        if row["mark_moves"] > 1 and isinstance(travel, float):
            one_way = abs(moved) > _ONE_WAY * travel
            way = ", all the same way" if one_way else f" over a way of {text.spread(travel)}"
        told.append(
            f"{text.count(row['mark_moves'], 'move')} of the mark by {text.bias(moved)}{way}"
        )
    if row["hand_resets"]:
        told.append(
            f"{text.count(row['hand_resets'], 'reset')} of the hand by "
            f"{text.bias(row['hand_change_pct'])}"
        )
    return (
        f"In all, adjustments changed the reading at {text.point(STATED_AT_PCT)} by "
        f"{text.bias_with_unit(row['net_change_pct'])}: {text.listed(told)}. "
        f"{_BALANCE[row['verdict']]}"
    )


def _lead(review: Review, ledger: pl.DataFrame, latest: list[Row]) -> str:
    """Say what the readings point to, or why they point to nothing."""
    half = review.policy.tolerance_pct / 2
    least = f"{text.plain(half)}{text.NO_BREAK}%{text.NO_BREAK}air"
    if not latest:
        largest = ledger["as_found_bias_pct"].abs().max()
        if isinstance(largest, float) and largest >= half:
            return "No cause was looked into: nothing to explain, or other meters came first."
        return f"Nothing to look for: no visit found a bias of {least} or more."
    best = latest[0]
    righted = _put_right(ledger, best["segment"], tolerance=review.policy.tolerance_pct)
    span = f"{_span(ledger, best['segment'])}{righted}."
    if best["probability"] is None:
        return f"Cannot tell: {best['evidence']}. {span}"
    operators = review.reference.effects.filter(pl.col("kind") == "operator")
    biases = _biases(best, by_operators=operators["effect_pct"].is_not_null().any())
    if not best["can_tell"]:
        leading = [
            f"{_words(row['cause'])} {text.probability(row['probability'])}" for row in latest[:2]
        ]
        return (
            f"Cannot tell: {best['evidence']}. Likeliest are {text.listed(leading)}. {span} "
            f"{biases}"
        )
    nothing = 1 - sum(row["probability"] for row in latest)
    return (
        f"{_capital(_words(best['cause']))}, {text.probability(best['probability'])}: "
        f"{best['evidence']}. {span} {biases} Chance that there is nothing to explain: "
        f"{text.probability(max(nothing, 0.0))}."
    )


def _put_right(ledger: pl.DataFrame, segment: int, *, tolerance: float) -> str:
    """Say when what a segment showed was put right; empty where nothing was done about it."""
    mine, days = ledger["segment"] == segment, ledger["performed_on"]
    on = max(days.filter(mine))
    last = mine & (days == on)
    if ledger["segment"].max() == segment and not (ledger["adjusted"] & last).any():
        return ""
    left = ledger["as_left_bias_pct"].filter(last).drop_nulls().abs().max()
    right = isinstance(left, float) and left <= tolerance
    return f"; {'put right' if right else 'adjusted'} on {text.day(on)}"


def _span(ledger: pl.DataFrame, segment: int) -> str:
    """Say which visits were weighed: the latest ones of a segment, and whether it is the newest."""
    visits = ledger["performed_on"].filter(ledger["segment"] == segment).unique().sort()
    days = visits.tail(WEIGHED_VISITS).to_list()
    newest = ledger["segment"].max() == segment
    if not days:
        return f"Weighed: segment {segment}"
    number = len(days)
    if number == 1:
        return f"Weighed: its visit of {text.day(days[0])}"
    which = (
        f"its latest {number} visits" if newest else f"the latest {number} visits that show a bias"
    )
    span = f"{text.day(days[0])} to {text.day(days[-1])}"
    return f"Weighed: {which}, {span}, with no adjustment between them"


def _biases(row: Row, *, by_operators: bool) -> str:
    """Return the biases that a cause is to explain, and whether they are those in the ledger."""
    points, biases = row["points_pct"] or [], row["bias_pct"] or []
    told = [
        f"{text.bias(bias)} at {text.point(point)}"
        for point, bias in zip(points, biases, strict=True)
    ]
    less = ", less what its operator is known to add" if by_operators else ""
    return f"Bias found last{less}: {text.listed(told)}." if told else "Its biases are unknown."


def _words(cause: str) -> str:
    """Return a cause in words."""
    return CAUSE_WORDS.get(cause, (text.words_of(cause), ""))[0]


def _capital(words: str) -> str:
    """Return words with a capital first letter."""
    return words[:1].upper() + words[1:]
