"""This module draws how long meters stay in tolerance."""

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.report.figures import canvas
from drift.report.figures.canvas import Picture, Scale, Word
from drift.report.figures.drawing import PANEL_WIDTH, colour

_LEFT, _RIGHT, _TOP, _HEIGHT, _FOOT = 46, 16, 28, 240, 40
_TARGET_DASH, _LAW_DASH = (7, 3), (2, 2)
_SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
_MOST_TICKS = 8
_STEPS = (1, 2, 5)


def draw_survival(curve: pl.DataFrame, *, target: float, present_days: float) -> Picture:
    """Draw survival of time in tolerance with its band, its Weibull law and the target.

    Parameters
    ----------
    curve : pl.DataFrame
        Columns of `drift.upkeep.reliability.survival_curve.CURVE`; not empty.
    target : float
        Chance of being in tolerance that is to be left.
    present_days : float
        The interval in force.
    """
    last = float(curve["days"].to_numpy().max())
    age = Scale(0.0, max(last, 1.0), _LEFT, _LEFT + PANEL_WIDTH)
    chance = Scale(0.0, 1.0, _TOP + _HEIGHT, _TOP)
    ends = (_LEFT, _LEFT + PANEL_WIDTH)
    days = [age.at(value) for value in curve["days"]]

    def line(name: str) -> list[tuple[float, float]]:
        return [(x, chance.at(y)) for x, y in zip(days, curve[name], strict=True)]

    under: list[Row] = [_level(ends, chance.at(share), "hairline", 0.6) for share in _SHARES]
    band = [*line("high"), *reversed(line("low"))]
    under.append(canvas.path(band, fill=colour("forecast"), opacity=0.35))
    under.append(_level(ends, chance.at(target), "signal", 1.2, _TARGET_DASH))
    present = age.at(min(present_days, last))
    under.append(
        canvas.path([(present, _TOP), (present, _TOP + _HEIGHT)], stroke=colour("edge"), width=1)
    )
    if curve["weibull"].null_count() == 0:
        law = canvas.path(line("weibull"), stroke=colour("ink"), width=1.4, dash=_LAW_DASH)
        under.append(law)
    # Between the checks between which something ended the estimate is open: a straight line.
    settled = curve.filter(pl.col("highest") - pl.col("lowest") < 1e-9)
    rows = settled.select("days", "lowest").iter_rows()
    steps = [(age.at(x), chance.at(y)) for x, y in rows]
    under.append(canvas.path(steps, stroke=colour("measured"), width=1.8))
    words = [*_share_words(chance), *_day_words(age, last)]
    return Picture(
        _LEFT + PANEL_WIDTH + _RIGHT, _TOP + _HEIGHT + _FOOT, tuple(under), (), tuple(words)
    )


def _level(
    ends: tuple[float, float],
    y: float,
    role: str,
    width: float,
    dash: tuple[float, ...] | None = None,
) -> Row:
    """Return a level line from one end to the other."""
    return canvas.path([(ends[0], y), (ends[1], y)], stroke=colour(role), width=width, dash=dash)


def _share_words(chance: Scale) -> list[Word]:
    """Return the labels and the title of the axis of survival, in percent."""
    labels = [
        canvas.word(
            _LEFT - 6, chance.at(share), text.plain(100 * share), hue=colour("quiet"), align="end"
        )
        for share in _SHARES
    ]
    return [canvas.word(_LEFT, 9, "% still in tolerance", hue=colour("quiet")), *labels]


def _day_words(age: Scale, last: float) -> list[Word]:
    """Return the labels and the title of the axis of age."""
    foot = _TOP + _HEIGHT
    labels = [
        canvas.word(
            age.at(value), foot + 12, text.whole(round(value)), hue=colour("quiet"), align="middle"
        )
        for value in _round_values(max(last, 1.0))
    ]
    middle = _LEFT + PANEL_WIDTH / 2
    title = "days since it was left in tolerance"
    return [*labels, canvas.word(middle, foot + 30, title, hue=colour("quiet"), align="middle")]


def _round_values(most: float) -> list[float]:
    """Return round values from 0 to `most`: steps of 1, 2 or 5 times a power of ten."""
    power = 1.0
    while most / (_STEPS[-1] * power) > _MOST_TICKS:
        power *= 10
    step = next(factor * power for factor in _STEPS if most / (factor * power) <= _MOST_TICKS)
    return [step * place for place in range(int(most // step) + 1)]
