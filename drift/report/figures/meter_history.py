"""This module describes the large figure of a dossier: lanes of events over the points of a meter.

A verification point is a panel; all panels have one scale, so that a height means the same bias in
each.  How high a panel is follows from what it has to show, and is worked out in the page.
"""

from collections.abc import Mapping
from typing import Any

import altair as alt

from drift.report.figures.meter_lanes import BY_SIDE, kept_within, lanes, tone
from drift.report.figures.theme import Chart, hue
from drift.report.figures.time_axis import span_of_time, time_axis

# As many verification points as a figure has panels for.
MOST_PANELS = 3
# Height of all panels together, in pixels.
ROOM = 470
# What the two states of the figure are called: biases as they were found, and the path without
# adjustments.
AS_FOUND, UNTOUCHED = "as_found", "untouched"

# Columns of each data set.  `panel` counts the points from 0; `state` is one of the two or both,
# of rows that are drawn in one state alone.
HISTORY_DATA = {
    "points": ("panel", "name", "about", "tolerance_low", "tolerance_high"),
    "visits": (
        "panel",
        "on",
        "before_on",
        "before",
        "found",
        "left",
        "before_path",
        "path",
        "traced",
        "outside",
        "reset",
        "point",
        "operator",
        "vessel",
        "remarks",
    ),
    "limits": ("panel", "state", "kind", "first", "last", "value", "label", "label_at"),
    "bands": ("panel", "state", "on", "low", "middle", "high"),
    "runs": ("panel", "first", "last"),
    "levels": ("panel", "state", "first", "last", "level"),
    "slots": ("panel", "state", "after", "by"),
    "crossings": ("panel", "on", "early", "late", "edge"),
    "notes": ("panel", "state", "on", "at", "text", "tone", "side", "up"),
    "lanes": ("lane", "place", "on", "to", "kind", "tone", "text", "side", "told"),
    "days": ("on", "text", "side"),
}

# A long note would take the room of what it is about where that is narrow.
_WORDS = (
    "narrow ? replace(replace(datum.text, ' without adjustments it leaves the frame here:', "
    "' unadjusted'), ', beyond the frame', '') : datum.text"
)
_SIGNED = "datum.value == 0 ? '0' : format(datum.value, '+.2~f')"


def meter_history() -> Chart:
    """Return the chart of what was found at each point of one meter, with its lanes of events.

    Parameter ``adjustments`` says whether it shows biases as found or the path without adjustments,
    ``point`` which panel alone (``all`` for all).
    """
    # Heights differ, so that each panel has a signal of its own for it.
    panels = [_panel(place).properties(height=150 + place) for place in range(MOST_PANELS)]
    # Altair ends the name of a view with its place in the column.
    views = ["happenings_0", *(f"visits_{place + 1}" for place in range(MOST_PANELS))]
    chart: alt.VConcatChart = (
        alt.vconcat(lanes(), *panels, spacing=16, params=[span_of_time(*views)])
        .resolve_scale(x="shared", color="independent")
        .add_params(*_params())
    )
    return chart


def _params() -> list[alt.Parameter]:
    """Return the choices of the reader, the ends of each panel, and what follows from them."""
    params = [
        alt.param(name="adjustments", value=AS_FOUND),
        alt.param(name="point", value="all"),
        alt.param(name="narrow", value=False),
    ]
    for place in range(MOST_PANELS):
        ends = (("low", -0.12), ("high", 0.12))
        for end, usual in ends:
            params += [
                alt.param(name=f"found_{end}_{place}", value=usual),
                alt.param(name=f"path_{end}_{place}", value=usual),
                alt.param(
                    name=f"{end}_{place}",
                    expr=f"adjustments == '{AS_FOUND}' ? found_{end}_{place} : path_{end}_{place}",
                ),
            ]
        shown = f"(point == 'all' || point == '{place}')"
        params.append(
            alt.param(name=f"range_{place}", expr=f"{shown} ? high_{place} - low_{place} : 0")
        )
    whole = " + ".join(f"range_{place}" for place in range(MOST_PANELS))
    params += [
        alt.param(name=f"height_{place + 1}", expr=f"{ROOM} * range_{place} / ({whole})")
        for place in range(MOST_PANELS)
    ]
    return params


