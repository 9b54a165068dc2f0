"""This module gathers the lanes of a dossier's large figure: what happened, by date."""

from datetime import date, timedelta
from itertools import groupby

import polars as pl

from drift import format as text
from drift.frames import Row, of_meter
from drift.report.pages.dossier_history import Frame
from drift.review.results import Review

# A remark or a label of a lane is cut here, so that it does not cover its neighbours.
_LONGEST_REMARK, _LONGEST_NAME = 60, 9
# Right of this share of the frame words end at their mark.
_TURNS = 0.45
# Room that a letter takes, in shares of the frame.
_LETTER = 0.0098
_SERVICE = ("hand_reset",)
_UNITS = {"kpa": " kPa", "psi": " psi"}


def lanes_of(
    review: Review, ledger: pl.DataFrame, frame: Frame, *, signals: pl.DataFrame
) -> list[Row]:
    """Return the rows of all lanes, from the top.

    Parameters
    ----------
    review : Review
    ledger : pl.DataFrame
        Rows of the meter of `Review.judged`.
    frame : Frame
        What the figure shows.
    signals : pl.DataFrame
        Rows of the meter of `Review.signals`.
    """
    visits = _visits(ledger)
    meter_id = ledger["meter_id"][0]
    marks, service = (
        sorted(of_meter(frame, meter_id).to_dicts(), key=lambda row: row["performed_on"])
        for frame in (review.sources.marks, review.sources.service)
    )
    rows = [
        *_signal_lane(signals, visits, adjusted=any(row["adjusted"] for row in visits)),
        *_suspect_lane(of_meter(review.obligations, meter_id), visits, frame),
        *_remark_lane(visits, frame),
        *_adjustment_lane(visits),
        *_service_lane([row for row in service if row["action"] not in _SERVICE], frame),
        *_mark_lane(marks),
        *_operator_lane(visits, frame),
        *_vessel_lane(visits, review.sources.vessels, frame),
    ]
    places = {lane: place for place, lane in enumerate(dict.fromkeys(row["lane"] for row in rows))}
    return [{**row, "place": places[row["lane"]]} for row in rows]


def _visits(ledger: pl.DataFrame) -> list[Row]:
    """Return the visits, each with what its points have in common."""
    columns = ("performed_on", "visit_id", "point_pct", "adjusted", "within", "operator")
    told = ("vessel_id", "remarks", "events", "as_found_bias_pct", "as_left_bias_pct")
    rows = ledger.select(*columns, *told).to_dicts()
    rows.sort(key=lambda row: (row["performed_on"], row["visit_id"], row["point_pct"]))
    visits = []
    for _, group in groupby(rows, key=lambda row: (row["performed_on"], row["visit_id"])):
        points = list(group)
        visits.append(
            {
                "on": points[0]["performed_on"],
                "adjusted": any(row["adjusted"] for row in points),
                "outside": any(row["within"] is False for row in points),
                "operator": _first(points, "operator"),
                "vessel": _first(points, "vessel_id"),
                "remarks": _first(points, "remarks"),
                "events": _first(points, "events"),
                "moved": _moved(points),
            }
        )
    return visits


def _first(points: list[Row], column: str) -> str:
    """Return the first text of a column that is not empty."""
    return next((row[column] for row in points if row[column]), "")


def _moved(points: list[Row]) -> float:
    """Return the largest change of an adjustment, % air, with its sign; 0 where not known."""
    moves = [
        row["as_left_bias_pct"] - row["as_found_bias_pct"]
        for row in points
        if text.known(row["as_left_bias_pct"]) and text.known(row["as_found_bias_pct"])
    ]
    return max(moves, key=abs, default=0.0)


def _signal_lane(signals: pl.DataFrame, visits: list[Row], *, adjusted: bool) -> list[Row]:
    """Return how many signals each visit gave; those without a response stand out."""
    open_signals = signals["answered_on"].null_count()
    if signals.is_empty():
        why = ": each reset keeps the charts quiet" if adjusted else ""
        return [_word("signals, none", visits[0]["on"], f"none{why}", tone="quiet", side="start")]
    lane = f"signals, {open_signals} open" if open_signals else f"signals, {signals.height}"
    by_day = signals.group_by("visit_on").agg(
        many=pl.len(),
        open=pl.col("answered_on").null_count(),
        told=pl.when(pl.col("point_pct").is_null())
        .then(pl.col("chart").str.replace_all("_", " "))
        .otherwise(pl.format("{} at {} %", pl.col("chart").str.replace_all("_", " "), "point_pct"))
        .unique(maintain_order=True)
        .str.join(", "),
    )
    rows = []
    for row in by_day.sort("visit_on").iter_rows(named=True):
        told = f"{text.day(row['visit_on'])}: {text.count(row['many'], 'signal')}, {row['told']}"
        tone = "stop" if row["open"] else "quiet"
        rows.append(_mark(lane, row["visit_on"], "signal", tone, told))
        rows.append(_word(lane, row["visit_on"], str(row["many"]), tone="paper", side="middle"))
    return rows


