"""This module says in a dossier's large figure what jumped, what leaves the tolerance and when."""

import math
from collections.abc import Sequence
from datetime import date

from drift import format as text
from drift.frames import Row
from drift.report.figures.meter_history import AS_FOUND, UNTOUCHED
from drift.report.pages.dossier_history import BOTH, Frame, PointRows, left_frame

# Right of this share of the frame a note ends at its place, left of it it begins there.
_TURNS = 0.55
# From this chance on a point is called out.
_OUT = 0.5
# Where notes stand: their height, and how near to a line of the tolerance, in pixels.
_LINE, _CLEAR = 13.0, 10.0


def levels_of(points: Sequence[PointRows], *, as_of: date) -> list[Row]:
    """Return the two levels of each point that jumped, as found and without adjustments."""
    rows = []
    for point in points:
        if point.jump is None:
            continue
        for state, column in ((AS_FOUND, "as_found_bias_pct"), (UNTOUCHED, "unadjusted_path_pct")):
            known = [row for row in point.visits if text.known(row[column])]
            before = [row for row in known if row["performed_on"] <= point.jump["after"]]
            since = [row for row in known if row["performed_on"] >= point.jump["by"]]
            rows += [
                {
                    "panel": point.panel,
                    "state": state,
                    "first": side[0]["performed_on"],
                    "last": as_of if side is since else point.jump["after"],
                    "level": sum(row[column] for row in side) / len(side),
                }
                for side in (before, since)
                if side
            ]
    return rows


def slots_of(points: Sequence[PointRows]) -> list[Row]:
    """Return between which days each jump happened."""
    return [
        {
            "panel": point.panel,
            "state": BOTH,
            "after": point.jump["after"],
            "by": point.jump["by"],
        }
        for point in points
        if point.jump is not None
    ]


def crossings_of(points: Sequence[PointRows], frame: Frame, *, tolerance: float) -> list[Row]:
    """Return where the forecast leaves the tolerance within the frame, with its interval."""
    rows = []
    for point in points:
        on = _leaves(point)
        if on is None or on > frame.last:
            continue
        early, late = point.forecast["crossing_early_on"], point.forecast["crossing_late_on"]  # type: ignore[index]
        rows.append(
            {
                "panel": point.panel,
                "on": on,
                "early": max(frame.first, early or on),
                "late": min(frame.last, late or frame.last),
                "edge": _edge(point, tolerance),
            }
        )
    return rows


def _leaves(point: PointRows) -> date | None:
    """Return when the point is expected to leave the tolerance, if it has not left it yet."""
    forecast = point.forecast
    if forecast is None or forecast["crossing_on"] is None:
        return None
    on: date = forecast["crossing_on"]
    return on if on > point.visits[-1]["performed_on"] else None


def _edge(point: PointRows, tolerance: float) -> float:
    """Return the side of the tolerance towards which the forecast goes."""
    ahead = point.ahead[-1]["level"] if point.ahead else 0.0
    return tolerance if ahead >= 0 else -tolerance


def notes_of(points: Sequence[PointRows], frame: Frame, *, tolerance: float) -> list[Row]:
    """Return what is written in the panels; `tolerance` is the largest bias that passes, % air."""
    rows = []
    for point in points:
        rows += _jump_notes(point, frame)
        rows += _crossing_notes(point, frame, tolerance)
        rows += _past_notes(point, frame)
        rows += _trace_notes(point, frame)
        rows += _out_notes(point, frame)
        rows += _path_notes(point, frame)
    return rows


def _jump_notes(point: PointRows, frame: Frame) -> list[Row]:
    """Say by how much a point jumped and when."""
    jump = point.jump
    if jump is None:
        return []
    words = (
        f"jumped {text.bias(jump['size'])} ({text.interval(jump['size_low'], jump['size_high'])})\n"
        f"between {text.day(jump['after'])} and {text.day(jump['by'])}"
    )
    end = _share_of(frame, jump["by"]) > _TURNS
    on, side = (jump["after"], "end") if end else (jump["by"], "start")
    above = jump["size"] > 0
    return [
        _at_edge(point, frame, state, on, words, tone="stop", side=side, up=above)
        for state in (AS_FOUND, UNTOUCHED)
    ]


