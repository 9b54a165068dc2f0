"""This module describes the small panel that sets a meter's pattern against one fault's."""

import altair as alt

from drift.report.figures.theme import Chart, hue

_HEIGHT = 170

CAUSE_DATA = {
    "dots": ("point_pct", "mean", "low", "high"),
    "visits": ("visit", "point_pct", "bias"),
    "curve": ("air_pct", "bias"),
    "tolerance": ("low", "high"),
}


def meter_cause() -> Chart:
    """Return the chart of what a meter shows at 0, 5 and 10 % against what one fault does.

    Data set ``dots`` has the mean and its interval at each point, ``visits`` the biases that it is
    the mean of, ``curve`` the fault by the dial's law, scaled to fit best, ``tolerance`` its limits
    where it has any.  Parameters: ``low`` and ``high`` are the ends of the axis, ``likely`` says
    whether this is the likeliest fault.
    """
    dots = alt.Chart(alt.NamedData("dots"))
    return (
        alt.layer(
            alt.Chart(alt.NamedData("tolerance"))
            .mark_rect(color=hue("strip"), clip=True)
            .encode(y=_y("low"), y2="high"),
            dots.mark_rule(color=hue("edge"), strokeWidth=1).encode(y=alt.datum(0)),
            alt.Chart(alt.NamedData("visits"))
            .mark_line(color=hue("quiet"), strokeWidth=0.7, opacity=0.75, clip=True)
            .encode(x=_x("point_pct"), y=_y("bias"), detail="visit:N"),
            alt.Chart(alt.NamedData("curve"))
            .mark_line(clip=True)
            .encode(
                x=_x("air_pct"),
                y=_y("bias"),
                strokeWidth=alt.value(alt.ExprRef("likely ? 2.6 : 1.8")),
                color=alt.value(alt.ExprRef(f"likely ? '{hue('look')}' : '{hue('quiet')}'")),
            ),
            dots.mark_rule(color=hue("calm"), strokeWidth=2, clip=True).encode(
                x=_x("point_pct"), y=_y("low"), y2="high"
            ),
            dots.mark_circle(color=hue("calm"), size=70, opacity=1).encode(
                x=_x("point_pct"),
                y=_y("mean"),
                tooltip=[
                    alt.Tooltip("point_pct:Q", title="at, %"),
                    alt.Tooltip("mean:Q", title="mean", format="+.3f"),
                    alt.Tooltip("low:Q", title="from", format="+.3f"),
                    alt.Tooltip("high:Q", title="to", format="+.3f"),
                ],
            ),
        )
        .add_params(
            alt.param(name="low", value=-0.1),
            alt.param(name="high", value=0.2),
            alt.param(name="likely", value=False),
        )
        .properties(height=_HEIGHT)
    )


def _x(field: str) -> alt.X:
    """Return the axis of the verification points."""
    axis = alt.Axis(values=[0, 5, 10], grid=False, labelExpr="datum.value + ' %'", title=None)
    return alt.X(
        field, type="quantitative", scale=alt.Scale(domain=[-1, 11], nice=False), axis=axis
    )


def _y(field: str) -> alt.Y:
    """Return the axis of bias, or of drift; all panels of a meter have the same."""
    ends = alt.Scale(domain=[alt.ExprRef("low"), alt.ExprRef("high")], nice=False, zero=False)
    signed = alt.Axis(
        labelExpr="datum.value == 0 ? '0' : format(datum.value, '+.2~f')", tickCount=4, title=None
    )
    return alt.Y(field, type="quantitative", scale=ends, axis=signed)
