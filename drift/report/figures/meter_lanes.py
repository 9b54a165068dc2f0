"""This module describes the lanes of events above a dossier's large figure."""

import altair as alt

from drift.report.figures.theme import Chart, hue
from drift.report.figures.time_axis import time_axis

# Words begin at, are centred on or end at their place.
BY_SIDE = alt.ExprRef("datum.side == 'start' ? 'left' : datum.side == 'end' ? 'right' : 'center'")
BESIDE = alt.ExprRef("datum.side == 'start' ? 4 : datum.side == 'end' ? -4 : 0")
# Width of a letter of 11 px, in pixels, set wide: what a figure leaves to words is measured by it.
_LETTER = 6.2
_TONES = ("stop", "look", "calm", "ink", "quiet", "paper")
# An upright stroke, as a path within one unit.
_TICK = "M0,-0.8L0,0.8"
# Height of a lane, in pixels.
_LANE = 18


def kept_within(words: str) -> str:
    """Return by how many pixels words move so that a narrow figure keeps them within its axes.

    Parameters
    ----------
    words : str
        Expression of the words, of up to three lines, which stand at the field ``on`` by their
        ``side``.

    Returns
    -------
    str
        Expression; zero where the figure is wide, since words find room beside it there.
    """
    lines = ", ".join(f"length(split({words}, '\\n')[{line}] || '')" for line in range(3))
    wide = f"{_LETTER} * max({lines})"
    place = "scale('x', datum.on)"
    before = "datum.side == 'start' ? 0 : datum.side == 'end' ? 1 : 0.5"
    low = f"{place} - ({before}) * {wide}"
    return f"narrow ? max(0, -({low})) - max(0, {low} + {wide} - range('x')[1]) : 0"


def lanes() -> Chart:
    """Return the lanes: what happened, by date, a row a kind."""
    rows = alt.Chart(alt.NamedData("lanes")).encode(
        y=alt.Y(
            "lane:N",
            sort=alt.EncodingSortField(field="place", op="min"),
            title=None,
            axis=alt.Axis(
                grid=True,
                domain=False,
                ticks=False,
                tickBand="extent",
                labelLimit=120,
                labelExpr="narrow ? split(datum.label, ',')[0] : datum.label",
            ),
        )
    )
    told = [alt.Tooltip("told:N", title="on record")]
    days = alt.Chart(alt.NamedData("days")).encode(x=time_axis("on"))
    return alt.layer(
        rows.transform_filter("isValid(datum.to)")
        .mark_rule(strokeWidth=3)
        .encode(x=time_axis("on"), x2="to", color=tone(), tooltip=told),
        _marks(rows, told),
        # What is only made invisible would still take its room.
        rows.transform_filter("isValid(datum.text) && !(narrow && length(datum.text) > 2)")
        .mark_text(clip=False, align=BY_SIDE, dx=BESIDE)
        .encode(x=time_axis("on"), text="text:N", color=tone(), tooltip=told),
        days.mark_rule(color=hue("ink"), strokeDash=[2, 2]),
        days.mark_text(
            clip=False,
            align=BY_SIDE,
            dx=alt.ExprRef(f"({BESIDE.expr}) + ({kept_within('datum.text')})"),
            # Two days that stand close would share one line there.
            dy=alt.ExprRef("narrow && datum.side == 'end' ? -16 : -3"),
            color=hue("ink"),
            baseline="bottom",
        ).encode(y=alt.value(0), text="text:N"),
        height=alt.Step(_LANE),
    )


def _marks(rows: alt.Chart, told: list[alt.Tooltip]) -> alt.Chart:
    """Return the symbols of the lanes."""
    marks: alt.Chart = (
        rows.transform_filter("datum.kind != 'text' && datum.kind != 'span'")
        .mark_point(opacity=1, strokeWidth=1.6)
        .encode(
            x=time_axis("on"),
            size=alt.condition("datum.kind == 'signal'", alt.value(170), alt.value(46)),
            fill=alt.Fill("tone:N", scale=_tone_scale(), legend=None),
            stroke=alt.Stroke("tone:N", scale=_tone_scale(), legend=None),
            shape=alt.Shape(
                "kind:N",
                legend=None,
                scale=alt.Scale(
                    domain=["reset_down", "reset_up", "moved", "tick", "signal", "service"],
                    range=["triangle-down", "triangle-up", "square", _TICK, "circle", "cross"],
                ),
            ),
            tooltip=told,
        )
        .properties(name="happenings")
    )
    return marks


def _tone_scale() -> alt.Scale:
    """Return the hues by the tones that rows ask for."""
    return alt.Scale(domain=list(_TONES), range=[hue(tone) for tone in _TONES])


def tone() -> alt.Color:
    """Return the hue that a row asks for."""
    return alt.Color("tone:N", scale=_tone_scale(), legend=None)
