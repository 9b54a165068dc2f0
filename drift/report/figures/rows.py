"""This module turns frames into the rows that a page carries for a figure."""

import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from itertools import groupby
from typing import Any

import altair as alt
import polars as pl
from altair.utils.schemapi import debug_mode
from polars import selectors as cs

from drift.report.figures.registry import FIGURES, Figure
from drift.report.figures.theme import Chart, chart_config, hue

# Of a parameter of a chart.
Value = float | str | bool | None
# More digits than any dial or eye resolves, few enough that a page stays light; of rows of one
# meter, which are % air, chances and counts, as many decimals.
_DIGITS, _DECIMALS = 6, 5
# Shorter columns are not worth packing.
_FEW = 6
# Width of a chart that stands by itself, in pixels, where it has none of its own.
_WIDTH = 560
_DAY = re.compile(r"\d{4}-\d\d-\d\d")
_OPTIONAL = re.compile(r"panel_\d+$|if_\w+$")


def figure_rows(
    name: str,
    frames: Mapping[str, pl.DataFrame],
    *,
    params: Mapping[str, Value] | None = None,
) -> str:
    """Return the rows of a figure as JSON text that may stand in a script element.

    Each data set goes as one array a column, which weighs a third of one object a row; a column
    that repeats itself goes as runs or as places in a list (`unpacked`).

    Parameters
    ----------
    name : str
        Of the figure, as `FIGURES` has it.
    frames : mapping of str to pl.DataFrame
        A frame for each data set of the figure, with at least its columns.
    params : mapping, optional
        Values of the chart's parameters by name, where they are not the chart's own.

    Raises
    ------
    KeyError
        If a data set is missing.
    polars.exceptions.ColumnNotFoundError
        If a column is.
    """
    data = {
        data_set: plain_rows(frames[data_set].select(columns)).to_dict(as_series=False)
        for data_set, columns in FIGURES[name].data.items()
    }
    return _text(data, params)


def _text(
    data: Mapping[str, Mapping[str, list[object]]],
    params: Mapping[str, Value] | None,
) -> str:
    """Return data and parameters of a figure as JSON text for a script element."""
    packed = {
        data_set: {name: _packed(values) for name, values in columns.items()}
        for data_set, columns in data.items()
    }
    named = params or {}
    plain = dict(zip(named, _plain(named.values()), strict=True))
    return _json({"data": packed, "params": plain}).replace("<", "\\u003c")


def _json(value: object) -> str:
    """Return a value as JSON text without spaces."""
    return json.dumps(value, allow_nan=False, ensure_ascii=False, separators=(",", ":"))


def _packed(values: list[object]) -> object:
    """Return a column as it is, as runs of one value, or as places in a list: the shortest.

    Days go as the first of them and, packed likewise, the days from each to the next.
    """
    first = next((value for value in values if value is not None), None)
    if isinstance(first, date):
        return {"since": first.isoformat(), "days": _packed(_days_between(values))}
    if len(values) < _FEW or isinstance(values[0], list):
        return values
    kinds: dict[object, int] = {}
    places = [kinds.setdefault(value, len(kinds)) for value in values]
    if len(kinds) * 2 > len(values):
        return values
    runs = _runs(values)
    if len(runs) <= len(values):
        return {"runs": runs}
    return {"of": list(kinds), "at": places}


def _days_between(values: Sequence[object]) -> list[object]:
    """Return how many days each known day is after the one before it, none for the first."""
    found: list[object] = []
    before: date | None = None
    for value in values:
        if isinstance(value, date):
            found.append((value - (before or value)).days)
            before = value
        else:
            found.append(None)
    return found


def _days_since(since: str, days: Sequence[int | None]) -> list[str | None]:
    """Return the days of which `_days_between` told, as text."""
    at, found = date.fromisoformat(since), list[str | None]()
    for step in days:
        at += timedelta(days=step or 0)
        found.append(None if step is None else at.isoformat())
    return found


def _runs(values: list[object]) -> list[object]:
    """Return values and how often each follows itself, in turn."""
    return [part for value, run in groupby(values) for part in (value, len(list(run)))]


def unpacked(columns: Mapping[str, Any]) -> dict[str, list[Any]]:
    """Return the columns of a data set as lists, from what a page carries."""

    def one(column: Any) -> list[Any]:  # noqa: ANN401 - JSON holds anything
        if isinstance(column, list):
            return column
        if "since" in column:
            return _days_since(column["since"], one(column["days"]))
        if "of" in column:
            return [column["of"][place] for place in column["at"]]
        values, many = column["runs"][::2], column["runs"][1::2]
        return [value for value, times in zip(values, many, strict=True) for _ in range(times)]

    return {name: one(column) for name, column in columns.items()}


