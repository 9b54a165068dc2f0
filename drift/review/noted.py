"""This module lists what the rows of a source say beside their readings."""

from dataclasses import dataclass

import polars as pl

from drift.review.barred_uses import find_barred_uses
from drift.review.noted_rows import held_rows_noted, names_noted
from drift.store.tables import Sources


@dataclass(frozen=True, slots=True)
class Records:
    """What rows say beside their readings.

    Attributes
    ----------
    held, alike : pl.DataFrame
        Frames of `drift.review.noted_rows.NOTED`: rows that could not be read and the meters
        that they name; meters that may be one, written in several ways.
    uses : pl.DataFrame
        Frame of `drift.review.barred_uses.BARRED_USES`.
    """

    held: pl.DataFrame
    alike: pl.DataFrame
    uses: pl.DataFrame


def find_records(
    sources: Sources, ledger: pl.DataFrame, verdicts: pl.DataFrame, *, interval_days: int
) -> Records:
    """Return what the rows themselves say: unread ones, ids alike, barred uses.

    Parameters
    ----------
    sources : Sources
    ledger : pl.DataFrame
        Of `drift.meter.ledger.build_ledger`.
    verdicts : pl.DataFrame
        Of `drift.conformity.weigh.weigh_conformity`.
    interval_days : int
        Days between calibrations where a meter has no interval of its own.
    """
    meter_ids = ledger["meter_id"].unique()
    # An id that only another table has may be a meter of the ledger written otherwise.
    tables = (sources.meters, sources.marks, sources.service, sources.field_tests)
    every_id = pl.concat([meter_ids, *(table["meter_id"] for table in tables)]).drop_nulls()
    held = held_rows_noted(sources.held_rows, meter_ids)
    return Records(
        held=held,
        alike=names_noted(every_id).filter(pl.col("meter_id").is_in(meter_ids.implode())),
        uses=find_barred_uses(
            sources.field_tests,
            ledger=ledger,
            verdicts=verdicts,
            meters=sources.meters,
            noted=held,
            interval_days=interval_days,
        ),
    )
