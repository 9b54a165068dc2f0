"""This module describes the charts of the fleet review.

Charts of a group of meters are laid beside the rows of its table: each meter has one unit of
height, row 0 at the top, so that chart and table keep step whatever a row's height in pixels.
"""

import altair as alt

from drift.report.figures.theme import Chart, hue, number_axis

# What a meter's strongest obligation makes of its marks.
TONES = ("stop", "look", "calm", "quiet")
_SHAPES = ("diamond", "triangle-up", "circle", "circle")
# The part of a row that its small history may fill, and how many tolerances that is either way.
_FILL, _TOLERANCES = 0.43, 2.0
_NOTHING = alt.AutoSizeParams(type="none")


def group_bias() -> Chart:
    """Return the chart of where meters are and will be when due, laid beside their rows.

    Data set ``meters``, one row a meter: ``row`` (its place, from 0), ``meter``, ``tone`` (one of
    `TONES`), ``level``, ``due``, ``low``, ``high`` (% air; the last two the band of ``due``), and
    in words ``now``, ``then`` and ``chance``.  Parameters: ``rows``, ``reach`` (the frame, % air
    either way) and ``tolerance`` (% air).
    """
    return (
        alt.layer(*_row_frames(), *_meters())
        .properties(height=100, padding=0, autosize=_NOTHING)
        .add_params(*_params())
    )


def bias_axis() -> Chart:
    """Return the axis over such charts: the tolerance, its middle and twice its width.

    Data set ``ticks``: ``at`` (% air), ``label``, ``limit`` (bool).  Parameters as of `group_bias`.
    """
    base = alt.Chart(alt.NamedData("ticks")).encode(x=_bias("at:Q"))
    shade = alt.condition("datum.limit", alt.value(hue("ink")), alt.value(hue("quiet")))
    words = base.mark_text(baseline="bottom", fontSize=11, clip=False).encode(
        y=alt.value(13), text="label:N", color=shade
    )
    ticks = base.mark_rule().encode(y=alt.value(15), y2=alt.value(20), color=shade)
    return (
        alt.layer(words, ticks)
        .properties(height=20, padding=0, autosize=_NOTHING)
        .add_params(*_params())
    )


def group_history() -> Chart:
    """Return the chart of what meters were found at, a small path in each row.

    Data set ``paths``, one row a meter: ``row``, ``meter``, and of its visits ``t`` (years since
    2000) and ``v`` (bias as found at its worst point, % air), lists of one length.  Parameters:
    ``rows``, ``first`` and ``last`` (years since 2000), ``tolerance`` (% air).
    """
    paths = alt.Chart(alt.NamedData("paths"))
    x = alt.X(
        "t:Q",
        axis=None,
        scale=alt.Scale(
            domainMin=alt.ExprRef("first"), domainMax=alt.ExprRef("last"), nice=False, zero=False
        ),
    )
    half = _FILL / _TOLERANCES
    strip = (
        paths.mark_rect(color=hue("strip"))
        .transform_calculate(top=f"datum.row + 0.5 - {half}", foot=f"datum.row + 0.5 + {half}")
        .encode(x=alt.value(0), x2=alt.value("width"), y=_row("top:Q"), y2="foot:Q")
    )
    visits = paths.transform_flatten(["t", "v"]).transform_calculate(
        held=f"clamp(datum.v / tolerance, {-_TOLERANCES}, {_TOLERANCES})",
        at=f"datum.row + 0.5 - datum.held * {half}",
        out="abs(datum.v) > tolerance + 1e-9",
    )
    line = visits.mark_line(strokeWidth=1.1, color=hue("quiet")).encode(
        x=x, y=_row("at:Q"), detail="row:Q"
    )
    out = (
        visits.transform_filter("datum.out")
        .mark_point(shape="diamond", size=26, filled=True, opacity=1, color=hue("stop"))
        .encode(x=x, y=_row("at:Q"))
    )
    return (
        alt.layer(strip, line, out)
        .properties(height=100, padding=0, autosize=_NOTHING)
        .add_params(
            alt.param(name="rows", value=1),
            alt.param(name="first", value=0),
            alt.param(name="last", value=1),
            alt.param(name="tolerance", value=0.1),
        )
    )


