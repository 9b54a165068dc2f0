"""This module gives charts their hues and their configuration, light and dark.

A chart is put together with the light hues of ``reports/theme.json``: that is what a notebook and
a file show.  Light hues differ from role to role, so that a page, which has the roles as variables
of its style sheet, can exchange each hue for its variable and follow a change to dark by itself.
"""

import json
import re
from collections.abc import Mapping
from functools import cache
from typing import Any

import altair as alt

from drift.folders import report

# What Altair says that layers with a size are.
Layers = alt.LayerChart | alt.FacetChart
# What a figure may be: one view, layers, or views in a column.
Chart = alt.Chart | Layers | alt.VConcatChart


def hue(role: str) -> str:
    """Return the light hue of a role of ``reports/theme.json`` such as ``stop`` or ``ink``."""
    return str(_content()["light"][role])


def chart_config(*, dark: bool = False) -> dict[str, Any]:
    """Return the Vega-Lite configuration of every chart."""
    hues = _content()["dark" if dark else "light"]
    config: dict[str, Any] = _replaced(_content()["config"], {f"@{k}": v for k, v in hues.items()})
    return config


def number_axis(*, labels: str = "") -> alt.Axis:
    """Return an axis of numbers that has as many ticks as its width can label.

    Parameters
    ----------
    labels : str
        Vega expression of a label; empty for the number itself.
    """
    return alt.Axis(
        tickCount=alt.ExprRef("max(2, ceil(width / 120))"),
        labelOverlap="greedy",
        labelSeparation=6,
        labelExpr=labels or "datum.label",
    )


def with_variables(specification: dict[str, Any]) -> dict[str, Any]:
    """Return a specification or configuration whose hues are variables of a page's style."""
    names = {shade: f"var(--{role})" for role, shade in _content()["light"].items()}
    found: dict[str, Any] = _replaced(specification, names)
    return found


def _replaced(value: Any, names: Mapping[str, str]) -> Any:  # noqa: ANN401 - JSON holds anything
    """Return JSON in whose texts, expressions among them, names are exchanged."""
    if isinstance(value, dict):
        return {key: _replaced(item, names) for key, item in value.items()}
    if isinstance(value, list):
        return [_replaced(item, names) for item in value]
    if not isinstance(value, str):
        return value
    return re.sub(r"[@#][\w-]+", lambda found: names.get(found[0], found[0]), value)


@cache
def _content() -> dict[str, Any]:
    """Return ``reports/theme.json``."""
    content: dict[str, Any] = json.loads(report("theme.json"))
    return content


alt.theme.register("drift", enable=False)(
    lambda: {"config": chart_config()},  # type: ignore[typeddict-item]
)
alt.theme.register("drift_dark", enable=False)(
    lambda: {"config": chart_config(dark=True)},  # type: ignore[typeddict-item]
)
