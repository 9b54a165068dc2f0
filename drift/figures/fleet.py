"""This module draws the whole fleet in one figure; it decides nothing about it."""

import altair as alt
import polars as pl

from drift.figures.drawing import PANEL_WIDTH, bias_axis, colour, reach_of, tolerance_strip, values

# Up to this many meters each has a labelled row; beyond it a column of its own by rank.
LABELLED_METERS = 60
_ROW = 19


def draw_fleet(rows: pl.DataFrame, *, tolerance_pct: float) -> alt.LayerChart:
    """Draw level and forecast of every meter at its worst point against the tolerance.

    Parameters
    ----------
    rows : pl.DataFrame
        One row per meter, in the order to be drawn: ``label`` (different for each meter),
        ``standing`` (a word for the margin), ``level`` (bias now), ``at_due``, ``at_due_low`` and
        ``at_due_high`` (as-found bias at the next due date and its band), all in % air and null
        where unknown, and ``beyond`` (the band reaches beyond the tolerance).
    tolerance_pct : float
        Largest bias that passes, % air.
    """
    reach = reach_of(
        rows.select("level", "at_due_low", "at_due_high"), at_least=1.2 * tolerance_pct
    )
    if rows.height > LABELLED_METERS:
        return _by_rank(rows, tolerance_pct=tolerance_pct, reach=reach)
    return _by_name(rows, tolerance_pct=tolerance_pct, reach=reach)


def _by_name(rows: pl.DataFrame, *, tolerance_pct: float, reach: float) -> alt.LayerChart:
    """Return the figure with one labelled row per meter."""
    order = rows["label"].to_list()
    scale = alt.Scale(domain=[-reach, reach], nice=False)
    axis = alt.Axis(format="+.2~f", tickCount=7, grid=True, orient="top", domain=False)
    name = alt.Axis(labelLimit=150, grid=True, labelColor=colour("ink"))
    y = alt.Y("label:N", sort=order, title=None, axis=name)

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", title="bias, % air", scale=scale, axis=axis)

    base = alt.Chart(values(rows))
    strip = alt.Chart(alt.InlineData(values=[{}]))
    edge = strip.mark_rule(color=colour("edge"), strokeWidth=1)
    bar = base.mark_rule(strokeWidth=5, color=colour("forecast")).encode(
        y, x("at_due_low"), alt.X2("at_due_high")
    )
    word = base.mark_text(align="left", dx=8, fontSize=11).encode(
        y, alt.Text("standing:N"), x=alt.value(PANEL_WIDTH)
    )
    return alt.layer(
        strip.mark_rect(color=colour("strip")).encode(
            x=alt.XDatum(-tolerance_pct), x2=alt.X2Datum(tolerance_pct)
        ),
        edge.encode(x=alt.XDatum(-tolerance_pct)),
        edge.encode(x=alt.XDatum(tolerance_pct)),
        bar,
        base.mark_tick(color=colour("ink"), thickness=1.6, size=12, orient="vertical").encode(
            y, x("at_due")
        ),
        base.mark_point(color=colour("measured"), filled=True, size=42, opacity=1).encode(
            y, x("level")
        ),
        word,
    ).properties(width=PANEL_WIDTH, height=alt.Step(_ROW))


def _by_rank(rows: pl.DataFrame, *, tolerance_pct: float, reach: float) -> alt.LayerChart:
    """Return the figure with one narrow column per meter, in the order of the review."""
    ranked = rows.with_row_index("rank", offset=1).with_columns(pl.col("rank").cast(pl.Int64))
    base = alt.Chart(values(ranked))
    scale = alt.Scale(domain=[0, rows.height + 1], nice=False)
    axis = alt.Axis(grid=False, format="d", tickCount=8)
    x = alt.X("rank:Q", title="place in the order of this review", scale=scale, axis=axis)
    width = max(0.5, min(4.0, 0.6 * PANEL_WIDTH / rows.height))
    return alt.layer(
        *tolerance_strip(tolerance_pct),
        base.mark_rule(strokeWidth=width, color=colour("forecast")).encode(
            x, bias_axis("at_due_low", reach=reach), alt.Y2("at_due_high")
        ),
        base.mark_point(color=colour("measured"), filled=True, size=8, opacity=1).encode(
            x, bias_axis("level", reach=reach)
        ),
    ).properties(width=PANEL_WIDTH + 60, height=260)
