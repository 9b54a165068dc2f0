"""This module draws figures of the whole fleet and its small multiples."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from drift import format as text
from drift.frames import Row, finite_or_none
from drift.report.figures import canvas
from drift.report.figures.canvas import Picture, Scale, Word, bias_ticks, dates
from drift.report.figures.drawing import PANEL_WIDTH, colour

# Up to this many meters each has a labelled row; beyond it a column of its own by rank.
LABELLED_METERS = 60
_ROW = 20
_NAMES, _NAMED_WIDTH, _STANDINGS = 150, 380, 110
_TOP = 38
_LEFT, _RIGHT, _HEIGHT, _FOOT = 46, 16, 260, 40
_MOST_TICKS = 8

_COLUMNS = 6
_CELL, _APART = 92, 12
_HEADING, _MULTIPLE_HEIGHT, _BELOW = 18, 56, 8


def draw_fleet(rows: pl.DataFrame, *, tolerance_pct: float) -> Picture:
    """Draw level and forecast of every meter at its worst point against the tolerance.

    Parameters
    ----------
    rows : pl.DataFrame
        One row per meter, in the order to be drawn: ``label`` (different for each meter),
        ``standing`` (a word for the margin), ``level`` (bias now), ``at_due`` (true bias at the
        next due date), ``next_mean_low`` and ``next_mean_high`` (band of the mean that the visit
        will find), all in % air and null where unknown.
    tolerance_pct : float
        Largest bias that passes, % air.
    """
    named = [
        {
            name: finite_or_none(value) if isinstance(value, float) else value
            for name, value in row.items()
        }
        for row in rows.to_dicts()
    ]
    drawn = [row[name] for row in named for name in ("level", "next_mean_low", "next_mean_high")]
    reach = 1.1 * max(abs(bias) for bias in [*drawn, 1.2 * tolerance_pct] if bias is not None)
    if len(named) > LABELLED_METERS:
        return _by_rank(named, tolerance_pct=tolerance_pct, reach=reach)
    return _by_name(named, tolerance_pct=tolerance_pct, reach=reach)


def _by_name(rows: list[dict[str, Any]], *, tolerance_pct: float, reach: float) -> Picture:
    """Return the figure with one labelled row per meter."""
    bias = Scale(-reach, reach, _NAMES, _NAMES + _NAMED_WIDTH)
    foot = _TOP + _ROW * len(rows)
    ticks = bias_ticks((-reach, reach), most=_MOST_TICKS)
    under = [_upright_strip(bias, tolerance_pct, top=_TOP, foot=foot)]
    under += [_upright(bias.at(value), _TOP, foot, "hairline", 0.6) for value, _ in ticks]
    under += [_upright(bias.at(e), _TOP, foot, "edge", 1) for e in (-tolerance_pct, tolerance_pct)]
    words = [
        canvas.word(_NAMES + _NAMED_WIDTH / 2, 9, "% air", hue=colour("quiet"), align="middle")
    ]
    words += [
        canvas.word(bias.at(value), _TOP - 10, label, hue=colour("quiet"), align="middle")
        for value, label in ticks
    ]
    dots = []
    for place, row in enumerate(rows):
        y = _TOP + _ROW * (place + 0.5)
        words.append(canvas.word(_NAMES - 8, y, row["label"], hue=colour("ink"), align="end"))
        after = _NAMES + _NAMED_WIDTH + 8
        words.append(canvas.word(after, y, row["standing"], hue=colour("quiet")))
        if row["next_mean_low"] is not None and row["next_mean_high"] is not None:
            ends = [(bias.at(row["next_mean_low"]), y), (bias.at(row["next_mean_high"]), y)]
            under.append(canvas.path(ends, stroke=colour("forecast"), width=5))
        if row["at_due"] is not None:
            under.append(_upright(bias.at(row["at_due"]), y - 6, y + 6, "ink", 1.6))
        dots += _level(row, bias.at(row["level"] or 0.0), y, size=42)
    width = _NAMES + _NAMED_WIDTH + _STANDINGS
    return Picture(width, foot + 4, tuple(under), tuple(dots), tuple(words))


def _by_rank(rows: list[dict[str, Any]], *, tolerance_pct: float, reach: float) -> Picture:
    """Return the figure with one narrow column per meter, in the order of the review."""
    bias = Scale(-reach, reach, 10 + _HEIGHT, 10)
    rank = Scale(0, len(rows) + 1, _LEFT, _LEFT + PANEL_WIDTH)
    ends = (_LEFT, _LEFT + PANEL_WIDTH)
    strip = [
        (x, bias.at(edge))
        for edge, x in zip(
            (tolerance_pct, tolerance_pct, -tolerance_pct, -tolerance_pct),
            (*ends, *reversed(ends)),
            strict=True,
        )
    ]
    ticks = bias_ticks((-reach, reach), most=_MOST_TICKS)
    under = [canvas.path(strip, fill=colour("strip"))]
    under += [_across(ends, bias.at(value), "hairline", 0.6) for value, _ in ticks]
    under += [_across(ends, bias.at(edge), "edge", 1) for edge in (-tolerance_pct, tolerance_pct)]
    width = max(0.5, min(4.0, 0.6 * PANEL_WIDTH / len(rows)))
    dots = []
    for place, row in enumerate(rows, start=1):
        x = rank.at(place)
        if row["next_mean_low"] is not None and row["next_mean_high"] is not None:
            tips = [(x, bias.at(row["next_mean_low"])), (x, bias.at(row["next_mean_high"]))]
            under.append(canvas.path(tips, stroke=colour("forecast"), width=width))
        dots += _level(row, x, bias.at(row["level"] or 0.0), size=8)
    foot = 10 + _HEIGHT
    words = [
        canvas.word(_LEFT - 6, bias.at(value), label, hue=colour("quiet"), align="end")
        for value, label in ticks
    ]
    step = max(1, 10 ** (len(str(len(rows))) - 1))
    words += [
        canvas.word(
            rank.at(place), foot + 12, text.whole(place), hue=colour("quiet"), align="middle"
        )
        for place in (1, *range(step, len(rows) + 1, step))
    ]
    title = "place in the order of this review; bias in % air"
    words.append(canvas.word(sum(ends) / 2, foot + 30, title, hue=colour("quiet"), align="middle"))
    whole = _LEFT + PANEL_WIDTH + _RIGHT
    return Picture(whole, foot + _FOOT, tuple(under), tuple(dots), tuple(words))


def _level(row: dict[str, Any], x: float, y: float, *, size: int) -> list[Row]:
    """Return the dot of a meter's bias now, if known, with what it says."""
    if row["level"] is None:
        return []
    hue = colour("measured")
    ahead = text.interval(row["next_mean_low"], row["next_mean_high"])
    says = (
        f"{row['label']}, {row['standing']} · now {text.bias_with_unit(row['level'])} · "
        f"next as-found mean expected within {ahead} · true bias then {text.bias(row['at_due'])}"
    )
    return [canvas.dot(x, y, stroke=hue, fill=hue, size=size, says=says)]


