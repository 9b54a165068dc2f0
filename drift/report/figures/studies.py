"""This module draws what studies of the method found, intervals and the costs of keeping."""

from typing import Any

import altair as alt
import polars as pl

from drift import format as text
from drift.format import bias_with_unit, count, plain, probability, words_of
from drift.frames import Row
from drift.report.figures import canvas
from drift.report.figures.canvas import Picture, Scale, Word
from drift.report.figures.drawing import PANEL_WIDTH, Drawing, colour, unchecked, values

_SIDE = 360
_APART = 0.05
_WIDE = 420
_TALL = 280
# What a dot says to whoever points at it.
_SPOKEN = alt.Description(field="says", type="nominal")
# Least distance of two labels, in pixels.
_LABEL_GAP = 14
# A direct label beside the end of a line, so that no line is known by its colour alone.
_DASHES = {
    "tolerance_check": [1, 0],
    "beyond_limits": [7, 3],
    "ewma": [2, 2],
    "cusum": [9, 3, 2, 3],
}

_LEFT, _RIGHT, _TOP, _HEIGHT, _FOOT = 46, 16, 28, 240, 40
_TARGET_DASH, _LAW_DASH = (7, 3), (2, 2)
_SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
_MOST_TICKS = 8
_STEPS = (1, 2, 5)


@unchecked
def draw_reliability(bands: pl.DataFrame) -> Drawing:
    """Draw the share of forecasts that came true against what was forecast.

    Parameters
    ----------
    bands : pl.DataFrame
        Columns ``mean_p``, ``share``, ``share_low``, ``share_high``, ``forecasts``; one row a band.
    """
    rows = [
        row | {"says": _band_in_words(row)}
        for row in bands.select(
            "mean_p", "share", "share_low", "share_high", "forecasts"
        ).iter_rows(named=True)
    ]
    percent = {"format": "%", "tickCount": 5}
    scale = {"domain": [0, 1], "nice": False}
    x = alt.X(
        field="mean_p",
        type="quantitative",
        title="mean forecast probability of being found out",
        scale=scale,
        axis=percent,
    )

    def y(field: str) -> alt.Y:
        return alt.Y(
            field=field,
            type="quantitative",
            title="share found out, with its 95 % interval",
            scale=scale,
            axis=percent,
        )

    base = alt.Chart(values(rows))
    ideal: list[dict[str, object]] = [{"mean_p": 0, "share": 0}, {"mean_p": 1, "share": 1}]
    return alt.layer(
        alt.Chart(values(ideal))
        .mark_line(color=colour("edge"), strokeWidth=1)
        .encode(x, y("share")),
        base.mark_rule(color=colour("forecast"), strokeWidth=3).encode(
            x, y("share_low"), alt.Y2(field="share_high")
        ),
        base.mark_point(
            aria=True, color=colour("measured"), filled=True, size=46, opacity=1
        ).encode(x, y("share"), description=_SPOKEN),
        # Where forecasts crowd near zero the numbers would cover each other; the table has them.
        alt.Chart(values([row for row in rows if row["mean_p"] >= _APART]))
        .mark_text(align="left", dx=7, dy=-7, fontSize=10, color=colour("quiet"))
        .encode(x, y("share"), alt.Text(field="forecasts", type="quantitative", format=",")),
    ).properties(width=_SIDE, height=_SIDE)


@unchecked
def draw_detectability(drifts: pl.DataFrame, *, tolerance_pct: float) -> Drawing:
    """Draw how far a steady drift has taken a meter, on average, by the time it is noticed.

    Parameters
    ----------
    drifts : pl.DataFrame
        Columns ``monitor``, ``drift_pct_per_year``, ``mean_bias_pct``; one row a monitor and drift.
    tolerance_pct : float
        Largest bias that passes, % air.
    """
    seen = drifts.select("monitor", "drift_pct_per_year", "mean_bias_pct").drop_nulls()
    rows = [row | {"says": _notice_in_words(row)} for row in seen.iter_rows(named=True)]
    top = 1.1 * max([*seen["mean_bias_pct"], tolerance_pct])
    x = alt.X(
        field="drift_pct_per_year",
        type="quantitative",
        title="steady drift, % air a year",
        scale={"type": "log", "nice": False},
        axis={"values": seen["drift_pct_per_year"].unique().sort().to_list()},
    )

    def y(field: str) -> alt.Y:
        return alt.Y(
            field=field,
            type="quantitative",
            title="mean bias by the time it is noticed, % air",
            scale={"domain": [0, top], "nice": False},
        )

    edge = alt.Chart(values([{"edge": tolerance_pct}])).mark_rule(color=colour("edge"))
    layers: list[alt.Chart] = [edge.encode(y("edge"))]
    for monitor, height in _label_heights(seen, top=top).items():
        mine = values([row for row in rows if row["monitor"] == monitor])
        line = alt.Chart(mine).mark_line(
            color=colour("measured"), strokeDash=_DASHES.get(monitor, [1, 4]), strokeWidth=1.6
        )
        word = alt.Chart(values([{"at": height}])).mark_text(
            align="left", fontSize=11, color=colour("ink"), text=monitor.replace("_", " ")
        )
        dots = alt.Chart(mine).mark_point(
            aria=True, color=colour("measured"), filled=True, size=16, opacity=1
        )
        layers += [
            line.encode(x, y("mean_bias_pct")),
            dots.encode(x, y("mean_bias_pct"), description=_SPOKEN),
            word.encode(y("at"), x=alt.value(_WIDE + 8)),
        ]
    return alt.layer(*layers).properties(width=_WIDE, height=_TALL)


def _band_in_words(row: dict[str, Any]) -> str:
    """Say what one dot of the reliability figure stands for."""
    return (
        f"forecast {probability(row['mean_p'])} · came true {probability(row['share'])} "
        f"({probability(row['share_low'])} to {probability(row['share_high'])}) · "
        f"{count(row['forecasts'], 'forecast')}"
    )


def _notice_in_words(row: dict[str, Any]) -> str:
    """Say what one dot of the detectability figure stands for."""
    return (
        f"{words_of(row['monitor'])} · drift of {plain(row['drift_pct_per_year'])} % air a year · "
        f"noticed at {bias_with_unit(row['mean_bias_pct'])} on average"
    )


def _label_heights(seen: pl.DataFrame, *, top: float) -> dict[str, float]:
    """Return the bias at which each line's label stands: its end, pushed up off its neighbour."""
    ends = (
        seen.sort("drift_pct_per_year")
        .group_by("monitor", maintain_order=True)
        .agg(pl.col("mean_bias_pct").last())
        .sort("mean_bias_pct")
    )
    gap = top * _LABEL_GAP / _TALL
    heights: dict[str, float] = {}
    lowest = 0.0
    for monitor, end in ends.iter_rows():
        heights[monitor] = max(end, lowest)
        lowest = heights[monitor] + gap
    return heights


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
