"""This module draws the whole fleet in one figure; it decides nothing about it."""

from typing import Any

import altair as alt
import polars as pl

from drift.figures.drawing import (
    PANEL_WIDTH,
    SIGNED,
    Drawing,
    bias_axis,
    colour,
    known,
    tolerance_strip,
    unchecked,
    values,
)

# Up to this many meters each has a labelled row; beyond it a column of its own by rank.
LABELLED_METERS = 60
_ROW = 20
_NAMED_WIDTH = 400


@unchecked
def draw_fleet(rows: pl.DataFrame, *, tolerance_pct: float) -> Drawing:
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
        {name: known(value) if isinstance(value, float) else value for name, value in row.items()}
        for row in rows.to_dicts()
    ]
    drawn = [row[name] for row in named for name in ("level", "next_mean_low", "next_mean_high")]
    reach = 1.1 * max(abs(bias) for bias in [*drawn, 1.2 * tolerance_pct] if bias is not None)
    if len(named) > LABELLED_METERS:
        return _by_rank(named, tolerance_pct=tolerance_pct, reach=reach)
    return _by_name(named, tolerance_pct=tolerance_pct, reach=reach)


def _by_name(rows: list[dict[str, Any]], *, tolerance_pct: float, reach: float) -> Drawing:
    """Return the figure with one labelled row per meter."""
    order = [row["label"] for row in rows]
    # Names are cut to length before they come here: measuring them again costs the time of a page.
    name = {"grid": True, "labelColor": colour("ink"), "labelLimit": 0}
    y = alt.Y(field="label", type="nominal", sort=order, title=None, axis=name)
    scale = {"domain": [-reach, reach], "nice": False}
    axis = {"labelExpr": SIGNED, "tickCount": 7, "grid": True, "orient": "top", "domain": False}

    def x(field: str) -> alt.X:
        return alt.X(field=field, type="quantitative", title="% air", scale=scale, axis=axis)

    base = alt.Chart(values(rows))
    edges: list[dict[str, object]] = [{"edge": -tolerance_pct}, {"edge": tolerance_pct}]
    word = base.mark_text(align="left", dx=8, fontSize=11, color=colour("quiet"))
    bar = base.mark_rule(strokeWidth=5, color=colour("forecast"))
    tick = base.mark_tick(color=colour("ink"), thickness=1.6, size=12, orient="vertical")
    dot = base.mark_point(color=colour("measured"), filled=True, size=42, opacity=1)
    return alt.layer(
        alt.Chart(values([{}]))
        .mark_rect(color=colour("strip"))
        .encode(x=alt.XDatum(-tolerance_pct), x2=alt.X2Datum(tolerance_pct)),
        alt.Chart(values(edges)).mark_rule(color=colour("edge"), strokeWidth=1).encode(x("edge")),
        bar.encode(y, x("next_mean_low"), alt.X2(field="next_mean_high")),
        tick.encode(y, x("at_due")),
        dot.encode(y, x("level")),
        word.encode(y, alt.Text(field="standing", type="nominal"), x=alt.value(_NAMED_WIDTH)),
    ).properties(width=_NAMED_WIDTH, height={"step": _ROW})


def _by_rank(rows: list[dict[str, Any]], *, tolerance_pct: float, reach: float) -> Drawing:
    """Return the figure with one narrow column per meter, in the order of the review."""
    ranked = [
        {"rank": rank, **{name: row[name] for name in ("level", "next_mean_low", "next_mean_high")}}
        for rank, row in enumerate(rows, start=1)
    ]
    base = alt.Chart(values(ranked))
    x = alt.X(
        field="rank",
        type="quantitative",
        title="place in the order of this review",
        scale={"domain": [0, len(rows) + 1], "nice": False},
        axis={"grid": False, "format": "d", "tickCount": 8},
    )
    width = max(0.5, min(4.0, 0.6 * PANEL_WIDTH / len(rows)))
    bar = base.mark_rule(strokeWidth=width, color=colour("forecast"))
    dot = base.mark_point(color=colour("measured"), filled=True, size=8, opacity=1)
    return alt.layer(
        *tolerance_strip(tolerance_pct),
        bar.encode(
            x, bias_axis("next_mean_low", ends=(-reach, reach)), alt.Y2(field="next_mean_high")
        ),
        dot.encode(x, bias_axis("level", ends=(-reach, reach))),
    ).properties(width=PANEL_WIDTH, height=260)
