"""This module holds what scripts get besides a review: one meter of it, and a record as read."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import polars as pl

from drift.api.frames import Frames
from drift.visible import visible

if TYPE_CHECKING:
    from drift.report.figures.theme import Chart


class MeterOfReview(Frames):
    """The frames of a review for one meter; those without a column ``meter_id`` are the fleet's."""

    def __init__(
        self,
        meter_id: str,
        frames: Mapping[str, pl.DataFrame],
        *,
        draw: "Callable[[str], Chart]",
    ) -> None:
        super().__init__(self._of_meter)
        self.meter_id = meter_id
        self._whole = frames
        self._draw = draw

    def chart(self, name: str) -> "Chart":
        """Return `Review.chart` of a name for this meter."""
        return self._draw(name)

    def __repr__(self) -> str:
        """Return the meter and its standing in a line."""
        return f"<meter {visible(self.meter_id)}: {self.meters['standing'][0]}>"

    def _of_meter(self) -> dict[str, pl.DataFrame]:
        mine = pl.col("meter_id") == self.meter_id
        return {
            name: frame.filter(mine) if "meter_id" in frame.columns else frame
            for name, frame in self._whole.items()
        }


@dataclass(frozen=True, slots=True, repr=False)
class Record:
    """What `drift.read` took from a source, before anything is judged.

    Attributes
    ----------
    as_of : date
        Later rows are not seen.
    source_name : str
        Last part of the source's path; ``frames`` for frames.
    ledger : pl.DataFrame
        One row a meter, visit and point, in time order: columns of `drift.meter.ledger.LEDGER`,
        biases in % air.
    tables : dict of str to pl.DataFrame
        Rows in force of each input table by its name, ``readings`` as one row a sitting
        (columns of `drift.store.tables.SESSIONS`: replicates together, bias in % air); besides
        ``files`` and ``amendments``.
    held_back : pl.DataFrame
        One row a row not used: ``file line column reason``.
    """

    as_of: date
    source_name: str
    ledger: pl.DataFrame
    tables: dict[str, pl.DataFrame]
    held_back: pl.DataFrame

    def __repr__(self) -> str:
        """Return the source, the date and counts in a line."""
        sittings, held = self.tables["readings"].height, self.held_back.height
        return (
            f"<record of {self.source_name} on {self.as_of}: {sittings} sittings, {held} held back>"
        )
