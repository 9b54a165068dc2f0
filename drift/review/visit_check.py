"""This module judges fresh readings against what was expected of them.

A sitting is *believable* where its mean lies in the band of its mean and every reading in the band
of single readings, *surprising* where one does not, a *likely slip* where a slip of the pen
explains it with at least the probability `drift.review.slips.LIKELY` or the readings of two points
are swapped, and *cannot say* where no band can be given.  Whether the meter is in tolerance is
another question, answered by `drift.review.bench_verdicts` with or without a history.
"""

import math
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from drift.conformity.tolerance import successive
from drift.forecast.predict_visit import Bands, Expected, Outlook, expected_at
from drift.format import bias_with_unit, day, interval, plain, point, probability, times
from drift.frames import DAYS_PER_YEAR, EPOCH, Row, Schema
from drift.ids import nearest_ids
from drift.meter.swaps import swapped_points
from drift.review.bench_verdicts import CONFIRMED, DOUBTED, swap_sentence, tolerance_of
from drift.review.policy import Policy
from drift.review.slips import (
    LIKELY,
    AlikeMeters,
    Slip,
    SlipPosterior,
    alike_meters,
    log_changed,
    log_evidence,
    log_spoilt,
    meter_evidences,
    sitting_slips,
    slip_posterior,
    wrong_meter_posterior,
)

# One row per meter, visit, stage and point of the fresh file.  mean_* and single_* are the bands of
# the bias of the mean and of one reading, null where none can be given; verdict is believable,
# surprising, likely_slip or cannot_say.  slip, bayes_factor and p_slip speak of the likeliest slip
# of the sitting, null where none is worth telling.  successive is act, no_action, repeat or
# one_reading (as found), or held, repeat or one_reading (as left).  tolerance is within,
# out_confirmed or out_unconfirmed, tolerance_words what it rests on and what to do, empty within.
CHECKED: Schema = {
    "meter_id": pl.String,
    "performed_on": pl.Date,
    "visit_id": pl.String,
    "stage": pl.String,
    "point_pct": pl.Float64,
    "correct_air_pct": pl.Float64,
    "readings_pct": pl.List(pl.Float64),
    "bias_pct": pl.Float64,
    "mean_low": pl.Float64,
    "mean_high": pl.Float64,
    "single_low": pl.Float64,
    "single_high": pl.Float64,
    "verdict": pl.String,
    "slip": pl.String,
    "bayes_factor": pl.Float64,
    "p_slip": pl.Float64,
    "successive": pl.String,
    "sentence": pl.String,
    "rule": pl.String,
    "tolerance": pl.String,
    "tolerance_words": pl.String,
}

# What is expected at one time, by meter and point.
At = dict[tuple[str, float], Expected]
# Natural logarithm of the largest Bayes factor that is told.
_LARGEST_LOG = math.log(1e12)
# Probability below which no slip is named.
_WORTH_TELLING = 0.01


@dataclass(frozen=True, slots=True)
class History:
    """What the fresh readings are compared with.

    Attributes
    ----------
    series : dict of (str, float) to int
        Series whose level is known, by meter and point.
    last_visit_on : dict of str to date
        Of every meter of the ledger.
    correct : dict of (str, float) to float
        Correct air content at the last visit, % air.
    outlook : Outlook
        Of the fleet.
    retired : frozenset of str
        Meters that are not taken for another's.
    """

    series: dict[tuple[str, float], int]
    last_visit_on: dict[str, date]
    correct: dict[tuple[str, float], float]
    outlook: Outlook
    retired: frozenset[str]


def history_of(ledger: pl.DataFrame, meters: pl.DataFrame, outlook: Outlook) -> History:
    """Gather what fresh readings are compared with.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    meters : pl.DataFrame
        Rows of the input table ``meters``.
    outlook : Outlook
        Of the ledger.
    """
    last = ledger.sort("series", "visit").group_by("series", maintain_order=True).last()
    rows = last.to_dicts()
    visits = ledger.group_by("meter_id").agg(on=pl.col("performed_on").max())
    retired = meters.filter(pl.col("status") == "retired")["meter_id"]
    return History(
        series={
            (row["meter_id"], row["point_pct"]): row["series"]
            for row in rows
            if row["left_bias_pct"] is not None
        },
        last_visit_on=dict(visits.iter_rows()),
        correct={(row["meter_id"], row["point_pct"]): row["correct_air_pct"] for row in rows},
        outlook=outlook,
        retired=frozenset(retired),
    )


