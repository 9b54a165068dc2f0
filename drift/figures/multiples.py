"""This module draws the unadjusted paths of many meters side by side; it decides nothing."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from drift.figures import canvas
from drift.figures.axes import Scale, dates
from drift.figures.canvas import Picture, Row, Word
from drift.figures.drawing import colour

_COLUMNS = 6
_CELL, _APART = 92, 12
_HEADING, _HEIGHT, _BELOW = 18, 56, 8


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
    step = _HEADING + _HEIGHT + _BELOW
    for place, path in enumerate(paths):
        left = (place % _COLUMNS) * (_CELL + _APART)
        top = (place // _COLUMNS) * step + _HEADING
        bias = Scale(*ends, top + _HEIGHT, top)
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
