"""This module draws the whole fleet in one figure; it decides nothing about it."""

import altair as alt
import polars as pl

from drift.figures.drawing import (
    PANEL_WIDTH,
    SIGNED,
    Drawing,
    bias_axis,
    colour,
    reach_of,
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
        ``standing`` (a word for the margin), ``level`` (bias now), ``at_due``, ``at_due_low`` and
        ``at_due_high`` (as-found bias at the next due date and its band), all in % air and null
        where unknown.
    tolerance_pct : float
        Largest bias that passes, % air.
    """
    reach = reach_of(
        rows.select("level", "at_due_low", "at_due_high"), at_least=1.2 * tolerance_pct
    )
    if rows.height > LABELLED_METERS:
        return _by_rank(rows, tolerance_pct=tolerance_pct, reach=reach)
    return _by_name(rows, tolerance_pct=tolerance_pct, reach=reach)


def _by_name(rows: pl.DataFrame, *, tolerance_pct: float, reach: float) -> Drawing:
    """Return the figure with one labelled row per meter."""
    order = rows["label"].to_list()
    # Names are cut to length before they come here: measuring them again costs the time of a page.
    name = {"grid": True, "labelColor": colour("ink"), "labelLimit": 0}
    y = alt.Y(field="label", type="nominal", sort=order, title=None, axis=name)
    scale = {"domain": [-reach, reach], "nice": False}
    axis = {"labelExpr": SIGNED, "tickCount": 7, "grid": True, "orient": "top", "domain": False}

    def x(field: str) -> alt.X:
        return alt.X(field=field, type="quantitative", title="% air", scale=scale, axis=axis)

    base = alt.Chart(values(rows))
    edges = pl.DataFrame({"edge": [-tolerance_pct, tolerance_pct]})
    word = base.mark_text(align="left", dx=8, fontSize=11, color=colour("quiet"))
    bar = base.mark_rule(strokeWidth=5, color=colour("forecast"))
    tick = base.mark_tick(color=colour("ink"), thickness=1.6, size=12, orient="vertical")
    dot = base.mark_point(color=colour("measured"), filled=True, size=42, opacity=1)
    return alt.layer(
        alt.Chart(alt.InlineData(values=[{}]))
        .mark_rect(color=colour("strip"))
        .encode(x=alt.XDatum(-tolerance_pct), x2=alt.X2Datum(tolerance_pct)),
        alt.Chart(values(edges)).mark_rule(color=colour("edge"), strokeWidth=1).encode(x("edge")),
        bar.encode(y, x("at_due_low"), alt.X2(field="at_due_high")),
        tick.encode(y, x("at_due")),
        dot.encode(y, x("level")),
        word.encode(y, alt.Text(field="standing", type="nominal"), x=alt.value(_NAMED_WIDTH)),
    ).properties(width=_NAMED_WIDTH, height={"step": _ROW})


def _by_rank(rows: pl.DataFrame, *, tolerance_pct: float, reach: float) -> Drawing:
    """Return the figure with one narrow column per meter, in the order of the review."""
    ranked = rows.with_row_index("rank", offset=1).with_columns(pl.col("rank").cast(pl.Int64))
    base = alt.Chart(values(ranked.drop("label", "standing")))
    x = alt.X(
        field="rank",
        type="quantitative",
        title="place in the order of this review",
        scale={"domain": [0, rows.height + 1], "nice": False},
        axis={"grid": False, "format": "d", "tickCount": 8},
    )
    width = max(0.5, min(4.0, 0.6 * PANEL_WIDTH / rows.height))
    bar = base.mark_rule(strokeWidth=width, color=colour("forecast"))
    dot = base.mark_point(color=colour("measured"), filled=True, size=8, opacity=1)
    return alt.layer(
        *tolerance_strip(tolerance_pct),
        bar.encode(x, bias_axis("at_due_low", reach=reach), alt.Y2(field="at_due_high")),
        dot.encode(x, bias_axis("level", reach=reach)),
    ).properties(width=PANEL_WIDTH, height=260)