def _suspect_lane(obligations: pl.DataFrame, visits: list[Row], frame: Frame) -> list[Row]:
    """Return the span for which results are in doubt."""
    asked = obligations.filter(pl.col("obligation") == "review_results").to_dicts()
    outside = [visit["on"] for visit in visits if visit["outside"]]
    if not asked or asked[0]["since_on"] is None or not outside:
        return []
    since, closed = asked[0]["since_on"], max(outside)
    days = text.count((closed - since).days, "day")
    words = f"{days} since it was last known good, {text.day(since)}"
    side = "end" if _share(frame, since) > _TURNS else "start"
    on = since if side == "end" else closed
    span = {"on": since, "to": closed, "kind": "span", "tone": "stop", "told": words}
    lane = "suspect period"
    return [
        {"lane": lane, **span, "text": None, "side": None},
        _word(lane, on, words, tone="stop", side=side),
    ]


def _remark_lane(visits: list[Row], frame: Frame) -> list[Row]:
    """Return the remarks, the newest in words, and before it those that it leaves room for."""
    noted = [visit for visit in visits if visit["remarks"]]
    rows: list[Row] = []
    lane = f"remarks, {len(noted)}"
    taken = 1.0
    for visit in reversed(noted):
        who = f"{visit['operator']}, " if visit["operator"] else ""
        told = f"{who}{text.day(visit['on'])}: “{visit['remarks']}”"
        tone = "stop" if visit["outside"] else "ink"
        rows.append(_mark(lane, visit["on"], "tick", tone, told))
        at = _share(frame, visit["on"])
        words = text.shortened(f"“{visit['remarks']}”", longest=_LONGEST_REMARK)
        room = _LETTER * len(words)
        if at > _TURNS and at <= taken and at - room > 0:
            rows.append(_word(lane, visit["on"], words, tone=tone, side="end"))
            taken = at - room
        elif at <= _TURNS and at + room <= taken:
            rows.append(_word(lane, visit["on"], words, tone=tone, side="start"))
            taken = at
    return rows[::-1]


def _adjustment_lane(visits: list[Row]) -> list[Row]:
    """Return the adjustments, each a triangle the way it moved the reading."""
    adjusted = [visit for visit in visits if visit["adjusted"]]
    if not adjusted:
        return []
    only_hand = all(visit["events"] == "hand reset" for visit in adjusted)
    lane = f"{'hand reset' if only_hand else 'adjusted'}, {len(adjusted)}"
    return [
        _mark(
            lane,
            visit["on"],
            "reset_up" if visit["moved"] > 0 else "reset_down",
            "look",
            f"{text.day(visit['on'])}: {visit['events'] or 'adjusted'}"
            + (f", by {text.bias_with_unit(visit['moved'])}" if visit["moved"] else ""),
        )
        for visit in adjusted
    ]


def _service_lane(service: list[Row], frame: Frame) -> list[Row]:
    """Return what else was done to the meter or happened to it."""
    rows: list[Row] = []
    lane = f"service, {len(service)}"
    for row in service:
        words = text.words_of(row["action"])
        said = f": {row['remarks']}" if row["remarks"] else ""
        day = text.day(row["performed_on"])
        rows.append(
            _mark(
                lane,
                row["performed_on"],
                "service",
                "ink",
                f"{day}: {words}{said}",
            )
        )
        side = "end" if _share(frame, row["performed_on"]) > _TURNS else "start"
        rows.append(_word(lane, row["performed_on"], words, tone="ink", side=side))
    return rows


def _mark_lane(marks: list[Row]) -> list[Row]:
    """Return the records of the initial pressure mark; those that moved it are filled squares."""
    if not marks:
        return []
    moved = sum(row["action"] == "moved" for row in marks)
    lane = f"mark, moved {moved}×" if moved else "mark, never moved"
    return [
        _mark(
            lane,
            row["performed_on"],
            "moved" if row["action"] == "moved" else "tick",
            "look" if row["action"] == "moved" else "ink",
            f"{text.day(row['performed_on'])}: mark {row['action']} at "
            f"{text.plain(row['mark'])}{_UNITS.get(row['mark_unit'] or '', ' % on the dial')}",
        )
        for row in marks
    ]


