"""This module gives charts over time one axis and one window that a reader zooms."""

import altair as alt


def zoom(*views: str) -> alt.TopLevelSelectionParameter:
    """Return the window of time that a reader zooms to; with Ctrl, so that a page still scrolls.

    Parameters
    ----------
    *views : str
        Names of the views that it is moved in, each one that holds the dates.
    """
    over = alt.IntervalSelectionConfig(
        type="interval", encodings=["x"], zoom="wheel![event.ctrlKey]"
    )
    return alt.TopLevelSelectionParameter(
        name="span", select=over, bind="scales", views=list(views)
    )


def time_axis(field: str, *, labels: bool = False) -> alt.X:
    """Return the time axis; its years stand below the last panel."""
    axis = (
        alt.Axis(
            labels=labels,
            ticks=labels,
            domain=labels,
            grid=True,
            title=None,
            tickCount="year",
            format="%Y",
            labelOverlap="parity",
        )
        if labels
        else alt.Axis(
            labels=False, ticks=False, domain=False, grid=True, title=None, tickCount="year"
        )
    )
    return alt.X(field, type="temporal", axis=axis, scale=alt.Scale(nice=False))