def check_readings(fresh: pl.DataFrame, history: History, policy: Policy) -> pl.DataFrame:
    """Judge fresh readings before they are loaded.

    Parameters
    ----------
    fresh : pl.DataFrame
        Frame of `drift.store.tables.SESSIONS`.
    history : History
        What was known before them.
    policy : Policy
        Tolerance, comparison and coverage of the bands.

    Returns
    -------
    pl.DataFrame
        Frame of `CHECKED`, by meter, date, visit, stage and point.
    """
    bands = Bands(history.outlook)
    rows: list[Row] = []
    for (on,), of_day in fresh.group_by(["performed_on"], maintain_order=True):
        years = (on - EPOCH).days / DAYS_PER_YEAR
        seen = set(of_day["meter_id"])
        at = _expect(history, years, {key for key in history.series if key[0] in seen})
        everyone: dict[float, list[AlikeMeters]] = {}
        for _, visit in of_day.group_by(["meter_id", "visit_id"], maintain_order=True):
            sittings = visit.to_dicts()
            judged, weighed = _check_visit(sittings, at, bands, history, policy)
            # Readings that are what their own meter should show are not another's.
            if any(row["verdict"] in DOUBTED for row in judged):
                everyone = everyone or _in_use(history, years)
                _name_meter(judged, _weigh_meter(sittings, weighed, everyone))
            rows += judged
    _name_swaps(rows, swapped_points(fresh))
    order = ("meter_id", "performed_on", "visit_id", "stage", "point_pct")
    return pl.DataFrame(rows, schema=CHECKED).sort(*order)


def _expect(history: History, years: float, keys: set[tuple[str, float]]) -> At:
    """Return what is expected of some series at one time, by meter and point."""
    names = {history.series[key]: key for key in keys}
    found = expected_at(history.outlook, dict.fromkeys(names, years))
    return {names[name]: expected for name, expected in found.items()}


def _check_visit(
    sittings: list[Row], at: At, bands: Bands, history: History, policy: Policy
) -> tuple[list[Row], dict[float, SlipPosterior]]:
    """Judge the sittings of one visit; return also what was weighed, by point as found."""
    meter_id, on = sittings[0]["meter_id"], sittings[0]["performed_on"]
    why = _no_history(meter_id, on, history)
    weighed = {
        row["point_pct"]: _weigh_sitting(row, sittings, at, history)
        for row in sittings
        if not why and row["stage"] == "as_found" and (meter_id, row["point_pct"]) in at
    }
    judged = [
        _row(
            row,
            expected=None if why else at.get((meter_id, row["point_pct"])),
            weighed=weighed.get(row["point_pct"]) if row["stage"] == "as_found" else None,
            why=why,
            bands=bands,
            policy=policy,
        )
        for row in sittings
    ]
    return judged, weighed


def _name_meter(judged: list[Row], swapped: SlipPosterior) -> None:
    """Call the sittings of a visit another meter's where that is likely."""
    if swapped.slip is None or swapped.probability < LIKELY:
        return
    for row in judged:
        if row["mean_low"] is not None:
            row.update(_slip_columns(swapped))
            row["verdict"], row["sentence"] = "likely_slip", _slip_sentence(swapped.slip, row)


def _name_swaps(rows: list[Row], swaps: pl.DataFrame) -> None:
    """Call sittings whose readings fit another point of their visit a slip, history or none."""
    keys = ("meter_id", "performed_on", "visit_id", "stage", "point_pct")
    found = {tuple(swap[key] for key in keys): swap for swap in swaps.iter_rows(named=True)}
    for row in rows:
        swap = found.get(tuple(row[key] for key in keys))
        if swap is None or (row["slip"] == "wrong_point" and not swap["mutual"]):
            continue
        row.update(verdict="likely_slip", slip="wrong_point")
        row["sentence"] = f"{swap_sentence(swap)} Look at the sheet before loading."


def _no_history(meter_id: str, on: date, history: History) -> str:
    """Return why a meter's readings cannot be compared; empty where they can."""
    last = history.last_visit_on.get(meter_id)
    if last is None:
        near = nearest_ids(meter_id, history.last_visit_on)
        return "The meter has no history" + (
            f"; did you mean {' or '.join(near)}?" if near else "."
        )
    if on <= last:
        return (
            f"A visit of {day(last)} is on record: this is that one, an earlier one, or misdated."
        )
    return ""


def _readings(row: Row) -> list[float]:
    """Return the readings of a sitting, in order, % air."""
    return [round(value + row["correct_air_pct"], 9) for value in row["biases_pct"]]


def _weigh_sitting(row: Row, sittings: list[Row], at: At, history: History) -> SlipPosterior:
    """Weigh the slips that may be behind one sitting."""
    meter_id = row["meter_id"]
    own = at[meter_id, row["point_pct"]]
    given = {other["point_pct"]: other["correct_air_pct"] for other in sittings}
    others = {
        pct: (expected, given.get(pct, history.correct[meter_id, pct]))
        for (name, pct), expected in at.items()
        if name == meter_id and pct != row["point_pct"]
    }
    biases, step = np.array(row["biases_pct"]), row["resolution_pct"]
    slips = sitting_slips(
        own,
        np.array(_readings(row)),
        correct=row["correct_air_pct"],
        others=others,
        resolution=step,
    )
    return slip_posterior(
        slips,
        as_read=log_evidence(own, biases, resolution=step),
        changed=log_changed(
            biases, resolution=step or own.bins.resolution, noise=float(own.noise.min())
        ),
        spoilt=log_spoilt(own, biases, resolution=step),
    )


def _in_use(history: History, years: float) -> dict[float, list[AlikeMeters]]:
    """Return what is expected of every meter that is not retired at one time, by point."""
    keys = {key for key in history.series if key[0] not in history.retired}
    return alike_meters(_expect(history, years, keys))


