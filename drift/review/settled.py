"""This module finds responses whose signal is gone because its readings were amended."""

from collections.abc import Collection
from datetime import date
from itertools import product

import polars as pl

from drift.format import count, day
from drift.frames import Row
from drift.limits.choices import MARKS, REPLICATES, SINGLE_POINTS
from drift.limits.rules import RULES
from drift.limits.signals import id_of_signal

# Tables whose amended rows change what a meter's charts show; their keys begin with the meter.
_OF_METERS = ("readings", "marks", "service")
# How the parts of a row's key are kept apart, see `amendments` in `queries/record.sql`.
_BETWEEN = " · "

# A CUSUM signals on each of its two sides.
_CHARTS = (*SINGLE_POINTS, "cusum_high", "cusum_low", *REPLICATES, *MARKS)


def settled_by_amendment(
    unknown: Collection[str], *, ledger: pl.DataFrame, amendments: pl.DataFrame
) -> dict[str, Row]:
    """Say which ids name a signal that an amended meter would have and does not.

    Parameters
    ----------
    unknown : collection of str
        Ids that name no signal of this review.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    amendments : pl.DataFrame
        Frame of `drift.store.tables.AMENDMENTS`.

    Returns
    -------
    dict of str to dict
        Of each id so found ``meter_id``, ``visit_on`` and ``settled``, a sentence.

    Notes
    -----
    An id is made of meter, point, chart, rule and visit, so that the ids of all signals that the
    amended meters could have can be compared; no chart is drawn anew.
    """
    of_meters = amendments.filter(pl.col("table_name").is_in(_OF_METERS))
    if not unknown or of_meters.is_empty():
        return {}
    changed = of_meters.with_columns(
        meter_id=pl.col("row_key").str.split(_BETWEEN).list.first()
    ).partition_by("meter_id", as_dict=True, maintain_order=True)
    found = {}
    for (meter_id,), made in changed.items():
        mine = ledger.filter(pl.col("meter_id") == meter_id)
        for row in _possible(str(meter_id), mine):
            name = id_of_signal(row)
            if name in unknown:
                found[name] = {
                    "meter_id": row["meter_id"],
                    "visit_on": row["visit_on"],
                    "settled": _settled(made, row["visit_on"]),
                }
    return found


def _possible(meter_id: str, ledger: pl.DataFrame) -> list[Row]:
    """Return what makes the id of every signal that a meter could have."""
    visits = ledger.select("performed_on", "visit_id").unique().sort("performed_on", "visit_id")
    points = [None, *ledger["point_pct"].unique().sort()]
    rules = [rule.name for rule in RULES]
    each = product(visits.iter_rows(), points, _CHARTS, rules)
    return [
        {
            "meter_id": meter_id,
            "point_pct": point,
            "chart": chart,
            "rule": rule,
            "visit_on": on,
            "visit_id": visit_id,
        }
        for (on, visit_id), point, chart, rule in each
    ]


def _settled(made: pl.DataFrame, visit_on: date) -> str:
    """Name the amendment of a visit, or the meter's first where none is of that visit."""
    of_visit = made.filter(pl.col("row_key").str.contains(visit_on.isoformat(), literal=True))
    rows = (made if of_visit.is_empty() else of_visit).to_dicts()
    first = rows[0]
    of_day = f" of {day(visit_on)}" if of_visit.height else f" ({first['row_key']})"
    more = f" and {count(len(rows) - 1, 'other value')}" if len(rows) > 1 else ""
    change = f"from {first['old_value'] or 'empty'} to {first['new_value'] or 'empty'}"
    return (
        f"settled by the amendment of {first['column']}{of_day} {change}{more} "
        f"({first['new_file']}:{first['new_line']})"
    )
