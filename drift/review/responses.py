"""This module matches responses with signals, and says which may be recorded."""

from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

import polars as pl

from drift.errors import DriftError
from drift.format import day
from drift.frames import Schema
from drift.ids import nearest_ids
from drift.review.settled import settled_since
from drift.store.tables import Sources

# One row per response: `data/responses.csv`.  meter_id and visit_on are those of the signal it
# names, null where it names none of this review; given_meter_id is the meter it was recorded for,
# null where it does not say.  problem is empty where the response answers its signal, and where
# settled says which amendment or withdrawal of its readings took the signal away.
RESPONSES: Schema = {
    "signal_id": pl.String,
    "recorded_on": pl.Date,
    "recorded_by": pl.String,
    "finding": pl.String,
    "action": pl.String,
    "given_meter_id": pl.String,
    "meter_id": pl.String,
    "visit_on": pl.Date,
    "problem": pl.String,
    "settled": pl.String,
}

# Open signals that a message names.
_MOST_NAMED = 3


def match_responses(
    responses: pl.DataFrame,
    signals: pl.DataFrame,
    *,
    ledger: pl.DataFrame,
    amendments: pl.DataFrame,
    set_aside: pl.DataFrame,
    strays: bool = True,
) -> pl.DataFrame:
    """Say of every response which signal it answers, or why it answers none.

    Parameters
    ----------
    responses : pl.DataFrame
        Rows of the input table ``responses``.
    signals : pl.DataFrame
        Frame of `drift.limits.signals.SIGNALS`.
    ledger, amendments, set_aside : pl.DataFrame
        Frames of `drift.meter.ledger` and `drift.store.tables`, to tell signals that an amendment
        or a withdrawal took away.
    strays : bool
        Whether those that name no signal are told; not where these are some meters' signals.

    Returns
    -------
    pl.DataFrame
        Frame of `RESPONSES`, by date and signal.

    Notes
    -----
    A response answers a signal that stands in this review, of the meter that it was recorded for
    where one was named, and that was there to be answered on its day.  Anything else leaves the
    signal open: better a question too many than a signal closed by a slip.
    """
    known = {row["signal_id"]: row for row in signals.iter_rows(named=True)}
    unknown = set(responses["signal_id"]) - known.keys()
    if not strays:
        set_aside = set_aside.filter(pl.col("meter_id").is_in(ledger["meter_id"].implode()))
    gone = settled_since(unknown, ledger=ledger, amendments=amendments, set_aside=set_aside)
    rows = []
    for given in responses.sort("recorded_on", "signal_id").iter_rows(named=True):
        signal = known.get(given["signal_id"]) or gone.get(given["signal_id"])
        if signal is None and not strays:
            continue
        rows.append(
            {name: given[name] for name in ("signal_id", "recorded_on", "recorded_by")}
            | {name: given[name] for name in ("finding", "action")}
            | {
                "given_meter_id": given["meter_id"],
                "meter_id": signal["meter_id"] if signal else None,
                "visit_on": signal["visit_on"] if signal else None,
                "problem": _problem(given, signal, known),
                "settled": signal.get("settled", "") if signal else "",
            }
        )
    return pl.DataFrame(rows, schema=RESPONSES)


def answered_on(matched: pl.DataFrame) -> pl.DataFrame:
    """Return ``signal_id`` and ``answered_on``, the day of the first response that answers it."""
    sound = matched.filter(pl.col("problem") == "")
    return sound.group_by("signal_id").agg(answered_on=pl.col("recorded_on").min())


def why_no_answer(signal: dict[str, Any], *, meter_id: str | None, recorded_on: date) -> str:
    """Return why a response cannot answer a signal; empty where it can.

    Parameters
    ----------
    signal : dict
        A row of `drift.limits.signals.SIGNALS`.
    meter_id : str or None
        Meter that the response was recorded for, None where it does not say.
    recorded_on : date
        Its day.
    """
    if meter_id is not None and meter_id != signal["meter_id"]:
        return f"recorded for {meter_id}, but the signal is of {signal['meter_id']}"
    if recorded_on < signal["visit_on"]:
        return f"recorded before the visit of {day(signal['visit_on'])} that it is to answer"
    return ""