def history_heights(params: Mapping[str, float]) -> dict[int, float]:
    """Return how high each panel is with all points shown, by its place below the lanes."""
    ranges = [
        params[f"found_high_{place}"] - params[f"found_low_{place}"] for place in range(MOST_PANELS)
    ]
    return {place + 1: ROOM * each / sum(ranges) for place, each in enumerate(ranges)}


class _Panel:
    """The panel of one verification point: its data, filtered, and its axes."""

    def __init__(self, place: int) -> None:
        self.place = place
        self.last = place == MOST_PANELS - 1

    def rows(self, name: str, *, stated: bool = True) -> alt.Chart:
        """Return the rows of this panel, those of the state alone where they have one."""
        shown = f"datum.panel == {self.place} && (point == 'all' || point == '{self.place}')"
        if stated:
            shown += " && (datum.state == 'both' || datum.state == adjustments)"
        return alt.Chart(alt.NamedData(name)).transform_filter(shown)

    def x(self, field: str) -> alt.X:
        """Return the time axis."""
        return time_axis(field, labels=self.last)

    def y(self, field: str) -> alt.Y:
        """Return the axis of bias, the same pixels a percent in each panel."""
        ends = [alt.ExprRef(f"low_{self.place}"), alt.ExprRef(f"high_{self.place}")]
        axis = alt.Axis(
            title=None,
            grid=False,
            labelExpr=_SIGNED,
            labelOpacity=alt.ExprRef(f"range_{self.place} > 0 ? 1 : 0"),
            tickCount=alt.ExprRef(f"max(2, height_{self.place + 1} / 34)"),
        )
        return alt.Y(
            field, type="quantitative", axis=axis, scale=alt.Scale(domain=ends, nice=False)
        )


def _panel(place: int) -> Chart:
    """Return the panel of one point: what may be behind, what was measured, what is said of it."""
    panel = _Panel(place)
    days = alt.Chart(alt.NamedData("days")).encode(x=panel.x("on"))
    through = days.mark_rule(color=hue("ink"), strokeDash=[2, 2])
    return alt.layer(*_ground(panel), *_expected(panel), through, *_measured(panel), *_said(panel))


def _ground(panel: _Panel) -> list[alt.Chart]:
    """Return the tolerance, runs beyond limits, slots of jumps, and lines of limits."""
    limits = panel.rows("limits").encode(x=panel.x("first"), x2="last", y=panel.y("value"))
    zero = alt.Chart(alt.NamedData("points")).transform_filter(f"datum.panel == {panel.place}")
    return [
        panel.rows("points", stated=False)
        .mark_rect(color=hue("strip"))
        .encode(y=panel.y("tolerance_low"), y2="tolerance_high"),
        zero.mark_rule(color=hue("hairline"), strokeWidth=1).encode(y=alt.datum(0)),
        panel.rows("runs", stated=False)
        .transform_filter(f"adjustments == '{AS_FOUND}'")
        .mark_rect(color=hue("stop"), opacity=0.12)
        .encode(x=panel.x("first"), x2="last"),
        panel.rows("slots")
        .mark_rect(fill=None, stroke=hue("stop"), strokeDash=[2, 2])
        .encode(x=panel.x("after"), x2="by"),
        limits.mark_rule(clip=True).encode(
            strokeDash=alt.condition(
                "datum.kind == 'control'", alt.value([5, 3]), alt.value([1, 0])
            ),
            color=alt.condition(
                "datum.kind == 'tolerance'", alt.value(hue("ink")), alt.value(hue("quiet"))
            ),
        ),
    ]