def group_strip() -> Chart:
    """Return the chart of all meters of a group that have no row of their own, each a mark.

    Data set ``meters`` with ``meter``, ``tone``, ``level``, ``now`` and ``chance``; parameters as
    of `group_bias`, ``rows`` of which is not used.
    """
    bins = 60
    marks = (
        alt.Chart(alt.NamedData("meters"))
        .transform_calculate(
            held="clamp(datum.level, -reach, reach)",
            bin=f"round(datum.held / reach * {bins})",
        )
        .transform_window(rank="row_number()", count="count()", groupby=["bin"], frame=[None, None])
        .transform_calculate(
            at=f"datum.bin * reach / {bins}", up="datum.rank - 0.5 - datum.count / 2"
        )
        .mark_point(filled=True, opacity=1, size=22)
        .encode(
            x=_bias("at:Q"),
            y=alt.Y(
                "up:Q",
                axis=None,
                scale=alt.Scale(domain=alt.DomainUnionWith(unionWith=[-5, 5]), nice=False),
            ),
            color=_toned(),
            shape=_shaped(),
            tooltip=[
                alt.Tooltip("meter:N", title="meter"),
                alt.Tooltip("now:N", title="bias now"),
                alt.Tooltip("chance:N", title="chance it is out"),
            ],
        )
    )
    return (
        alt.layer(*_frame(), marks)
        .properties(height=44, padding=0, autosize=_NOTHING)
        .add_params(*_params())
    )


def shared_effects() -> Chart:
    """Return the chart of what each vessel and operator does to all meters alike.

    Data set ``effects``, one row an effect in the order to be drawn: ``name``, ``what``,
    ``effect``, ``low``, ``high`` (% air), ``found`` (bool: told from chance and of a size that
    matters), ``size`` in words.
    """
    base = alt.Chart(alt.NamedData("effects")).encode(
        y=alt.Y(
            "name:N",
            sort=None,
            title=None,
            # A change names two calibrations: one below the other.
            axis=alt.Axis(
                grid=False,
                labelLimit=330,
                labelLineHeight=11,
                labelExpr="split(replace(datum.label, ' → ', ' →\\n'), '\\n')",
            ),
        )
    )
    shade = alt.condition("datum.found", alt.value(hue("look")), alt.value(hue("quiet")))
    signed = "datum.value == 0 ? '0' : format(datum.value, '+.2~f')"
    x = alt.X(
        "low:Q",
        title="shift of all meters, % air",
        axis=number_axis(labels=signed),
    )
    told = [
        alt.Tooltip("name:N", title="which"),
        alt.Tooltip("what:N", title="what"),
        alt.Tooltip("size:N", title="shift"),
    ]
    zero = (
        alt.Chart(alt.InlineData([{}]))
        .mark_rule(color=hue("edge"))
        .encode(x=alt.XDatum(0, type="quantitative"))
    )
    return alt.layer(
        zero,
        base.mark_rule(strokeWidth=6, opacity=0.35).encode(x=x, x2="high:Q", color=shade),
        base.mark_point(filled=True, size=60, opacity=1).encode(
            x="effect:Q",
            color=shade,
            shape=alt.condition("datum.found", alt.value("triangle-up"), alt.value("circle")),
            tooltip=told,
        ),
    ).properties(height=alt.Step(28))


def visits_due() -> Chart:
    """Return the chart of the visits that fall due, a mark a meter stacked by week.

    Data set ``due``, one row a meter: ``week`` (its Monday), ``rank`` (from 1 within the week),
    ``meter``, ``tone``, ``on`` in words.  Data set ``weeks``, drawn instead where meters are many:
    ``week``, ``count``.  Parameters: ``first`` and ``last``, text of the first and last Monday.
    """
    x = alt.X(
        "week:T",
        title=None,
        axis=alt.Axis(format="%b", tickCount="month", grid=False),
        scale=alt.Scale(nice=False),
    )
    dots = (
        alt.Chart(alt.NamedData("due"))
        .mark_point(filled=True, size=52, opacity=1)
        .encode(
            x=x,
            y=alt.Y("rank:Q", axis=None, scale=alt.Scale(domainMin=0.3, nice=False)),
            color=_toned(),
            shape=_shaped(),
            tooltip=[
                alt.Tooltip("meter:N", title="meter"),
                alt.Tooltip("on:N", title="due"),
            ],
        )
    )
    weeks = alt.Chart(alt.NamedData("weeks")).encode(
        x=x, y=alt.Y("count:Q", axis=None, scale=alt.Scale(zero=True))
    )
    bars = weeks.mark_bar(width=16, color=hue("calm")).encode(
        tooltip=[alt.Tooltip("count:Q", title="visits due")]
    )
    counts = weeks.mark_text(dy=-7, fontSize=11, color=hue("ink")).encode(text="count:Q")
    return alt.layer(bars, counts, dots).properties(height=70)


