"""This module gathers the rows of the charts that stand beside the table of the fleet."""

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.report.figures.rows import figure_rows
from drift.review.results import Review

# The frame of biases: so many tolerances either way, no more however far a meter is out.
_NARROWEST, _WIDEST = 1.6, 2.4


class FleetCharts:
    """The rows of the charts that stand beside the table; its rows are those of `fleet_rows`."""

    def __init__(self, review: Review, rows: list[Row], *, visits: int | None) -> None:
        """Take the histories of all meters at once."""
        self._tolerance = review.policy.tolerance_pct
        found = [abs(row["level"]) for row in rows if row["level"] is not None]
        least, most = _NARROWEST * self._tolerance, _WIDEST * self._tolerance
        self._reach = min(max([least, *(1.12 * each for each in found)]), most)
        worst = review.meters.select("meter_id", point_pct="worst_point_pct")
        seen = (
            review.ledger.join(worst, on=["meter_id", "point_pct"])
            .drop_nulls("as_found_bias_pct")
            .sort("meter_id", "performed_on", maintain_order=True)
        )
        days = [on for on in seen["performed_on"].to_list() if on is not None]
        self.first = min(days, default=review.as_of)
        self.last = max(days, default=review.as_of)
        if visits is not None:
            seen = seen.group_by("meter_id", maintain_order=True).tail(visits)
        years = seen["t_years"]
        self._first = min(years.to_list(), default=0.0)
        self._last = max(years.to_list(), default=1.0) + 0.05
        lists = seen.group_by("meter_id").agg(
            t=pl.col("t_years").round(2), v=pl.col("as_found_bias_pct").round(3)
        )
        self._paths = {row["meter_id"]: (row["t"], row["v"]) for row in lists.iter_rows(named=True)}

    def axis(self) -> str:
        """Return the axis over biases."""
        limit = text.plain(self._tolerance)
        ticks = pl.DataFrame(
            {
                "at": [-self._tolerance, 0.0, self._tolerance],
                "label": [f"−{limit}", "0", f"+{limit}"],
                "limit": [True, False, True],
            }
        )
        return figure_rows("fleet_bias_axis", {"ticks": ticks}, params=self._params(1))

    def bias(self, rows: list[Row]) -> str:
        """Return where meters are and will be, a row each."""
        return figure_rows("fleet_bias", {"meters": _marks(rows)}, params=self._params(len(rows)))

    def strip(self, rows: list[Row]) -> str:
        """Return where meters are, all in one line."""
        frame = _marks(rows).drop_nulls("level")
        return figure_rows("fleet_strip", {"meters": frame}, params=self._params(1))

    def history(self, rows: list[Row]) -> str:
        """Return what meters were found at, a row each."""
        paths = [self._paths.get(row["meter_id"], ([], [])) for row in rows]
        frame = pl.DataFrame(
            {
                "row": range(len(rows)),
                "meter": [row["told"].name for row in rows],
                "t": [path[0] for path in paths],
                "v": [path[1] for path in paths],
            },
            schema={
                "row": pl.Int64,
                "meter": pl.String,
                "t": pl.List(pl.Float64),
                "v": pl.List(pl.Float64),
            },
        )
        params = {
            "rows": len(rows),
            "first": self._first,
            "last": self._last,
            "tolerance": self._tolerance,
        }
        return figure_rows("fleet_history", {"paths": frame}, params=params)

    def _params(self, rows: int) -> dict[str, float | str | bool | None]:
        """Return the parameters of charts of bias."""
        return {"rows": rows, "reach": self._reach, "tolerance": self._tolerance}


def _marks(rows: list[Row]) -> pl.DataFrame:
    """Return the marks of meters, a row each."""
    names = {"level": "level", "due": "at_due", "low": "at_due_low", "high": "at_due_high"}
    return pl.DataFrame(
        {
            "row": range(len(rows)),
            "meter": [row["told"].name for row in rows],
            "tone": [row["tone"] for row in rows],
            **{name: [row[column] for row in rows] for name, column in names.items()},
            "now": [text.bias(row["level"]) for row in rows],
            "then": [row["told"].now for row in rows],
            "chance": [row["told"].chance for row in rows],
        },
        schema={
            "row": pl.Int64,
            "meter": pl.String,
            "tone": pl.String,
            **dict.fromkeys(names, pl.Float64),
            "now": pl.String,
            "then": pl.String,
            "chance": pl.String,
        },
    )
