"""This module holds what every figure shares: theme, axes, SVG text."""

import json
from functools import cache
from typing import Any

import altair as alt
import vl_convert

from drift.folders import report
from drift.report.figures.canvas import LAYERS, Picture, blank

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
