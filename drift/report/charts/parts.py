"""This module holds what charts over time share: the axis, the span that is linked, panels."""

import altair as alt

# A verification point has a panel of its own, by its place among the points in order.  As many are
# described; a page, or `drift.report.charts.rows.filled`, leaves out those that have no row.
MOST_PANELS = 6


def spans_of_time(*views: str) -> list[alt.TopLevelSelectionParameter]:
    """Return the selection by which time is zoomed and moved, the same in all figures of a page.

    The wheel zooms only with Ctrl held, and only a mouse drags, so that neither wheel nor finger
    is kept from scrolling.

    Parameters
    ----------
    *views : str
        Names of single views, or of layers, whose x is the field ``on``: one of each panel.
    """
    drag = "[pointerdown[event.pointerType === 'mouse'], window:pointerup] > window:pointermove!"
    return [
        alt.TopLevelSelectionParameter(
            name="span",
            views=list(views),
            bind="scales",
            select=alt.IntervalSelectionConfig(
                type="interval", encodings=["x"], zoom="wheel![event.ctrlKey]", translate=drag
            ),
        )
    ]


def x_of_time(*, labels: bool = True) -> alt.X:
    """Return the axis of time over the field ``on``; years where they fit, months nearer by."""
    axis = alt.Axis(title=None, labels=labels, ticks=labels, domain=labels, grid=True, tickCount=8)
    return alt.X("on:T", axis=axis, scale=alt.Scale(nice=False, padding=6))
