"""This module turns frames into the rows that a page carries for a figure."""

import json
from collections.abc import Mapping

import polars as pl
from polars import selectors as cs

from drift.report.charts.registry import FIGURES

# More digits than any dial or eye resolves, few enough that a page stays light.
_DIGITS = 6


def figure_rows(
    name: str,
    frames: Mapping[str, pl.DataFrame],
    *,
    params: Mapping[str, float | str | bool | None] | None = None,
) -> str:
    """Return the rows of a figure as JSON text that may stand in a script element.

    Each data set goes as one array a column, which weighs a third of one object a row.

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
    text = json.dumps(
        {"data": data, "params": dict(params or {})},
        allow_nan=False,
        ensure_ascii=False,
        separators=(",", ":"),
    )
    return text.replace("<", "\\u003c")


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
