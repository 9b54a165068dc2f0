"""This module holds what every figure shares: theme, axes, SVG text."""

import json
from collections.abc import Callable
from functools import cache, wraps
from typing import Any, ParamSpec

import altair as alt
import vl_convert
from altair.utils.schemapi import debug_mode

from drift.folders import report
from drift.report.figures.canvas import LAYERS, Picture, blank

Drawing = alt.LayerChart | alt.FacetChart
_Settings = ParamSpec("_Settings")

# Drawn width of one panel, in pixels: with its axis labels it fits the text column of a page.
PANEL_WIDTH = 560

# The converter names the version of Vega-Lite by its first two numbers.
_VEGA_LITE = ".".join(alt.SCHEMA_VERSION.removeprefix("v").split(".")[:2])
# What it writes on each mark that can be spoken of.  A picture is hidden from a screen reader,
# which is told of it in words.
_UNHEARD = (
    ' role="graphics-symbol" aria-roledescription="symbol mark"',
    ' role="graphics-object" aria-roledescription="symbol mark container"',
    ' role="graphics-object" aria-roledescription="group mark container"',
)


@cache
def theme() -> dict[str, Any]:
    """Return ``reports/theme.json``."""
    content: dict[str, Any] = json.loads(report("theme.json"))
    return content


def colour(role: str) -> str:
    """Return the light hue of a role such as ``measured``; pages exchange it in the dark."""
    return str(theme()["light"][role])


@cache
def _config() -> dict[str, Any]:
    """Return the configuration of every figure, roles replaced by their hues."""

    def resolved(value: Any) -> Any:  # noqa: ANN401 - JSON holds anything
        if isinstance(value, dict):
            return {key: resolved(item) for key, item in value.items()}
        is_role = isinstance(value, str) and value.startswith("@")
        return colour(value[1:]) if is_role else value

    config: dict[str, Any] = resolved(theme()["config"])
    return config


def svg(chart: Drawing) -> str:
    """Return a chart with axes of its own as SVG text, the same for the same in any process.

    No mark of a figure may be clipped: a clip path carries an id that depends on what the process
    has drawn before.
    """
    specification = chart.to_dict(validate=False)
    specification["config"] = _config()
    text: str = vl_convert.vegalite_to_svg(
        specification, vl_version=_VEGA_LITE, allowed_base_urls=[]
    )
    return _unheard(text)


def marks_svg(picture: Picture) -> str:
    """Return the marks of a picture as SVG text, without its words, under the rules of `svg`."""
    layers = {"width": picture.width, "height": picture.height, "data": picture.rows()}
    text: str = vl_convert.vega_to_svg(
        json.dumps(_blank() | layers, allow_nan=False), allowed_base_urls=[]
    )
    return _unheard(text)


def _unheard(text: str) -> str:
    """Take out what a screen reader would be told of single marks."""
    for attributes in _UNHEARD:
        text = text.replace(attributes, "")
    return text


def warm_up() -> None:
    """Load the converter and compile the canvas, so that the first picture is as quick as others.

    It is the only slow step that needs nothing of a review.
    """
    marks_svg(Picture(width=1, height=1, under=(), dots=(), words=()))


@cache
def _blank() -> dict[str, Any]:
    """Return the canvas without rows, as Vega reads it; compiled once in each process."""
    specification = blank(*(alt.NamedData(name=name) for name in LAYERS)).to_dict()
    compiled: dict[str, Any] = vl_convert.vegalite_to_vega(
        specification | {"config": _config()}, vl_version=_VEGA_LITE
    )
    return compiled | {"padding": 0}


def unchecked(draw: Callable[_Settings, Drawing]) -> Callable[_Settings, Drawing]:
    """Make a drawing function put its chart together without schema checks.

    Altair checks every part of a chart, which doubles the time of a figure; the tests check each
    figure once instead.  For the same reason axes and scales are given as dicts: Altair copies a
    chart at each step, and its own classes hold some eighty empty settings each.
    """

    @wraps(draw)
    def unchecked_draw(*args: _Settings.args, **kwargs: _Settings.kwargs) -> Drawing:
        with debug_mode(arg=False):
            return draw(*args, **kwargs)

    return unchecked_draw


def values(rows: list[dict[str, object]]) -> alt.InlineData:
    """Return rows as data of a figure.

    They go as JSON text: Altair copies a list of rows at every step of building a chart.
    """
    return alt.InlineData(
        values=json.dumps(rows, allow_nan=False, separators=(",", ":")),
        format=alt.JsonDataFormat(type="json"),
    )
