"""This module finds responses whose signal is gone since readings were amended or withdrawn."""

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


def settled_since(
    unknown: Collection[str],
    *,
    ledger: pl.DataFrame,
    amendments: pl.DataFrame,
    set_aside: pl.DataFrame,
) -> dict[str, Row]:
    """Say which ids name a signal that a meter whose readings changed would have and does not.

    Parameters
    ----------
    unknown : collection of str
        Ids that name no signal of this review.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    amendments : pl.DataFrame
        Frame of `drift.store.tables.AMENDMENTS`.
    set_aside : pl.DataFrame
        Frame of `drift.store.tables.SET_ASIDE`.

    Returns
    -------
    dict of str to dict
        Of each id so found ``meter_id``, ``visit_on`` and ``settled``, a sentence.

    Notes
    -----
    An id is made of meter, point, chart, rule and visit, so that the ids of all signals that the
    changed meters could have can be compared; no chart is drawn anew.
    """
    of_meters = amendments.filter(pl.col("table_name").is_in(_OF_METERS)).with_columns(
        meter_id=pl.col("row_key").str.split(_BETWEEN).list.first()
    )
    changed = [*of_meters["meter_id"], *set_aside["meter_id"]] if unknown else []
    found = {}
    for meter_id in dict.fromkeys(changed):
        made = of_meters.filter(pl.col("meter_id") == meter_id)
        gone = set_aside.filter(pl.col("meter_id") == meter_id)
        mine = ledger.filter(pl.col("meter_id") == meter_id)
        for row in _possible(meter_id, mine, gone):
            name = id_of_signal(row)
            if name in unknown:
                found[name] = {
                    "meter_id": meter_id,
                    "visit_on": row["visit_on"],
                    "settled": _settled(made, gone, row["visit_on"]),
                }
    return found


def _possible(meter_id: str, ledger: pl.DataFrame, gone: pl.DataFrame) -> list[Row]:
    """Return what makes the id of every signal that a meter could have, or have had."""
    about = ["performed_on", "visit_id"]
    visits = pl.concat([ledger.select(about), gone.select(about)]).unique().sort(about)
    points = pl.concat([ledger["point_pct"], gone["point_pct"]]).unique().sort()
    rules = [rule.name for rule in RULES]
    each = product(visits.iter_rows(), [None, *points], _CHARTS, rules)
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


def _settled(made: pl.DataFrame, gone: pl.DataFrame, visit_on: date) -> str:
    """Say what took a signal away: of its visit first, of the meter's others else."""
    of_day = gone.filter(pl.col("performed_on") == visit_on)
    of_visit = made.filter(pl.col("row_key").str.contains(visit_on.isoformat(), literal=True))
    if of_day.height or (of_visit.is_empty() and gone.height):
        return _withdrawn(gone if of_day.is_empty() else of_day)
    return _amended(made, of_visit, visit_on)


def _withdrawn(gone: pl.DataFrame) -> str:
    """Name the days of readings that were withdrawn or moved, and the entry that did so."""
    days = gone["performed_on"].unique().sort()
    more = f" and {count(days.len() - 1, 'other day')}" if days.len() > 1 else ""
    entry_no = max(gone["entry_no"])
    by = f"entry {entry_no} of the journal" if entry_no else "the journal says by whom"
    return f"settled: readings of {day(days[0])}{more} were withdrawn or moved ({by})"


def _amended(made: pl.DataFrame, of_visit: pl.DataFrame, visit_on: date) -> str:
    """Name the amendment of a visit, or the meter's first where none is of that visit."""
    rows = (made if of_visit.is_empty() else of_visit).to_dicts()
    first = rows[0]
    of_day = f" of {day(visit_on)}" if of_visit.height else f" ({first['row_key']})"
    more = f" and {count(len(rows) - 1, 'other value')}" if len(rows) > 1 else ""
    change = f"from {first['old_value'] or 'empty'} to {first['new_value'] or 'empty'}"
    return (
        f"settled by the amendment of {first['column']}{of_day} {change}{more} "
        f"({first['new_file']}:{first['new_line']})"
    )