def _crossing_notes(point: PointRows, frame: Frame, tolerance: float) -> list[Row]:
    """Say when the forecast leaves the tolerance."""
    on = _leaves(point)
    if on is None or point.forecast is None:
        return []
    if on > frame.last:
        words = f"leaves tolerance {text.day(on)}, beyond the frame →"
        up = _edge(point, tolerance) < 0
        return [
            _at_edge(point, frame, AS_FOUND, frame.last, words, tone="quiet", side="end", up=up)
        ]
    early, late = point.forecast["crossing_early_on"], point.forecast["crossing_late_on"]
    span = f"\n{text.month(early)} to {text.month(late)}" if early and late else ""
    edge = _edge(point, tolerance)
    # Inside the tolerance, where the fan has left.
    inside = math.copysign(3.4 * _LINE * frame.pixel(AS_FOUND), edge)
    words = f"leaves tolerance\n{text.day(on)}{span}"
    return [_note(point, AS_FOUND, frame.last, words, tone="stop", side="end", at=edge - inside)]


def _out_notes(point: PointRows, frame: Frame) -> list[Row]:
    """Say that a point is likelier out than in today."""
    chance = point.forecast["p_out_now"] if point.forecast else None
    if chance is None or chance < _OUT:
        return []
    words = f"out: chance\n{text.probability(chance)} today"
    level = point.ahead[0]["level"] if point.ahead else 0.0
    return [
        _at_edge(point, frame, AS_FOUND, frame.last, words, tone="stop", side="end", up=level > 0)
    ]


def _past_notes(point: PointRows, frame: Frame) -> list[Row]:
    """Say how far out a bias lies that is past the frame."""
    low, high = frame.ends[AS_FOUND, point.panel]
    rows = []
    for row in point.visits:
        found = row["as_found_bias_pct"]
        if not text.known(found) or low <= found <= high:
            continue
        up = found > high
        words = f"{'▲' if up else '▼'} {text.bias(found)}"
        on = row["performed_on"]
        rows.append(_at_edge(point, frame, AS_FOUND, on, words, tone="stop", side="middle", up=up))
    return rows


def _trace_notes(point: PointRows, frame: Frame) -> list[Row]:
    """Say where the path without adjustments leaves the frame, and where it is by now."""
    left = left_frame(point, frame)
    if left is None:
        return []
    newest = [row for row in point.visits if text.known(row["unadjusted_path_pct"])][-1]
    up = left["unadjusted_path_pct"] > 0
    words = (
        f"{'▲' if up else '▼'} without adjustments it leaves the frame here: "
        f"{text.bias(newest['unadjusted_path_pct'])} by {text.month(newest['performed_on'])}"
    )
    on = left["performed_on"]
    side = "end" if _share_of(frame, on) > _TURNS else "start"
    return [_at_edge(point, frame, AS_FOUND, on, words, tone="look", side=side, up=up)]


def _path_notes(point: PointRows, frame: Frame) -> list[Row]:
    """Say where the path without adjustments has come to."""
    known = [row for row in point.visits if text.known(row["unadjusted_path_pct"])]
    if not known or point.jump is not None:
        return []
    newest = known[-1]
    words = f"{text.bias(newest['unadjusted_path_pct'])}\n{text.day(newest['performed_on'])}"
    at = newest["unadjusted_path_pct"]
    return [_note(point, UNTOUCHED, frame.last, words, tone="calm", side="end", at=at)]


def _share_of(frame: Frame, on: date) -> float:
    """Return how far along the frame a day lies."""
    return (on - frame.first).days / max(1, (frame.last - frame.first).days)


def _at_edge(
    point: PointRows,
    frame: Frame,
    state: str,
    on: date,
    words: str,
    *,
    tone: str,
    side: str,
    up: bool,
) -> Row:
    """Return a note at the top or the foot of its panel, clear of the line of the tolerance."""
    low, high = frame.ends[state, point.panel]
    pixel = frame.pixel(state)
    half = _LINE * (1 + words.count("\n")) / 2 * pixel
    edge, inwards = (high, -1) if up else (low, 1)
    tolerance = frame.tolerance if up else -frame.tolerance
    at = edge + inwards * half
    if abs(at - tolerance) < half:
        at = tolerance + inwards * (half + _CLEAR * pixel / 3)
    return _note(point, state, on, words, tone=tone, side=side, at=at)


def _note(
    point: PointRows, state: str, on: date, words: str, *, tone: str, side: str, at: float
) -> Row:
    """Return one note."""
    return {
        "panel": point.panel,
        "state": state,
        "on": on,
        "at": at,
        "text": words,
        "tone": tone,
        "side": side,
        "up": 0.5 * _LINE * words.count("\n"),
    }