def _expected(panel: _Panel) -> list[alt.Chart]:
    """Return the fan of the forecast, or the drift of the path with its interval."""
    bands = panel.rows("bands").encode(x=panel.x("on"))
    shade = alt.value(
        alt.ExprRef(f"datum.state == '{AS_FOUND}' ? '{hue('calm')}' : '{hue('look')}'")
    )
    return [
        bands.mark_area(opacity=0.2, clip=True).encode(
            y=panel.y("low"), y2="high", detail="state:N", color=shade
        ),
        bands.mark_line(clip=True, strokeWidth=1.4).encode(
            y=panel.y("middle"),
            detail="state:N",
            color=shade,
            strokeDash=alt.value(alt.ExprRef(f"datum.state == '{AS_FOUND}' ? [4, 3] : [1, 0]")),
        ),
        panel.rows("crossings", stated=False)
        .transform_filter(f"adjustments == '{AS_FOUND}'")
        .mark_rule(color=hue("stop"), strokeWidth=4)
        .encode(x=panel.x("early"), x2="late", y=panel.y("edge")),
        panel.rows("crossings", stated=False)
        .transform_filter(f"adjustments == '{AS_FOUND}'")
        .mark_point(shape="diamond", size=120, filled=True, opacity=1, color=hue("stop"))
        .encode(x=panel.x("on"), y=panel.y("edge")),
    ]


def _measured(panel: _Panel) -> list[alt.Chart]:
    """Return climbs from visit to visit, resets as arrows, and a dot a visit."""
    found = f"adjustments == '{AS_FOUND}'"
    visits = panel.rows("visits", stated=False)
    now = visits.transform_calculate(
        start=f"{found} ? datum.before : datum.before_path",
        bias=f"{found} ? datum.found : datum.path",
    )
    resets = visits.transform_filter(
        f"{found} && datum.reset && isValid(datum.left) && isValid(datum.found)"
    )
    return [
        visits.transform_filter(f"{found} && datum.traced && isValid(datum.path)")
        .mark_line(clip=True, strokeDash=[2, 2], color=hue("look"), strokeWidth=1.2)
        .encode(x=panel.x("on"), y=panel.y("path")),
        now.transform_filter("isValid(datum.start) && isValid(datum.bias)")
        .mark_rule(clip=True, color=hue("calm"), strokeWidth=1.3)
        .encode(x=panel.x("before_on"), x2="on", y=panel.y("start"), y2="bias"),
        panel.rows("levels")
        .mark_rule(color=hue("ink"), strokeWidth=2.4)
        .encode(x=panel.x("first"), x2="last", y=panel.y("level")),
        resets.mark_rule(color=hue("look"), strokeWidth=1.6).encode(
            x=panel.x("on"), y=panel.y("found"), y2="left"
        ),
        resets.mark_point(filled=True, opacity=1, size=34, color=hue("look"))
        .encode(
            x=panel.x("on"),
            y=panel.y("left"),
            shape=alt.condition(
                "datum.left < datum.found",
                alt.value("triangle-down"),
                alt.value("triangle-up"),
            ),
        )
        .properties(name="resets"),
        _dots(now.transform_filter("isValid(datum.bias)"), panel),
    ]


def _dots(visits: alt.Chart, panel: _Panel) -> alt.Chart:
    """Return the dots that a reader asks; a diamond was found outside."""
    stop = f"datum.outside && adjustments == '{AS_FOUND}'"
    hollow = f"datum.reset && adjustments == '{UNTOUCHED}'"
    dots: alt.Chart = (
        visits.mark_point(filled=True, opacity=1, clip=True, strokeWidth=1.4)
        .encode(
            x=panel.x("on"),
            y=panel.y("bias"),
            shape=alt.condition(stop, alt.value("diamond"), alt.value("circle")),
            size=alt.condition(stop, alt.value(64), alt.value(34)),
            fill=alt.value(
                alt.ExprRef(
                    f"{stop} ? '{hue('stop')}' : {hollow} ? '{hue('paper')}' : '{hue('calm')}'"
                )
            ),
            stroke=alt.condition(stop, alt.value(hue("stop")), alt.value(hue("calm"))),
            tooltip=[
                alt.Tooltip("on:T", title="visit", format="%-d %b %Y"),
                alt.Tooltip("point:N", title="at"),
                alt.Tooltip("found:Q", title="as found", format="+.3f"),
                alt.Tooltip("left:Q", title="as left", format="+.3f"),
                alt.Tooltip("path:Q", title="without adjustments", format="+.3f"),
                alt.Tooltip("operator:N", title="operator"),
                alt.Tooltip("vessel:N", title="vessel"),
                alt.Tooltip("remarks:N", title="remarks"),
            ],
        )
        .properties(name="visits")
    )
    return dots