def _meters() -> list[alt.Chart]:
    """Return the layers of one mark a meter, its way to the due date and the band there."""
    known = alt.Chart(alt.NamedData("meters")).transform_filter("isValid(datum.level)")
    meters = known.transform_calculate(
        at="datum.row + 0.5",
        top="datum.row + 0.36",
        foot="datum.row + 0.64",
        a="clamp(datum.low, -reach, reach)",
        b="clamp(datum.high, -reach, reach)",
        here="clamp(datum.level, -reach, reach)",
        there="clamp(datum.due, -reach, reach)",
        moves="abs(datum.due - datum.level) > 0.012 * reach",
        way="datum.due > datum.level ? 90 : -90",
        beyond="abs(datum.level) > reach",
    )
    moving = meters.transform_filter("datum.moves")
    here, there, at, tone = _bias("here:Q"), _bias("there:Q"), _row("at:Q"), _toned()
    return [
        *_bands(meters),
        moving.mark_rule(strokeWidth=1.6).encode(x=here, x2="there:Q", y=at, color=tone),
        moving.mark_point(shape="triangle", filled=True, size=34, opacity=1).encode(
            x=there, y=at, color=tone, angle=alt.Angle("way:Q", scale=None)
        ),
        meters.mark_point(filled=True, opacity=1, size=84).encode(
            x=here,
            y=at,
            color=tone,
            shape=_shaped(),
            tooltip=[
                alt.Tooltip("meter:N", title="meter"),
                alt.Tooltip("now:N", title="bias now"),
                alt.Tooltip("then:N", title="when due"),
                alt.Tooltip("chance:N", title="chance it is out"),
            ],
        ),
        meters.transform_filter("datum.beyond")
        .mark_text(dy=-9, fontSize=10)
        .encode(x=here, y=at, text="now:N", color=tone),
    ]


def _bands(meters: alt.Chart) -> list[alt.Chart]:
    """Return the layers of the band in which each meter is expected when due."""
    top, tone = _row("top:Q"), _toned()
    band = meters.mark_rect(opacity=0.32).encode(
        x=_bias("a:Q"), x2="b:Q", y=top, y2="foot:Q", color=tone
    )
    ends = [
        meters.mark_rule(strokeWidth=1.4).encode(
            x=_bias(f"{end}:Q"), y=top, y2="foot:Q", color=tone
        )
        for end in ("a", "b")
    ]
    return [band, *ends]


def _frame() -> list[alt.Chart]:
    """Return the layers behind marks: the tolerance, its limits and zero."""
    once = alt.Chart(alt.InlineData([{}]))
    limits = [
        once.mark_rule(color=hue(role)).encode(
            x=alt.XDatum(alt.ExprRef(at), type="quantitative", scale=_reach(), axis=None)
        )
        for at, role in (
            ("-tolerance", "edge"),
            ("0 * tolerance", "hairline"),
            ("tolerance", "edge"),
        )
    ]
    strip = once.mark_rect(color=hue("strip")).encode(
        x=alt.XDatum(alt.ExprRef("-tolerance"), type="quantitative", scale=_reach(), axis=None),
        x2=alt.X2Datum(alt.ExprRef("tolerance")),
    )
    return [strip, *limits]


def _row_frames() -> list[alt.Chart]:
    """Return the same behind each row by itself, since on a narrow screen rows stand apart."""
    rows = alt.Chart(alt.NamedData("meters")).transform_calculate(
        top="datum.row", foot="datum.row + 1", least="-tolerance", zero="0", most="tolerance"
    )
    strip = rows.mark_rect(color=hue("strip")).encode(
        x=_bias("least:Q"), x2="most:Q", y=_row("top:Q"), y2="foot:Q"
    )
    limits = [
        rows.mark_rule(color=hue(role)).encode(x=_bias(f"{at}:Q"), y=_row("top:Q"), y2="foot:Q")
        for at, role in (("least", "edge"), ("zero", "hairline"), ("most", "edge"))
    ]
    return [strip, *limits]


def _params() -> tuple[alt.Parameter, ...]:
    """Return the parameters of charts of bias."""
    values = {"rows": 1, "reach": 0.2, "tolerance": 0.1}
    return tuple(alt.param(name=name, value=value) for name, value in values.items())


def _reach() -> alt.Scale:
    """Return the scale of bias, of one width in all groups of a page."""
    return alt.Scale(
        domainMin=alt.ExprRef("-reach"), domainMax=alt.ExprRef("reach"), nice=False, zero=False
    )


def _bias(field: str) -> alt.X:
    """Return a bias across."""
    return alt.X(field, axis=None, title=None, scale=_reach())


def _row(field: str) -> alt.Y:
    """Return a place in the rows of a group, the first at the top."""
    return alt.Y(
        field,
        axis=None,
        title=None,
        scale=alt.Scale(
            domainMin=0, domainMax=alt.ExprRef("rows"), reverse=True, nice=False, zero=False
        ),
    )


def _toned() -> alt.Color:
    """Return the hue of a tone."""
    hues = [hue("stop"), hue("look"), hue("calm"), hue("quiet")]
    return alt.Color("tone:N", legend=None, scale=alt.Scale(domain=list(TONES), range=hues))


def _shaped() -> alt.Shape:
    """Return the shape of a tone."""
    return alt.Shape(
        "tone:N", legend=None, scale=alt.Scale(domain=list(TONES), range=list(_SHAPES))
    )