def listed_rows(
    name: str,
    rows: Mapping[str, Sequence[Mapping[str, object]]],
    *,
    params: Mapping[str, Value] | None = None,
) -> str:
    """Return the same as `figure_rows` of rows that are no frames, as of one meter.

    A frame of a hundred rows costs as much as one of ten thousand; a dossier has fifty of them.

    Parameters
    ----------
    name : str
        Of the figure, as `FIGURES` has it.
    rows : mapping of str to sequence of mapping
        The rows of each data set of the figure, each with at least its columns.
    params : mapping, optional
        Values of the chart's parameters by name, where they are not the chart's own.

    Raises
    ------
    KeyError
        If a data set or a column is missing.
    """
    data = {
        data_set: {column: _plain([row[column] for row in rows[data_set]]) for column in columns}
        for data_set, columns in FIGURES[name].data.items()
    }
    return _text(data, params)


def _plain(values: Iterable[object]) -> list[object]:
    """Return values as a page carries them: what is not finite is null."""
    return [
        (round(value, _DECIMALS) if math.isfinite(value) else None)
        if isinstance(value, float)
        else value
        for value in values
    ]


def plain_rows(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a frame whose values are those of JSON: what is not finite is null.

    A day carries its midnight: a bare date is read as one of Greenwich, and shows the day before
    in America.
    """
    return frame.with_columns(
        cs.date().dt.strftime("%Y-%m-%dT00:00:00"),
        cs.float()
        .round_sig_figs(_DIGITS)
        .replace([float("inf"), float("-inf")], None)
        .fill_nan(None),
    )


def filled(
    name: str,
    frames: Mapping[str, pl.DataFrame],
    *,
    params: Mapping[str, Value] | None = None,
) -> Chart:
    """Return the chart of a figure with its rows, hues and configuration: it stands by itself.

    Parameters
    ----------
    name, frames, params
        As of `figure_rows`.
    """
    return carried(name, figure_rows(name, frames, params=params))


def carried(name: str, rows: str) -> Chart:
    """Return the chart of a figure that stands by itself, from what a page carries for it.

    Parameters
    ----------
    name : str
        Of the figure, as `FIGURES` has it.
    rows : str
        What `figure_rows` or `listed_rows` gave.
    """
    figure, given = FIGURES[name], json.loads(rows)
    chart = unchecked(figure)
    datasets = {data_set: _objects(columns) for data_set, columns in given["data"].items()}
    if isinstance(chart, alt.VConcatChart):
        for place, height in (figure.heights(given["params"]) if figure.heights else {}).items():
            chart.vconcat[place].height = height
        chart.vconcat = _with_rows(chart.vconcat, datasets)
    for view in chart.vconcat if isinstance(chart, alt.VConcatChart) else [chart]:
        if view.width is alt.Undefined:
            view.width = _WIDTH
    chart.datasets = datasets
    chart.config = chart_config() | {"background": hue("paper")}
    for param in chart.params if isinstance(chart.params, list) else ():
        if param.name in given["params"]:
            param.value = given["params"][param.name]
    return chart


def is_empty(rows: str) -> bool:
    """Say whether no data set of what a page carries for a figure has a row."""
    data_sets = json.loads(rows)["data"].values()
    return not any(column for columns in data_sets for column in columns.values())


def _objects(columns: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return rows as objects, from one array a column; days carry their midnight, as in pages."""
    named = {
        name: [
            f"{value}T00:00:00" if isinstance(value, str) and _DAY.fullmatch(value) else value
            for value in values
        ]
        for name, values in unpacked(columns).items()
    }
    return [dict(zip(named, values, strict=True)) for values in zip(*named.values(), strict=True)]


def unchecked(figure: Figure) -> Chart:
    """Build a chart without checks against the schema, which take most of the time.

    The tests check every chart once instead.
    """
    with debug_mode(arg=False):
        return figure.build()


def _with_rows(views: list[Any], datasets: Mapping[str, list[dict[str, Any]]]) -> list[Any]:
    """Return the views of a column without those that have no row, as pages leave them out."""
    every = [row for rows in datasets.values() for row in rows]
    drawn = {f"panel_{row['panel']}" for row in every if "panel" in row}
    drawn |= {f"if_{name}" for name, rows in datasets.items() if rows}
    return [one for one in views if one.name in drawn or not _OPTIONAL.match(str(one.name))]