def _weigh_meter(
    sittings: list[Row],
    weighed: dict[float, SlipPosterior],
    in_use: dict[float, list[AlikeMeters]],
) -> SlipPosterior:
    """Weigh that a visit belongs to another meter that has been read at all of its points."""
    found = [
        meter_evidences(
            in_use.get(row["point_pct"], []),
            np.array(row["biases_pct"]),
            resolution=row["resolution_pct"],
        )
        for row in sittings
        if row["stage"] == "as_found" and row["point_pct"] in weighed
    ]
    names = set.intersection(*map(set, found)) if found else set()
    others = {name: sum(one[name] for one in found) for name in names - {sittings[0]["meter_id"]}}
    return wrong_meter_posterior(sum(each.log_total for each in weighed.values()), others)


def _row(
    row: Row,
    *,
    expected: Expected | None,
    weighed: SlipPosterior | None,
    why: str,
    bands: Bands,
    policy: Policy,
) -> Row:
    """Return the judgement on one sitting."""
    made: Row = {name: row.get(name) for name in CHECKED}
    made["readings_pct"] = _readings(row)
    made["successive"], made["rule"] = successive(row["biases_pct"], row["stage"], policy)
    judged = row | {"successive": made["successive"]}
    made["tolerance"], made["tolerance_words"] = tolerance_of(judged, policy)
    if weighed is None or expected is None:
        left = "As left after work on it: there is no band, the tolerance alone judges."
        unknown = "Nothing is known of this point: never read, or left at an unknown bias."
        made["verdict"] = "cannot_say"
        made["sentence"] = why or (left if row["stage"] == "as_left" else unknown)
        return made
    count = row["replicates"]
    made["mean_low"], made["mean_high"] = bands.band(
        expected, replicates=count, level=policy.believable_level
    )
    # Several readings are each given a wider band, so that all of them are covered together.
    made["single_low"], made["single_high"] = bands.band(
        expected, replicates=1, level=1 - (1 - policy.believable_level) / count
    )
    made |= _slip_columns(weighed)
    if weighed.slip is not None and weighed.probability >= LIKELY:
        made["verdict"] = "likely_slip"
        made["sentence"] = _slip_sentence(weighed.slip, made)
        return made
    odd = _outside(row, made)
    made["verdict"] = "surprising" if odd else "believable"
    made["sentence"] = odd or (
        f"Mean bias {bias_with_unit(made['bias_pct'])}, expected "
        f"{interval(made['mean_low'], made['mean_high'])}."
    )
    return made


def _slip_columns(weighed: SlipPosterior) -> Row:
    """Return the columns that speak of a slip, none where none is worth telling."""
    if weighed.slip is None or weighed.probability < _WORTH_TELLING:
        return {}
    return {
        "slip": weighed.slip.kind,
        "p_slip": weighed.probability,
        "bayes_factor": math.exp(min(weighed.log_bayes_factor, _LARGEST_LOG)),
    }


def _outside(row: Row, made: Row) -> str:
    """Say what lies outside its band; empty where nothing does."""
    low, high = made["mean_low"], made["mean_high"]
    if not low - 1e-9 <= row["bias_pct"] <= high + 1e-9:
        side = "below" if row["bias_pct"] < low else "above"
        return (
            f"Mean bias {bias_with_unit(row['bias_pct'])} lies {side} what was expected, "
            f"{interval(low, high)}: {_before_adjusting(made)}."
        )
    low, high = made["single_low"], made["single_high"]
    odd = [
        (number, reading)
        for number, (off, reading) in enumerate(
            zip(row["biases_pct"], made["readings_pct"], strict=True), start=1
        )
        if not low - 1e-9 <= off <= high + 1e-9
    ]
    if not odd:
        return ""
    number, reading = odd[0]
    return (
        f"Reading {number}, {plain(reading)}, lies outside what one reading was expected to show, "
        f"bias {interval(low, high)}: {_before_adjusting(made)}."
    )


def _before_adjusting(made: Row) -> str:
    """Say what to do before a surprising meter is adjusted."""
    if made["tolerance"] == CONFIRMED:
        return "it was repeated; look at vessel, mark and sheet before adjusting"
    return "repeat before adjusting"


def _slip_sentence(slip: Slip, made: Row) -> str:
    """Say which slip is likely, how much likelier it is, and what was probably meant."""
    which = "" if slip.at is None else f" in reading {slip.at + 1}"
    meant = ", ".join(plain(value) for value in np.round(slip.meant, 9))
    words = {
        "sign": f"Likely a wrong sign{which}: meant may be {meant}",
        "decimal": f"Likely a decimal slip{which}: meant may be {meant}",
        "wrong_point": (
            f"Likely another point: read at "
            f"{point(slip.about if isinstance(slip.about, float) else None)}"
        ),
        "wrong_meter": f"Likely another meter: these readings are what {slip.about} should show",
    }
    return (
        f"{words[slip.kind]} ({times(made['bayes_factor'])} times likelier than as it stands; "
        f"probability {probability(made['p_slip'])}). Look at the sheet before loading."
    )
