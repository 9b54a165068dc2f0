"""This module gathers what has changed since an earlier review for a page; it compares nothing."""

from typing import Any

import polars as pl

from drift.pages.names import file_name
from drift.pages.since_data import ChangeRow, SincePart
from drift.results import Review

# Rows of each list that the page shows; `data/since.csv` holds all.
LONGEST_LIST = 12
_LISTS = {
    "standings": ("standing", "overdue"),
    "signals": ("new_signal", "ended_signal"),
    "responses": ("response",),
    "meters": ("new_meter", "gone_meter"),
    "settings": ("policy", "program"),
}


def since_part(review: Review) -> SincePart | None:
    """Return what has changed, None where no earlier review was named."""
    since = review.since
    if since is None:
        return None
    meter_ids = set(review.meters["meter_id"])
    of_kind = {
        name: since.rows.filter(pl.col("kind").is_in(kinds)) for name, kinds in _LISTS.items()
    }
    # What the visits since have raised comes before what moved limits raise or no longer raise.
    of_kind["signals"] = of_kind["signals"].sort(
        pl.col("kind") != "new_signal",
        pl.col("on_date") <= since.earlier_as_of,
        descending=False,
        maintain_order=True,
    )
    shown = {
        name: tuple(_row(row, meter_ids) for row in frame.head(LONGEST_LIST).iter_rows(named=True))
        for name, frame in of_kind.items()
    }
    files = since.rows.filter(pl.col("kind") == "file")["name"].to_list()
    return SincePart(
        earlier_as_of=since.earlier_as_of,
        lead=(
            f"{since.short[0].upper()}{since.short[1:]}.",
            since.calls,
            since.bands,
        ),
        files=tuple(files[:LONGEST_LIST]),
        totals=tuple(
            (name, frame.height) for name, frame in of_kind.items() if frame.height > LONGEST_LIST
        ),
        longest=LONGEST_LIST,
        **shown,
    )


def _row(row: dict[str, Any], meter_ids: set[str]) -> ChangeRow:
    """Return one change as the page shows it."""
    meter_id = row["meter_id"] or ""
    return ChangeRow(
        meter_id=meter_id,
        file=file_name(meter_id) if meter_id in meter_ids else "",
        point_pct=row["point_pct"],
        name=row["name"] or "",
        on_date=row["on_date"],
        before=row["before"] or "",
        now=row["now"] or "",
        why=row["why"] or "",
    )
