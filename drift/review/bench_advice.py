"""This module says what to do at the bench about a meter found out, by the law of the dial.

What a visit's readings point to and how far to move the mark come from `drift.meter.bench_rules`;
this module gathers what is known of each meter, and words it.  It is advice for the bench and
releases nothing.
"""

from collections.abc import Mapping

import polars as pl

from drift.format import bias, listed, plain, point, probability
from drift.frames import Row
from drift.meter.bench_rules import (
    NAMED_FROM,
    BenchDial,
    BenchPoint,
    advise_move,
    hand_changes,
    weigh_faults,
)
from drift.meter.choices import ReadingChoices
from drift.meter.dial import USUAL_SCALE, USUAL_SCALE_LOG_SD, dials_of
from drift.reference.repeatability import USUAL_REPEATABILITY_PCT, pool_repeatability
from drift.review.bench_verdicts import CONFIRMED
from drift.store.tables import Sources

# Finest step to which a mark on a scale of pressure is put, in its unit.  Our choice, no source:
# about a fiftieth of 1 % air on the usual chamber.
PRESSURE_STEPS = {"kpa": 0.1, "psi": 0.02}
MARK_UNITS = {"dial_pct": "% on the dial", "kpa": "kPa", "psi": "psi"}
# What a fault is called and where to look before anything is unscrewed.
FAULT_WORDS: dict[str, tuple[str, str]] = {
    "nothing": ("nothing but noise", "Read again before anything is touched."),
    "mark": (
        "the initial pressure mark is off",
        "The bias grows from zero on with the air content: move the mark.",
    ),
    "hand": (
        "the hand has shifted",
        (
            "Zero is right and 10 % is off about three times as much as 5 %: reset the hand, then "
            "see whether the mark still gives zero."
        ),
    ),
    "volume": (
        "water in the air chamber, or the vessel's volume",
        (
            "Zero is right and 10 % is off twice as much as 5 %: dry the chamber and draw with "
            "another vessel before the dial is touched."
        ),
    ),
    "leak": (
        "a leak",
        (
            "Readings are high and differ from one to the next: find where air escapes (valves, "
            "petcocks, gasket) before the mark is touched."
        ),
    ),
    "mark_and_hand": (
        "the mark is off and the hand has shifted",
        "Move the mark first, read all points again, and reset the hand only then.",
    ),
    "mark_and_volume": (
        "the mark is off, and water is in the chamber or the vessel is off",
        "Dry the chamber and draw with another vessel first, then move the mark.",
    ),
}


def usual_dial() -> BenchDial:
    """Return what is believed of a meter of which nothing is on record."""
    return BenchDial(USUAL_SCALE, USUAL_SCALE * USUAL_SCALE_LOG_SD, USUAL_REPEATABILITY_PCT, None)


def bench_dials(ledger: pl.DataFrame, sources: Sources) -> dict[str, BenchDial]:
    """Return what is known of every meter of the ledger.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`, built from the sources.
    sources : Sources
        Of its meters, marks and service.
    """
    repeatability, marks = pool_repeatability(ledger), sources.marks
    noise = dict(repeatability.select("meter_id", "repeatability_pct").iter_rows())
    middle = float(repeatability["repeatability_pct"].median() or USUAL_REPEATABILITY_PCT)  # type: ignore[arg-type]  # of floats
    known = dials_of(
        sources.meters, ledger, marks=marks, service=sources.service, repeatability=middle
    )
    last = marks.sort("performed_on", maintain_order=True).group_by("meter_id").last()
    stands = {row["meter_id"]: row for row in last.iter_rows(named=True)}
    made = {}
    for row in known.iter_rows(named=True):
        mark = stands.get(row["meter_id"], {})
        made[row["meter_id"]] = BenchDial(
            k=row["k"],
            k_sd=row["k_sd"],
            repeatability=noise.get(row["meter_id"]) or middle,
            mark=mark.get("mark"),
            mark_unit=mark.get("mark_unit") or "dial_pct",
        )
    return made


def bench_advice(
    checked: pl.DataFrame, sessions: pl.DataFrame, dials: Mapping[str, BenchDial]
) -> list[Row]:
    """Say what the readings of each visit point to that was found out and confirmed.

    Parameters
    ----------
    checked : pl.DataFrame
        Frame of `drift.review.visit_check.CHECKED`.
    sessions : pl.DataFrame
        Frame of `drift.store.tables.SESSIONS`, of the readings that were checked.
    dials : mapping of str to BenchDial
        From `bench_dials`.

    Returns
    -------
    list of dict
        ``meter_id performed_on visit_id sentence`` and ``mark_to``, in the mark's unit; null where
        no move of the mark is advised.
    """
    keys = ("meter_id", "visit_id")
    read = sessions.filter(pl.col("stage") == "as_found").partition_by(*keys, as_dict=True)
    made: list[Row] = []
    for visit, rows in checked.group_by(*keys, maintain_order=True):
        found = rows.filter(pl.col("stage") == "as_found").to_dicts()
        slipped = any(row["verdict"] == "likely_slip" for row in found)
        if slipped or not any(row["tolerance"] == CONFIRMED for row in found):
            continue
        points = [_point(row) for row in read[visit].sort("point_pct").iter_rows(named=True)]
        dial = dials.get(found[0]["meter_id"]) or usual_dial()
        sentence, mark_to = _advice(points, dial)
        told = {key: found[0][key] for key in (*keys, "performed_on")}
        made.append(told | {"sentence": sentence, "mark_to": mark_to})
    return made


def _point(row: Row) -> BenchPoint:
    """Return what was read at one point."""
    step = row["resolution_pct"] or ReadingChoices.resolution_pct
    return BenchPoint(row["correct_air_pct"], tuple(row["biases_pct"]), step)


def _advice(points: list[BenchPoint], dial: BenchDial) -> tuple[str, float | None]:
    """Word what the pattern points to and what to do about it; and where to put the mark."""
    weights = weigh_faults(points, dial)
    likeliest = max(weights, key=lambda name: weights[name])
    if weights[likeliest] < NAMED_FROM:
        return "The pattern over the points does not tell one cause from another.", None
    name, look = FAULT_WORDS[likeliest]
    told = f"The pattern points to this: {name} ({probability(weights[likeliest])}). {look}"
    if likeliest == "hand":
        moved = hand_changes(points, k=dial.k)
        return f"{told} Right at the point nearest 5 %, a reset changes {_at(points, moved)}.", None
    step = PRESSURE_STEPS.get(dial.mark_unit, min(each.resolution_pct for each in points))
    advice = advise_move(points, dial, set_step=step) if likeliest.startswith("mark") else None
    if advice is None or dial.mark is None or advice.to == dial.mark:
        return told, None
    unit = MARK_UNITS[dial.mark_unit]
    return (
        f"{told} Advised: from {plain(dial.mark)} to {plain(advice.to)} {unit}, which changes "
        f"{_at(points, advice.changes_pct)}."
    ), advice.to


def _at(points: list[BenchPoint], changes: tuple[float, ...]) -> str:
    """Word changes at points."""
    return listed(
        [
            f"{bias(change)} at {point(round(each.air_pct, 2))}"
            for each, change in zip(points, changes, strict=True)
        ]
    )
