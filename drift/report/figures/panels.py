"""This module draws the panels of a meter's figure, and what their marks say when pointed at."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby

from drift import format as text
from drift.frames import Row
from drift.report.figures import canvas
from drift.report.figures.canvas import Dates, Picture, Scale, bias_ticks, dates
from drift.report.figures.drawing import PANEL_WIDTH, colour

# Room above and below the marks, as a share of what they span.
_ROOM = 0.07
# Around the panels, in pixels: labels of the axes, and half a label at the right end.
LEFT, RIGHT = 46, 16
_HEADING, _APART, _FOOT = 20, 14, 24
_TICK = 4
_MOST_TICKS = 6
_ON_TOP = ("dot", "left", "middle", "test")

SEP = " · "
_LONGEST = 200


@dataclass(frozen=True, slots=True)
class Mark:
    """One vertex, dot or bar of a figure.

    Attributes
    ----------
    panel : str
        Heading of the panel it stands in.
    kind : str
        A key of `STYLES`, which gives its geometry and looks.
    on : date
        Where it stands on the time axis.
    y : float or None
        Bias of a vertex or dot, % air; a line is broken where it is None.
    run : int
        Which line of its kind a vertex belongs to.
    low, high : float or None
        Ends of a bar or band, % air; a bar without ends is as high as its panel.
    says : str
        What a dot stands for, for who points at it; empty where nobody asks.
    """

    panel: str
    kind: str
    on: date
    y: float | None = None
    run: int = 0
    low: float | None = None
    high: float | None = None
    says: str = ""


@dataclass(frozen=True, slots=True)
class Style:
    """How a kind of mark looks; `role` is a colour of the theme."""

    geometry: str
    role: str
    width: float = 1.0
    dash: tuple[int, int] | None = None
    shape: str = "circle"
    size: int = 30
    filled: bool = False
    opacity: float = 1.0


# In the order in which they are drawn, the last on top.
STYLES = {
    "fan": Style("band", "forecast", opacity=0.28),
    "ahead": Style("line", "ink", width=1.4, dash=(1, 3)),
    "band": Style("band", "edge", opacity=0.3),
    "past": Style("band", "measured", opacity=0.18),
    "adjusted": Style("bar", "adjusted", width=1.3, dash=(2, 2)),
    "jump": Style("bar", "ink", width=1.3, dash=(9, 4)),
    "expected": Style("bar", "forecast", width=5),
    "lower": Style("line", "quiet", dash=(5, 3)),
    "upper": Style("line", "quiet", dash=(5, 3)),
    "centre": Style("line", "quiet"),
    "fit": Style("line", "ink", width=1.6),
    "link": Style("line", "measured"),
    "signal": Style("dot", "signal", width=1.9, size=170),
    "dot": Style("dot", "measured", filled=True),
    "left": Style("dot", "left", width=1.6, shape="triangle-up", size=46),
    "test": Style("dot", "signal", width=1.5, shape="diamond", size=44),
    "middle": Style("dot", "ink", width=1.8, shape="stroke", size=130),
}


@dataclass(frozen=True, slots=True)
class _Panel:
    """Where one panel lies: its heading, its upper edge in pixels, and its axis of bias."""

    heading: str
    top: float
    bias: Scale


def draw_panels(
    marks: Sequence[Mark],
    *,
    panels: Sequence[str],
    span: tuple[date, date],
    reach: tuple[float, float],
    height: int,
    tolerance_pct: float | None = None,
) -> Picture:
    """Draw marks, one panel for each heading, on shared axes.

    Parameters
    ----------
    marks : sequence of Mark
        At least one.
    panels : sequence of str
        Headings in the order of their panels.
    span : (date, date)
        First and last date of the time axis.
    reach : (float, float)
        What the axis of bias covers at least, % air; it grows to hold all marks.
    height : int
        Of one panel, pixels.
    tolerance_pct : float or None
        Largest bias that passes; None to draw no strip.
    """
    ends = _ends(marks, reach)
    days = dates(span, start=LEFT, end=LEFT + PANEL_WIDTH)
    placed = {
        heading: _placed(heading, place, ends=ends, height=height)
        for place, heading in enumerate(panels)
    }
    under: list[Row] = []
    words: list[canvas.Word] = []
    for panel in placed.values():
        grid, labels = _grid(panel, ends, tolerance_pct=tolerance_pct)
        under += grid
        words += labels
    foot = max(panel.bias.start for panel in placed.values())
    axis, labels = time_axis(days, foot, left=LEFT, right=LEFT + PANEL_WIDTH)
    painted = list(_painted(marks, placed, days, ends))
    return Picture(
        width=LEFT + PANEL_WIDTH + RIGHT,
        height=round(foot) + _FOOT,
        under=(*under, *axis, *(row for kind, row in painted if kind not in _ON_TOP)),
        dots=tuple(row for kind, row in painted if kind in _ON_TOP),
        words=(*words, *labels),
    )


def _ends(marks: Sequence[Mark], reach: tuple[float, float]) -> tuple[float, float]:
    """Return the ends of the axis of bias: all marks, and a little room but none below zero."""
    found = [
        value for mark in marks for value in (mark.y, mark.low, mark.high) if value is not None
    ]
    low, high = min(*reach, *found), max(*reach, *found)
    room = _ROOM * (high - low)
    return (low - room if low < 0 else 0.0), high + room


def _placed(heading: str, place: int, *, ends: tuple[float, float], height: int) -> _Panel:
    """Return where the panel of one heading lies."""
    top = place * (height + _HEADING + _APART) + _HEADING
    return _Panel(heading, top, Scale(*ends, top + height, top))


def _grid(
    panel: _Panel, ends: tuple[float, float], *, tolerance_pct: float | None
) -> tuple[list[Row], list[canvas.Word]]:
    """Return the strip and grid lines of a panel, and its words."""
    right = LEFT + PANEL_WIDTH

    def across(bias: float, role: str, width: float) -> Row:
        height = panel.bias.at(bias)
        return canvas.path([(LEFT, height), (right, height)], stroke=colour(role), width=width)

    ticks = bias_ticks(ends, most=_MOST_TICKS)
    rows = []
    if tolerance_pct is not None:
        top, bottom = panel.bias.at(tolerance_pct), panel.bias.at(-tolerance_pct)
        corners = [(LEFT, top), (right, top), (right, bottom), (LEFT, bottom)]
        rows.append(canvas.path(corners, fill=colour("strip")))
    rows += [across(value, "hairline", 0.6) for value, _ in ticks]
    if tolerance_pct is not None:
        rows += [across(edge, "edge", 1) for edge in (-tolerance_pct, tolerance_pct)]
    words = [
        canvas.word(LEFT, panel.top - 11, panel.heading, hue=colour("ink"), size=12, bold=True)
    ]
    words += [
        canvas.word(LEFT - 6, panel.bias.at(value), label, hue=colour("quiet"), align="end")
        for value, label in ticks
    ]
    return rows, words


def time_axis(
    days: Dates, foot: float, *, left: float, right: float
) -> tuple[list[Row], list[canvas.Word]]:
    """Return a time axis at the foot of a figure, and its labels."""
    edge = colour("edge")
    ticks = days.ticks()
    rows = [canvas.path([(left, foot), (right, foot)], stroke=edge)]
    rows += [canvas.path([(x, foot), (x, foot + _TICK)], stroke=edge) for x, _ in ticks]
    words = [
        canvas.word(x, foot + 14, label, hue=colour("quiet"), align="middle") for x, label in ticks
    ]
    return rows, words


def _painted(
    marks: Sequence[Mark], panels: dict[str, _Panel], days: Dates, ends: tuple[float, float]
) -> Iterable[tuple[str, Row]]:
    """Yield what is to be painted, in order, each with its kind."""
    layers = {kind: layer for layer, kind in enumerate(STYLES)}
    places = {panel: place for place, panel in enumerate(panels)}
    in_order = sorted(
        marks, key=lambda mark: (layers[mark.kind], places[mark.panel], mark.run, mark.on)
    )
    together = groupby(in_order, key=lambda mark: (mark.kind, mark.panel, mark.run))
    for (kind, heading, _), run in together:
        style, bias, found = STYLES[kind], panels[heading].bias, list(run)
        if style.geometry == "dot":
            rows = [_dot(mark, style, days, bias) for mark in found]
        elif style.geometry == "bar":
            rows = [_bar(mark, style, days, bias, ends) for mark in found]
        elif style.geometry == "band":
            rows = _band(found, style, days, bias)
        else:
            rows = _line(found, style, days, bias)
        yield from ((kind, row) for row in rows)


def _dot(mark: Mark, style: Style, days: Dates, bias: Scale) -> Row:
    """Return one dot; its `y` is known."""
    hue = colour(style.role)
    return canvas.dot(
        days.at(mark.on),
        bias.at(mark.y or 0.0),
        stroke=hue,
        shape=style.shape,
        size=style.size,
        fill=hue if style.filled else None,
        width=style.width,
        says=mark.says,
    )


def _bar(mark: Mark, style: Style, days: Dates, bias: Scale, ends: tuple[float, float]) -> Row:
    """Return a bar, as high as the panel where it has no ends of its own."""
    low = ends[0] if mark.low is None else mark.low
    high = ends[1] if mark.high is None else mark.high
    x = days.at(mark.on)
    return canvas.path(
        [(x, bias.at(low)), (x, bias.at(high))],
        stroke=colour(style.role),
        width=style.width,
        dash=style.dash,
    )


def _band(marks: list[Mark], style: Style, days: Dates, bias: Scale) -> list[Row]:
    """Return the area between the ends of its marks."""
    upper = [(days.at(mark.on), bias.at(mark.high)) for mark in marks if mark.high is not None]
    lower = [(days.at(mark.on), bias.at(mark.low)) for mark in marks if mark.low is not None]
    area = [*upper, *reversed(lower)]
    return [canvas.path(area, fill=colour(style.role), opacity=style.opacity)] if area else []


def _line(marks: list[Mark], style: Style, days: Dates, bias: Scale) -> list[Row]:
    """Return the stretches of a line between its gaps."""
    stretches = [
        [(days.at(mark.on), bias.at(mark.y)) for mark in stretch if mark.y is not None]
        for known, stretch in groupby(marks, key=lambda mark: mark.y is not None)
        if known
    ]
    return [
        canvas.path(stretch, stroke=colour(style.role), width=style.width, dash=style.dash)
        for stretch in stretches
        if len(stretch) > 1
    ]


def visit(row: Row, *, stage: str = "as_found") -> str:
    """Return what was read at one visit and point, by whom, with what, and the remarks.

    Parameters
    ----------
    row : dict
        A row of the ledger.
    stage : {"as_found", "as_left"}
        Which of the two sittings.
    """
    bias = row[f"{stage}_bias_pct"]
    parts = [
        f"{text.day(row['performed_on'])}, {text.point(row['point_pct'])} point",
        f"{text.words_of(stage)} {text.bias_with_unit(bias)}{_read(row, stage)}",
        *_who(row),
    ]
    return SEP.join(parts)


def noted(words: str | None) -> str:
    """Return a remark no longer than a label bears."""
    return text.shortened(" ".join((words or "").split()), longest=_LONGEST)


def _read(row: Row, stage: str) -> str:
    """Return the replicates as they were read, with what was correct; empty where not known."""
    correct, biases = row["correct_air_pct"], row[f"{stage}_biases_pct"]
    if correct is None or not biases:
        return ""
    read = text.listed([text.plain(correct + bias) for bias in biases])
    return f", read {read} where {text.plain(correct)} is correct"


def _who(row: Row) -> list[str]:
    """Return operator, vessel, work and remarks, those that are known."""
    told = [
        noted(row["operator"]),
        f"vessel {noted(row['vessel_id'])}" if row["vessel_id"] else "",
        noted(row["events"]),
        noted(row["remarks"]),
    ]
    return [part for part in told if part]