def _operator_lane(visits: list[Row], frame: Frame) -> list[Row]:
    """Return who read each visit: what tells the names apart, or their first letters.

    One who read them all is named once, and has a line.
    """
    names = sorted({visit["operator"] for visit in visits if visit["operator"]})
    if len(names) == 1:
        days = [visit["on"] for visit in visits if visit["operator"]]
        return _line("operator", names[0], days, frame, told=f"all read by {names[0]}")
    if not names:
        return []
    shared = _beginning(names)
    if any(len(name) - len(shared) > 2 for name in names):
        shared = ""
    lane = f"operator, {shared}" if shared else "operator"
    return [
        _word(
            lane,
            visit["on"],
            visit["operator"][len(shared) :][:3] or "–",
            tone="ink",
            side="middle",
            told=f"{text.day(visit['on'])}: read by {visit['operator']}",
        )
        for visit in visits
        if visit["operator"]
    ]


def _beginning(names: list[str]) -> str:
    """Return what all of several names begin with."""
    first, last = min(names), max(names)
    alike = [one == other for one, other in zip(first, last, strict=False)]
    return first[: alike.index(False)] if False in alike else first[: len(alike)]


def _vessel_lane(visits: list[Row], vessels: pl.DataFrame, frame: Frame) -> list[Row]:
    """Return which vessel served, and from which of its calibrations on."""
    calibrated = [
        (row["vessel_id"], row["calibrated_on"])
        for row in vessels.sort("calibrated_on").iter_rows(named=True)
    ]

    def served(visit: Row) -> tuple[str, date | None]:
        days = [on for vessel, on in calibrated if vessel == visit["vessel"] and on <= visit["on"]]
        return visit["vessel"], max(days, default=None)

    rows: list[Row] = []
    for (vessel, since), run in groupby((visit for visit in visits if visit["vessel"]), key=served):
        days = [visit["on"] for visit in run]
        name = f"{vessel} calibrated {since.year}" if since else vessel
        told = f"{vessel}, {text.day(days[0])} to {text.day(days[-1])}"
        rows += _line("vessel", name, days, frame, told=told)
    return rows


def _line(lane: str, name: str, days: list[date], frame: Frame, *, told: str) -> list[Row]:
    """Return a line over the days of a name, which begins where the name has ended if it fits."""
    taken = timedelta(days=round(_LETTER * (len(name) + 2) * (frame.last - frame.first).days))
    named = days[0] + taken < days[-1]
    first = days[0] + taken if named else days[0]
    span = {"on": first, "to": days[-1], "kind": "span", "tone": "quiet", "told": told}
    line = {"lane": lane, **span, "text": None, "side": None}
    return [line, *([_word(lane, days[0], name, tone="ink", side="start", told=told)] * named)]


def days_of(review: Review, due: date | None) -> list[Row]:
    """Return the days that stand over the whole figure: that of the review, and the next due."""
    if due is None:
        return [{"on": review.as_of, "text": f"today {_short_day(review.as_of)}", "side": "end"}]
    late = due < review.as_of
    today = {"on": review.as_of, "text": f"today {_short_day(review.as_of)}"}
    coming = {"on": due, "text": f"{'was due' if late else 'due'} {_short_day(due)}"}
    return [
        {**today, "side": "start" if late else "end"},
        {**coming, "side": "end" if late else "start"},
    ]


def _short_day(on: date) -> str:
    """Return a day without its year."""
    return text.day(on).rpartition(text.NO_BREAK)[0]


def _share(frame: Frame, on: date) -> float:
    """Return how far along the frame a day lies."""
    return (on - frame.first).days / max(1, (frame.last - frame.first).days)


def _mark(lane: str, on: date, kind: str, tone: str, told: str) -> Row:
    """Return a symbol of a lane."""
    return {
        "lane": lane,
        "on": on,
        "to": None,
        "kind": kind,
        "tone": tone,
        "text": None,
        "side": None,
        "told": told,
    }


def _word(lane: str, on: date, words: str, *, tone: str, side: str, told: str = "") -> Row:
    """Return words of a lane."""
    return {
        "lane": lane,
        "on": on,
        "to": None,
        "kind": "text",
        "tone": tone,
        "text": words,
        "side": side,
        "told": told or None,
    }
