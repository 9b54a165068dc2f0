"""This module gives charts over time one axis, and one span of time that a reader zooms."""

from typing import Any

import altair as alt

# The wheel zooms only with Ctrl held, and only a mouse drags, so that neither wheel nor finger is
# kept from scrolling.
_ZOOM = "wheel![event.ctrlKey]"
_DRAG = "[pointerdown[event.pointerType === 'mouse'], window:pointerup] > window:pointermove!"


def span_of_time(*views: str) -> alt.TopLevelSelectionParameter:
    """Return the span of time that a reader zooms and moves, the same in all figures of a page.

    Parameters
    ----------
    *views : str
        Names of single views, or of layers, that hold the dates: one of each panel; none for a
        chart that is one view.
    """
    over = alt.IntervalSelectionConfig(
        type="interval", encodings=["x"], zoom=_ZOOM, translate=_DRAG
    )
    return alt.TopLevelSelectionParameter(
        name="span", select=over, bind="scales", views=list(views)
    )


# The day stands before its month, since "Mar 22" may be a year; the first of a month is that month.
_DAY_OR_MONTH = (
    "date(datum.value) == 1 ? timeFormat(datum.value, '%b %Y') : timeFormat(datum.value, '%-d %b')"
)


def time_axis(field: str, *, labels: bool = False, beside: int = 0, years: bool = True) -> alt.X:
    """Return the time axis over a field of days.

    Parameters
    ----------
    field : str
        What holds the days.
    labels : bool
        Whether it is labelled: below the last panel of several.
    beside : int
        Pixels that stay free at its ends.
    years : bool
        Whether it is ticked by years alone, or by what fits.
    """
    shown: dict[str, Any] = {}
    if labels:
        shown = {"labelOverlap": "parity", "labelSeparation": 4, "labelExpr": _DAY_OR_MONTH}
    if labels and years:
        shown = {"format": "%Y", "labelOverlap": "parity"}
    axis = alt.Axis(
        labels=labels,
        ticks=labels,
        domain=labels,
        grid=True,
        title=None,
        tickCount="year" if years else 8,
        **shown,
    )
    return alt.X(field, type="temporal", axis=axis, scale=alt.Scale(nice=False, padding=beside))
