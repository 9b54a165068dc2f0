"""This module gathers the lines of a dossier's figures: tolerance, control limits, runs beyond."""

from collections.abc import Sequence
from datetime import date, timedelta
from itertools import groupby, pairwise

from drift import format as text
from drift.frames import Row, finite_or_none
from drift.report.figures.meter_history import AS_FOUND, UNTOUCHED
from drift.report.pages.dossier_history import Frame, PointRows

# Labels of lines are this far apart at least, in pixels.
_APART = 12.5
# Half the width of a run of one visit.
HALF_VISIT = timedelta(days=24)


def limit_lines(
    points: Sequence[PointRows], frame: Frame, *, tolerance: float, as_of: date
) -> list[Row]:
    """Return tolerance, control limits, centre and drift of each point, named where they end."""
    rows = []
    for point in points:
        for state in (AS_FOUND, UNTOUCHED):
            lines = _tolerance_lines(frame, tolerance)
            if state == AS_FOUND:
                lines += limit_stretches(point.limits, as_of=as_of)
            lines += _drift_label(point) if state == UNTOUCHED else []
            mine = [{"panel": point.panel, "state": state, **line} for line in lines]
            _set_apart(mine, frame, state)
            rows += mine
    return rows


def _tolerance_lines(frame: Frame, tolerance: float) -> list[Row]:
    """Return both limits of the tolerance, over the whole frame."""
    return [
        _line("tolerance", frame.first, frame.last, edge, f"tolerance {_short(edge)}")
        for edge in (tolerance, -tolerance)
    ]


def limit_stretches(rows: list[Row], *, as_of: date) -> list[Row]:
    """Return the stretches of centre and limits of one chart, each up to the next.

    A limit of a single visit so is a line as long as it was in force, and no dash.  The newest has
    its name.
    """
    lines = []
    for column, kind in (("upper", "control"), ("lower", "control"), ("centre", "centre")):
        known = [row for row in rows if finite_or_none(row[column]) is not None]
        stretches = [list(group) for _, group in groupby(known, key=lambda row: row[column])]
        for place, stretch in enumerate(stretches):
            newest = place == len(stretches) - 1
            first = stretch[0]["performed_on"]
            following = stretches[place + 1][0]["performed_on"] if not newest else as_of
            value = stretch[0][column]
            lines.append(
                {
                    "kind": kind,
                    "first": first,
                    "last": following,
                    "value": value,
                    "label": f"{kind} {text.bias(value)}" if newest else None,
                    "label_at": value if newest else None,
                }
            )
    return lines


def _drift_label(point: PointRows) -> list[Row]:
    """Return what stands where the line of the drift ends."""
    trend = point.trend
    if not point.fitted or trend is None or trend["drift_low"] is None:
        return []
    rate = (
        "rate hidden by the dial"
        if trend["drift"] is None
        else f"{_short(trend['drift'], places=3)} a year"
    )
    label = f"{rate}\n{text.interval(trend['drift_low'], trend['drift_high'])}"
    return [_line("drift", None, None, point.fitted[-1]["fit"], label)]


def _line(kind: str, first: date | None, last: date | None, value: float, label: str | None) -> Row:
    """Return one line with its name."""
    return {"kind": kind, "first": first, "last": last, "value": value, "label": label}


def _short(value: float, *, places: int = 2) -> str:
    """Return a bias with its sign, as a line is labelled."""
    return text.fixed(value, places=places, signed=True)


def _set_apart(lines: list[Row], frame: Frame, state: str) -> None:
    """Put each label at its line, pushed off its neighbours and into the frame."""
    pixel = frame.pixel(state)
    for line in lines:
        line["label_at"] = None
    labelled = sorted((line for line in lines if line["label"]), key=lambda line: line["value"])
    for line in labelled:
        low, high = frame.ends[state, line["panel"]]
        past = "↑" if line["value"] > high else "↓" if line["value"] < low else ""
        line["label"] += f" {past}" if past else ""
        line["value"] = min(high, max(low, line["value"]))
        line["label_at"] = line["value"]
    for below, line in pairwise(labelled):
        line["label_at"] = max(line["label_at"], below["label_at"] + _room(line) * pixel)
    # What was pushed out of the frame comes back, and pushes what is below it.
    if labelled:
        top = frame.ends[state, labelled[-1]["panel"]][1]
        labelled[-1]["label_at"] = min(top, labelled[-1]["label_at"])
    for above, line in pairwise(labelled[::-1]):
        line["label_at"] = min(line["label_at"], above["label_at"] - _room(above) * pixel)


def _room(above: Row) -> float:
    """Return how far below a label the next one stands at least, in pixels."""
    return _APART * (1 + str(above["label"]).count("\n"))


def runs_beyond(points: Sequence[PointRows], *, as_of: date) -> list[Row]:
    """Return each run of visits beyond the control limits, from its first day to its last."""
    rows = []
    for point in points:
        for beyond, run in groupby(point.limits, key=is_beyond):
            stretch = list(run)
            if not beyond:
                continue
            newest = stretch[-1] is point.limits[-1]
            first, last = stretch[0]["performed_on"], stretch[-1]["performed_on"]
            rows.append(
                {
                    "panel": point.panel,
                    "first": first - HALF_VISIT,
                    "last": as_of if newest else last + HALF_VISIT,
                    "visits": len(stretch),
                    "newest": newest,
                }
            )
    return rows


def is_beyond(row: Row) -> bool:
    """Say whether a point of a chart lies beyond its limits, those that it has."""
    value = finite_or_none(row["value"])
    if value is None:
        return False
    lower, upper = finite_or_none(row["lower"]), finite_or_none(row["upper"])
    return (upper is not None and value > upper) or (lower is not None and value < lower)
