"""This module gives charts over time one axis and one window that a reader zooms."""

from typing import Any

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


def time_axis(field: str, *, labels: bool = False, beside: int = 0) -> alt.X:
    """Return the time axis; years stand below the last panel, `beside` pixels stay at its ends."""
    shown: dict[str, Any] = {"format": "%Y", "labelOverlap": "parity"} if labels else {}
    axis = alt.Axis(
        labels=labels,
        ticks=labels,
        domain=labels,
        grid=True,
        title=None,
        tickCount="year",
        **shown,
    )
    return alt.X(field, type="temporal", axis=axis, scale=alt.Scale(nice=False, padding=beside))
