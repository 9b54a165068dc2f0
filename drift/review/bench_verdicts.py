"""This module judges fresh readings by the tolerance and says so in sentences.

Whether a reading is believable and whether the meter is in tolerance are two questions: a gross
failure read twice is believable and out.  As found it is *confirmed* by the last two readings out
on the same side, and *unconfirmed* where only one is, or where the mean of all is out though the
last two are in.  A likely slip is looked up first: what a slip shows is no finding on the meter.
"""

import polars as pl

from drift.conformity.tolerance import within
from drift.format import bias_with_unit, day, listed, plain, point
from drift.frames import Row
from drift.meter.swaps import swapped_points
from drift.review.policy import Policy

WITHIN, CONFIRMED, UNCONFIRMED = "within", "out_confirmed", "out_unconfirmed"
OUT = (CONFIRMED, UNCONFIRMED)
DOUBTED = ("surprising", "likely_slip")
# What is told of visits, the gravest first; what `drift check` exits with 3 for stands apart.
ASKING = ("out_of_tolerance", "likely_slip", "surprising")
VERDICTS = (*ASKING, "repeat", "passes")
_SETTLED = ("act", "no_action", "held")


def tolerance_of(row: Row, policy: Policy) -> tuple[str, str]:
    """Judge one sitting by the tolerance.

    Parameters
    ----------
    row : dict
        With ``biases_pct``, ``bias_pct`` (its mean) and ``successive`` of
        `drift.conformity.tolerance.successive`.
    policy : Policy
        Tolerance and comparison.

    Returns
    -------
    code, words : str
        `WITHIN` without words, `CONFIRMED` or `UNCONFIRMED` with what it rests on and what to do.
    """
    left = row["stage"] == "as_left"
    last = [within(value, policy) for value in row["biases_pct"][-2:]]
    if row["successive"] == "act" or (left and len(last) == 2 and not any(last)):
        again = "not put right: adjust again, then read as left"
        return CONFIRMED, f"confirmed by two readings: {again if left else _ADJUST}"
    if not all(last):
        told = "by one reading only" if len(last) == 1 else "but the last two readings disagree"
        return UNCONFIRMED, f"{told}: read again before adjusting"
    if not within(row["bias_pct"], policy):
        return UNCONFIRMED, (
            "as the mean of all its readings, though the last two are within: a review judges by "
            "the mean, so see which readings are sound and read again"
        )
    return WITHIN, ""


_ADJUST = "adjust, then read as left"


def visit_verdicts(checked: pl.DataFrame) -> list[Row]:
    """Say what fresh readings ask for, the gravest first, then which visits pass.

    A visit passes where it was read twice within tolerance at every point that it was read at, and
    nothing else is asked of it.

    Parameters
    ----------
    checked : pl.DataFrame
        Frame of `drift.review.visit_check.CHECKED`.

    Returns
    -------
    list of dict
        ``meter_id performed_on visit_id stage point_pct verdict sentence``, verdict being one of
        `VERDICTS`; of a visit that passes without stage and point.
    """
    told = []
    for _, visit in checked.group_by(["meter_id", "visit_id"], maintain_order=True):
        sittings = visit.to_dicts()
        asked = [one for row in sittings if (one := _asked(row, sittings))]
        told += asked or [_quiet(sittings)]
    return sorted(told, key=lambda row: VERDICTS.index(row["verdict"]))


def _quiet(sittings: list[Row]) -> Row:
    """Say of a visit of which nothing is asked that it passes, or what is to be read again."""
    first = sittings[0]
    told = {key: first[key] for key in ("meter_id", "performed_on", "visit_id")}
    for row in sittings:
        if row["successive"] not in _SETTLED:
            where = f"{point(row['point_pct'])} {row['stage'].replace('_', ' ')}"
            sentence = f"REPEAT at {where}. {row['rule']}"
            place = {"stage": row["stage"], "point_pct": row["point_pct"]}
            return told | place | {"verdict": "repeat", "sentence": sentence}
    read = [
        f"{listed(at)} {stage.replace('_', ' ')}"
        for stage in ("as_found", "as_left")
        if (at := [point(row["point_pct"]) for row in sittings if row["stage"] == stage])
    ]
    sentence = f"passes at {' and at '.join(read)}."
    place = {"stage": None, "point_pct": None}
    return told | place | {"verdict": "passes", "sentence": sentence}


def _asked(row: Row, sittings: list[Row]) -> Row | None:
    """Return what one sitting of a visit asks for, None where nothing."""
    where = f"{point(row['point_pct'])} {row['stage'].replace('_', ' ')}"
    off = bias_with_unit(row["bias_pct"])
    if row["verdict"] == "likely_slip":
        verdict = "likely_slip"
        stands = f"; as it stands it would be out of tolerance ({off})"
        sentence = f"LIKELY SLIP at {where}" + (stands if row["tolerance"] in OUT else "")
        sentence += f". {row['sentence']}"
    elif row["tolerance"] in OUT:
        verdict = "out_of_tolerance"
        sentence = (
            f"OUT OF TOLERANCE at {where} ({off}), {row['tolerance_words']}{_since(row, sittings)}."
        )
    elif row["verdict"] == "surprising":
        verdict = "surprising"
        sentence = f"SURPRISING at {where}, though within tolerance. {row['sentence']}"
    else:
        return None
    keys = ("meter_id", "performed_on", "visit_id", "stage", "point_pct")
    return {key: row[key] for key in keys} | {"verdict": verdict, "sentence": sentence}


def _since(row: Row, sittings: list[Row]) -> str:
    """Say what the same file holds of the meter as left, where it was found out."""
    if row["stage"] == "as_left" or row["tolerance"] != CONFIRMED:
        return ""
    left = {each["point_pct"]: each for each in sittings if each["stage"] == "as_left"}
    if not left:
        return ""
    wrong = [point(pct) for pct, each in left.items() if each["successive"] != "held"]
    unread = [
        point(each["point_pct"])
        for each in sittings
        if each["stage"] == "as_found" and each["point_pct"] not in left
    ]
    if wrong or unread:
        told = [f"does not hold at {listed(wrong)}"] if wrong else []
        told += [f"was not read at {listed(unread)}"] if unread else []
        return f"; as left it {' and '.join(told)}"
    held = bias_with_unit(left[row["point_pct"]]["bias_pct"])
    return f"; as left it holds there ({held}) and at every point: put right"


def swap_sentence(row: Row) -> str:
    """Say of a row of `drift.meter.swaps.SWAPS` what its readings fit instead."""
    read = listed([plain(value) for value in row["readings_pct"]])
    if row["mutual"]:
        return (
            f"{read} at {point(row['point_pct'])}: likely swapped with "
            f"{point(row['fits_pct'])} of the same visit."
        )
    return f"{read} at {point(row['point_pct'])}: likely read at {point(row['fits_pct'])}."


def told_swaps(sessions: pl.DataFrame) -> list[str]:
    """Return a sentence for each sitting that looks written down at another point of its visit.

    It names meter, date and stage.
    """
    return [
        f"{row['meter_id']}, {day(row['performed_on'])} {row['stage'].replace('_', ' ')}: "
        f"{swap_sentence(row)}"
        for row in swapped_points(sessions).iter_rows(named=True)
    ]