def _upright(x: float, top: float, foot: float, role: str, width: float) -> Row:
    """Return an upright line."""
    return canvas.path([(x, top), (x, foot)], stroke=colour(role), width=width)


def _across(ends: tuple[float, float], y: float, role: str, width: float) -> Row:
    """Return a level line from one end to the other."""
    return canvas.path([(ends[0], y), (ends[1], y)], stroke=colour(role), width=width)


def _upright_strip(bias: Scale, tolerance_pct: float, *, top: float, foot: float) -> Row:
    """Return the strip of the tolerance from top to foot."""
    left, right = bias.at(-tolerance_pct), bias.at(tolerance_pct)
    corners = [(left, top), (right, top), (right, foot), (left, foot)]
    return canvas.path(corners, fill=colour("strip"))


@dataclass(frozen=True, slots=True)
class Path:
    """One meter's path: its name, the visits' dates, where it would be untouched (% air), words."""

    name: str
    on: tuple[date, ...]
    bias: tuple[float, ...]
    says: str


def draw_multiples(paths: Sequence[Path], *, tolerance_pct: float) -> Picture:
    """Draw paths in a grid of small panels that share both axes.

    Parameters
    ----------
    paths : sequence of Path
        In reading order, at least one; each has at least one visit.
    tolerance_pct : float
        Largest bias that passes, % air.
    """
    days = [on for path in paths for on in path.on]
    biases = [bias for path in paths for bias in path.bias]
    ends = (min(*biases, -1.5 * tolerance_pct), max(*biases, 1.5 * tolerance_pct))
    under: list[Row] = []
    dots: list[Row] = []
    words: list[Word] = []
    rows = -(-len(paths) // _COLUMNS)
    step = _HEADING + _MULTIPLE_HEIGHT + _BELOW
    for place, path in enumerate(paths):
        left = (place % _COLUMNS) * (_CELL + _APART)
        top = (place // _COLUMNS) * step + _HEADING
        bias = Scale(*ends, top + _MULTIPLE_HEIGHT, top)
        axis = dates((min(days), max(days)), start=left, end=left + _CELL)
        corners = [
            (left, bias.at(tolerance_pct)),
            (left + _CELL, bias.at(tolerance_pct)),
            (left + _CELL, bias.at(-tolerance_pct)),
            (left, bias.at(-tolerance_pct)),
        ]
        under.append(canvas.path(corners, fill=colour("strip")))
        line = [(axis.at(on), bias.at(y)) for on, y in zip(path.on, path.bias, strict=True)]
        if len(line) > 1:
            under.append(canvas.path(line, stroke=colour("measured"), width=1.2))
        hue = colour("measured")
        dots.append(canvas.dot(*line[-1], stroke=hue, fill=hue, size=20, says=path.says))
        words.append(canvas.word(left, top - 9, path.name, hue=colour("ink")))
    width = _COLUMNS * (_CELL + _APART) - _APART
    return Picture(width, rows * step, tuple(under), tuple(dots), tuple(words))
