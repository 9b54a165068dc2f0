"""This module describes the charts of a study of repeatability, and words their rows."""

from collections.abc import Mapping

import altair as alt
import polars as pl

from drift.format import bias, spread
from drift.report.figures.theme import Chart, hue, number_axis

_ROW = 30


def scatter_parts() -> Chart:
    """Return the chart of what readings scatter by, each part with its interval.

    Data sets: ``parts``, one row a part that the study tells, the first on top; ``tolerance``, one
    row with ``edge``, half the tolerance: two standard deviations there take it whole.
    """
    base = alt.Chart(alt.NamedData("parts")).encode(
        y=alt.Y("part:N", sort=None, title=None, axis=alt.Axis(labelLimit=260))
    )
    x = alt.X(
        "low:Q",
        title="standard deviation, % air",
        scale=alt.Scale(zero=True, nice=True),
        axis=number_axis(),
    )
    told = [
        alt.Tooltip("part:N", title=""),
        alt.Tooltip("sd_words:N", title="standard deviation, % air"),
        alt.Tooltip("limits:N", title="95 % interval"),
        alt.Tooltip("share:Q", title="share of the tolerance", format=".0%"),
    ]
    edge = alt.Chart(alt.NamedData("tolerance"))
    return alt.layer(
        edge.mark_rule(color=hue("ink"), strokeWidth=1.2, strokeDash=[5, 3]).encode(
            x=alt.X("edge:Q")
        ),
        edge.mark_text(align="left", baseline="top", dx=4, color=hue("ink")).encode(
            x="edge:Q", y=alt.value(0), text=alt.value("all of it")
        ),
        base.mark_rule(strokeWidth=2, color=hue("calm")).encode(x=x, x2="end:Q"),
        base.mark_circle(size=70, opacity=1, color=hue("calm")).encode(x="sd:Q", tooltip=told),
        base.mark_text(align="left", dx=6, color=hue("quiet"))
        .encode(x="end:Q", text=alt.value("▸"))
        .transform_filter("datum.beyond"),
    ).properties(height=alt.Step(_ROW))


def who_differs() -> Chart:
    """Return the chart of how far each operator reads from the others, with its interval.

    Data set ``levels``, one row an operator.
    """
    base = alt.Chart(alt.NamedData("levels")).encode(
        y=alt.Y("name:N", sort=None, title=None, axis=alt.Axis(labelLimit=200))
    )
    x = alt.X(
        "low:Q",
        title="reads higher than the others by, % air",
        scale=alt.Scale(nice=True),
        axis=number_axis(),
    )
    hues = alt.condition("datum.stands_out", alt.value(hue("stop")), alt.value(hue("quiet")))
    told = [
        alt.Tooltip("name:N", title=""),
        alt.Tooltip("words:N", title="reads higher by, % air"),
        alt.Tooltip("limits:N", title="interval, for all at once"),
    ]
    return alt.layer(
        alt.Chart(alt.NamedData("levels")).mark_rule(color=hue("ink")).encode(x=alt.datum(0)),
        base.mark_rule(strokeWidth=2).encode(x=x, x2="high:Q", color=hues),
        base.mark_point(filled=True, size=80, opacity=1).encode(
            x="value:Q",
            color=hues,
            tooltip=told,
            shape=alt.condition("datum.stands_out", alt.value("diamond"), alt.value("circle")),
        ),
    ).properties(height=alt.Step(_ROW))


def part_rows(
    components: pl.DataFrame, *, words: Mapping[str, str], tolerance_pct: float
) -> dict[str, pl.DataFrame]:
    """Return the data sets of `scatter_parts`.

    Parameters
    ----------
    components : pl.DataFrame
        Frame of `drift.reference.studies.weigh.STUDY_COMPONENTS`.
    words : mapping of str to str
        What each part is.
    tolerance_pct : float
        Largest bias that passes, % air.
    """
    seen = components.drop_nulls("sd")
    # An interval that is far wider than the rest is cut, so that the rest can be read.
    most = max([3 * one for one in seen["sd"]] + [tolerance_pct / 2 * 1.15])
    high = seen["high"].fill_null(float("inf"))
    return {
        "parts": seen.select(
            "sd",
            "low",
            "share",
            part=pl.Series([words[name] for name in seen["name"]], dtype=pl.String),
            sd_words=pl.Series([spread(one) for one in seen["sd"]], dtype=pl.String),
            limits=pl.Series(
                [
                    f"{spread(low)} to {spread(end) if end is not None else 'no upper limit'}"
                    for low, end in seen.select("low", "high").iter_rows()
                ],
                dtype=pl.String,
            ),
            end=high.clip(upper_bound=most),
            beyond=high > most,
        ),
        "tolerance": pl.DataFrame({"edge": [tolerance_pct / 2]}),
    }


def who_differs_rows(effects: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Return the data set of `who_differs`.

    Parameters
    ----------
    effects : pl.DataFrame
        Levels of operators, of `drift.reference.studies.standing_out.STUDY_EFFECTS`.
    """
    return {
        "levels": effects.select(
            *("name", "value", "low", "high", "stands_out"),
            words=pl.Series([bias(one) for one in effects["value"]], dtype=pl.String),
            limits=pl.Series(
                [
                    f"{bias(low)} to {bias(high)}"
                    for low, high in effects.select("low", "high").iter_rows()
                ],
                dtype=pl.String,
            ),
        )
    }
