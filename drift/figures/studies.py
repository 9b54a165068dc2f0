"""This module draws what a study of the method found; it computes nothing."""

from typing import Any

import altair as alt
import polars as pl

from drift.figures.drawing import Drawing, colour, unchecked, values
from drift.format import bias_with_unit, count, plain, probability, words_of

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
