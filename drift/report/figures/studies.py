"""This module describes the charts of studies of the method, and words their rows."""

import altair as alt
import polars as pl

from drift.format import probability, words_of
from drift.report.figures.end_labels import placed_apart
from drift.report.figures.theme import Chart, hue

# From so many forecasts on a share is worth a solid mark: its interval is then under ±0.3.
_ENOUGH = 10
# Least distance of two labels, as a share of the axis.
_LABEL_GAP = 0.055
_ENDS = ("monitor", "mean_bias_pct")
_DASHES = {
    "tolerance check": [1, 0],
    "beyond limits": [7, 3],
    "ewma": [2, 2],
    "cusum": [9, 3, 2, 3],
}


def noticed_drifts() -> Chart:
    """Return the chart of how far a steady drift has gone by the time something notices it.

    Data sets: ``drifts``, one row a monitor and drift (`drift_rows`); ``tolerance``, one row with
    ``edge`` in % air.
    """
    x = alt.X(
        "drift:Q",
        title="steady drift, % air a year",
        scale=alt.Scale(type="log", nice=False, padding=12),
        axis=alt.Axis(values=[0.01, 0.02, 0.04, 0.08, 0.16, 0.32], format="~g"),
    )
    y = alt.Y("bias:Q", title="bias by the time it is noticed, on average, % air")
    hues = alt.condition("datum.first", alt.value(hue("calm")), alt.value(hue("quiet")))
    dash = alt.StrokeDash(
        "monitor:N",
        legend=None,
        scale=alt.Scale(domain=list(_DASHES), range=list(_DASHES.values())),
    )
    told = [
        alt.Tooltip("monitor:N", title=""),
        alt.Tooltip("drift:Q", title="drift, % air a year", format="~g"),
        alt.Tooltip("years:Q", title="noticed after, years", format=".1f"),
        alt.Tooltip("bias:Q", title="bias by then, % air", format="+.3f"),
        alt.Tooltip("within:N", title="noticed within tolerance"),
    ]
    base = alt.Chart(alt.NamedData("drifts")).encode(x=x)
    edge = alt.Chart(alt.NamedData("tolerance"))
    return alt.layer(
        edge.mark_rule(color=hue("ink"), strokeWidth=1.2).encode(y="edge:Q"),
        edge.mark_text(align="left", baseline="bottom", dx=4, dy=-3, color=hue("ink")).encode(
            x=alt.value(0), y="edge:Q", text=alt.value("tolerance")
        ),
        base.mark_line(strokeWidth=1.8).encode(
            y=y, color=hues, strokeDash=dash, detail="monitor:N"
        ),
        base.mark_circle(size=44, opacity=1).encode(y=y, color=hues, tooltip=told),
        base.mark_text(align="left", dx=10, fontWeight="bold")
        .encode(y="label_at:Q", text="monitor:N", color=hues)
        .transform_filter("isValid(datum.label_at)"),
    ).properties(width=480, height=280)


def drift_rows(drifts: pl.DataFrame, *, tolerance_pct: float) -> dict[str, pl.DataFrame]:
    """Return the data sets of `noticed_drifts`.

    Parameters
    ----------
    drifts : pl.DataFrame
        Columns of `drift.limits.runs.detectability.DRIFTS`.
    tolerance_pct : float
        Largest bias that passes, % air.
    """
    seen = drifts.drop_nulls(["mean_bias_pct", "mean_years"]).sort("monitor", "drift_pct_per_year")
    last = pl.col("drift_pct_per_year") == pl.col("drift_pct_per_year").max().over("monitor")
    top = max([*seen["mean_bias_pct"], tolerance_pct])
    ends = seen.filter(last).select(_ENDS)
    names, values = (ends[column].to_list() for column in _ENDS)
    room = {"gap": top * _LABEL_GAP, "top": top}
    heights = dict(zip(names, placed_apart(values, **room), strict=True))
    overall = seen.group_by("monitor").agg(pl.col("mean_bias_pct").mean()).sort("mean_bias_pct")
    first = overall["monitor"][0] if overall.height else ""
    return {
        "drifts": seen.select(
            monitor=pl.Series([words_of(name) for name in seen["monitor"]], dtype=pl.String),
            drift="drift_pct_per_year",
            bias="mean_bias_pct",
            years="mean_years",
            within=pl.Series(
                [probability(value) for value in seen["chance_within_tolerance"]], dtype=pl.String
            ),
            first=pl.col("monitor") == first,
            label_at=pl.when(last).then(
                pl.col("monitor").replace_strict(heights, return_dtype=pl.Float64)
            ),
        ),
        "tolerance": pl.DataFrame({"edge": [tolerance_pct]}),
    }


def borne_out() -> Chart:
    """Return the chart of the share of forecasts that came true against what was forecast.

    Data sets: ``bands``, one row a band of probability (`band_rows`); ``ideal``, the two ends of
    the line on which forecasts are borne out.
    """
    percent = alt.Axis(format="%", tickCount=5)
    whole = alt.Scale(domain=[0, 1], nice=False)
    x = alt.X("forecast:Q", title="forecast chance to be found out", scale=whole, axis=percent)
    y = alt.Y("share:Q", title="share found out, 95 % interval", scale=whole, axis=percent)
    hues = alt.condition("datum.enough", alt.value(hue("calm")), alt.value(hue("quiet")))
    told = [
        alt.Tooltip("forecast:Q", title="forecast", format=".0%"),
        alt.Tooltip("share:Q", title="came true", format=".0%"),
        alt.Tooltip("low:Q", title="from", format=".0%"),
        alt.Tooltip("high:Q", title="to", format=".0%"),
        alt.Tooltip("forecasts:Q", title="forecasts", format=",d"),
    ]
    base = alt.Chart(alt.NamedData("bands")).encode(x=x)
    return alt.layer(
        alt.Chart(alt.NamedData("ideal"))
        .mark_line(color=hue("ink"), strokeWidth=1)
        .encode(x=x, y=y),
        base.mark_rule().encode(
            y=alt.Y("low:Q", scale=whole),
            y2="high:Q",
            color=hues,
            strokeWidth=alt.condition("datum.enough", alt.value(3), alt.value(1)),
        ),
        base.mark_circle(size=60, opacity=1)
        .encode(y=y, color=hues, tooltip=told)
        .transform_filter("datum.enough"),
        base.mark_circle(
            size=60, opacity=1, fill=hue("paper"), stroke=hue("quiet"), strokeWidth=1.6
        )
        .encode(y=y, tooltip=told)
        .transform_filter("!datum.enough"),
        base.mark_text(align="left", dx=9, dy=-9, color=hue("quiet"))
        .encode(y=y, text=alt.Text("forecasts:Q", format=",d"))
        .transform_filter("datum.forecast >= 0.05"),
    ).properties(width=400, height=400)


def band_rows(bands: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Return the data sets of `borne_out`.

    Parameters
    ----------
    bands : pl.DataFrame
        Columns of `drift.forecast.proof.RELIABILITY_BANDS`.
    """
    return {
        "bands": bands.select(
            "share",
            "forecasts",
            forecast="mean_p",
            low="share_low",
            high="share_high",
            enough=pl.col("forecasts") >= _ENOUGH,
        ),
        "ideal": pl.DataFrame({"forecast": [0.0, 1.0], "share": [0.0, 1.0]}),
    }