def _problem(
    given: dict[str, Any], signal: dict[str, Any] | None, known: dict[str, dict[str, Any]]
) -> str:
    """Return why a response answers nothing; empty where it does."""
    if signal is not None:
        return why_no_answer(signal, meter_id=given["meter_id"], recorded_on=given["recorded_on"])
    near = nearest_ids(given["signal_id"], known, most=1)
    return "names no signal of this review" + (f"; the nearest is {near[0]}" if near else "")


@dataclass(frozen=True, slots=True)
class Response:
    """What was found and done about a signal, as it is to be recorded.

    Attributes
    ----------
    signal_id, finding, action, recorded_by : str
        Columns of the input table ``responses``, none empty.
    recorded_on : date
        Its day.
    meter_id : str or None
        The meter that it is meant for; None to take the signal's word for it.
    """

    signal_id: str
    finding: str
    action: str
    recorded_by: str
    recorded_on: date
    meter_id: str | None = None


def check_response(response: Response, *, as_of: date) -> None:
    """Raise if something is missing, or dated in the future."""
    for name in ("finding", "action", "recorded_by"):
        if not asdict(response)[name].strip():
            raise DriftError(
                what=f"{name} is empty", where="the response", expected="a few words", hint=""
            )
    if response.recorded_on > as_of:
        raise DriftError(
            what=f"is dated {response.recorded_on}, after {as_of}",
            where="the response",
            expected="a day that has come",
        )


def answerable_signal(response: Response, signals: pl.DataFrame) -> dict[str, Any]:
    """Return the signal that a response names, or raise where it cannot answer one."""
    named = signals.filter(pl.col("signal_id") == response.signal_id).to_dicts()
    if named:
        why = why_no_answer(named[0], meter_id=response.meter_id, recorded_on=response.recorded_on)
        if not why:
            return named[0]
        raise DriftError(
            what=f"cannot be answered like this: {why}",
            where=response.signal_id,
            expected="a response to a signal of its meter, dated on or after its visit",
            hint=_open_hint(signals, response.meter_id),
        )
    near = nearest_ids(response.signal_id, signals["signal_id"])
    raise DriftError(
        what="is no signal of this source" + (f"; the nearest is {near[0]}" if near else ""),
        where=response.signal_id,
        expected="an id from data/signals.csv of a review under the same policy",
        hint=_open_hint(signals, response.meter_id),
    )


def _open_hint(signals: pl.DataFrame, meter_id: str | None) -> str:
    """Return the open signals of a meter, where one was named."""
    if meter_id is None:
        return ""
    mine = signals.filter((pl.col("meter_id") == meter_id) & pl.col("answered_on").is_null())
    if mine.is_empty():
        return f"{meter_id} has no open signal"
    shown = mine.sort("visit_on").tail(_MOST_NAMED)
    ids = ", ".join(f"{row['signal_id']} ({row['visit_on']})" for row in shown.to_dicts())
    return f"newest open signals of {meter_id}: {ids}"


def check_new_response(response: Response, responses: pl.DataFrame) -> None:
    """Raise if a response to the same signal and of the same day is on record."""
    same = responses.filter(
        (pl.col("signal_id") == response.signal_id)
        & (pl.col("recorded_on") == response.recorded_on)
    ).to_dicts()
    if not same:
        return
    first = same[0]
    alike = all(
        first[name] == asdict(response)[name] for name in ("finding", "action", "recorded_by")
    )
    raise DriftError(
        what=(
            "has this response already"
            if alike
            else f"has a response of {response.recorded_on} by {first['recorded_by']} already"
        ),
        where=response.signal_id,
        expected="one response to a signal a day",
        hint="" if alike else "give another day with --on, or amend the row where it was recorded",
    )


def with_responses(
    signals: pl.DataFrame, sources: Sources, ledger: pl.DataFrame, *, strays: bool = True
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return signals with ``answered_on``, and every response with the signal that it answers."""
    matched = match_responses(
        sources.responses,
        signals,
        ledger=ledger,
        amendments=sources.amendments,
        set_aside=sources.set_aside,
        strays=strays,
    )
    answered = signals.join(answered_on(matched), on="signal_id", how="left", maintain_order="left")
    return answered, matched