def _said(panel: _Panel) -> list[alt.Chart]:
    """Return the name of the panel, the names of its lines where they end, and notes."""
    labels = panel.rows("limits").transform_filter("isValid(datum.label)")
    narrow: dict[str, Any] = {
        "align": alt.ExprRef("narrow ? 'right' : 'left'"),
        "dx": alt.ExprRef("narrow ? -3 : 12"),
        "dy": alt.ExprRef("narrow ? -6 : 0"),
    }
    return [
        *_names(panel),
        labels.mark_rule(
            clip=False,
            color=hue("quiet"),
            xOffset=2,
            x2Offset=9,
            opacity=alt.ExprRef("narrow ? 0 : 1"),
        ).encode(x=alt.value("width"), x2=alt.value("width"), y=panel.y("value"), y2="label_at"),
        labels.mark_text(clip=False, lineBreak="\n", **narrow).encode(
            x=alt.value("width"),
            y=panel.y("label_at"),
            text="label:N",
            opacity=alt.value(
                alt.ExprRef("narrow && (datum.kind != 'tolerance' || datum.value < 0) ? 0 : 1")
            ),
            color=alt.value(
                alt.ExprRef(
                    f"datum.kind == 'tolerance' ? '{hue('ink')}' : "
                    f"datum.kind == 'drift' ? '{hue('look')}' : '{hue('quiet')}'"
                )
            ),
        ),
        _noted(panel, stroke=hue("paper"), strokeWidth=4, strokeJoin="round"),
        _noted(panel).encode(color=tone()),
    ]


def _noted(panel: _Panel, **shape: Any) -> alt.Chart:  # noqa: ANN401 - of a mark
    """Return the notes, or what keeps them apart from the lines that they stand on."""
    notes: alt.Chart = (
        panel.rows("notes")
        .transform_calculate(words=_WORDS)
        .mark_text(
            clip=False,
            align=BY_SIDE,
            dx=alt.ExprRef(kept_within("datum.words")),
            dy=alt.ExprRef("-datum.up"),
            lineBreak="\n",
            fontWeight="bold",
            baseline="middle",
            **shape,
        )
        .encode(x=panel.x("on"), y=panel.y("at"), text="words:N")
    )
    return notes


def _names(panel: _Panel) -> list[alt.Chart]:
    """Return what point a panel is of, beside it or, where that is narrow, above it."""
    names = panel.rows("points", stated=False)
    place: dict[str, Any] = {
        "align": alt.ExprRef("narrow ? 'left' : 'right'"),
        "dx": alt.ExprRef("narrow ? 0 : -42"),
        "baseline": alt.ExprRef("narrow ? 'bottom' : 'top'"),
    }
    return [
        names.mark_text(
            clip=False, fontSize=15, fontWeight="bold", dy=-2, color=hue("ink"), **place
        ).encode(x=alt.value(0), y=alt.value(0), text="name:N"),
        names.transform_filter("isValid(datum.about)")
        .mark_text(
            clip=False,
            fontSize=10.5,
            dy=18,
            color=hue("quiet"),
            opacity=alt.ExprRef("narrow ? 0 : 1"),
            **place,
        )
        .encode(x=alt.value(0), y=alt.value(0), text="about:N"),
    ]
