"""This module writes the data files of a large fleet, whose meters are worked out in parts.

Files that go meter by meter are written part after part, each as it is done; what is ordered by
urgency is held until all are.
"""

import dataclasses
import io
import pickle
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from drift.report.data_files import disarmed, plain_columns, review_frames, write_data
from drift.review.meters import in_order
from drift.review.responses import RESPONSES
from drift.review.results import Review

# Data files whose rows go by meter.
_BY_METER = (
    "visits",
    "forecast",
    "intervals",
    "signals",
    "phases",
    "vessel_checks",
    "check_series",
    "check_days",
    "conformity",
    "uncertainty",
    "causes",
    "zero_span",
    "zero_span_drifts",
    "hysteresis",
    "barred_uses",
    "unread_rows",
    "register",
)
_BY_URGENCY = ("meters", "obligations", "own_standings", "open_points")
# Those of which a part gives some rows, and what belongs to no meter over again: by what they are
# ordered, and what of that falls.
_GATHERED: dict[str, tuple[tuple[str, ...], tuple[bool, ...]]] = {
    "due": (("due_on", "kind", "item"), (False, False, False)),
    "register_faults": (("performed_on", "meter_id", "item"), (True, False, False)),
    "vessel_bowls": (("vessel_id", "calibrated_on", "meter_id"), (False, False, False)),
}


@dataclass(frozen=True, slots=True)
class PartFound:
    """What a review of some meters of a fleet found.

    Attributes
    ----------
    texts, tables : dict of str to bytes
        What goes into the data files that go by meter, as CSV without a header, and as Parquet
        where that was asked for.
    frames : dict of str to pl.DataFrame
        What is ordered when all is known, by the names of data files.
    signals, responses : pl.DataFrame
        As of `Review`.
    visits, readings : int
        How many there were.
    """

    texts: dict[str, bytes]
    tables: dict[str, bytes]
    frames: dict[str, pl.DataFrame]
    signals: pl.DataFrame
    responses: pl.DataFrame
    visits: int
    readings: int


def part_found(review: Review, *, parquet: bool) -> PartFound:
    """Return what a review of some meters gives to the data files of their fleet."""
    frames = review_frames(review)
    texts, tables = {}, {}
    for name in _BY_METER:
        plain = plain_columns(frames[name])
        texts[name] = disarmed(plain).write_csv(include_header=False).encode()
        if parquet:
            file = io.BytesIO()
            plain.write_parquet(file)
            tables[name] = file.getvalue()
    return PartFound(
        texts=texts,
        tables=tables,
        frames={name: frames[name] for name in (*_BY_URGENCY, *_GATHERED)},
        signals=review.signals,
        responses=review.responses,
        visits=review.ledger.select("meter_id", "visit_id").n_unique(),
        readings=int(review.sources.sessions["replicates"].sum()),
    )


@dataclass(slots=True)
class FleetFiles:
    """The data files of a fleet while they are written.

    Attributes
    ----------
    folder : Path
        Where they go.
    scratch : Path or None
        Where pieces of Parquet files lie until all are there; None where none are asked for.
    parts : list of PartFound
        What was found so far, less what is written.
    """

    folder: Path
    scratch: Path | None
    parts: list[PartFound] = field(default_factory=list)

    def begin(self, empty: Review) -> None:
        """Write the headers, and what is said of the fleet before that of its meters."""
        self.folder.mkdir(parents=True, exist_ok=True)
        frames = review_frames(empty)
        for name in _BY_METER:
            plain = plain_columns(frames[name] if name == "intervals" else frames[name].clear())
            disarmed(plain).write_csv(self.folder / f"{name}.csv")
            if self.scratch is not None:
                plain.write_parquet(self._piece(name, 0))

    def add(self, part: PartFound) -> None:
        """Write what goes by meter; parts come in the order of their meters."""
        # Copied, since a frame keeps alive all that it was cut from: here the whole part.
        kept = pickle.dumps(dataclasses.replace(part, texts={}, tables={}))
        self.parts.append(pickle.loads(kept))  # noqa: S301  # written just now
        for name, text in part.texts.items():
            with (self.folder / f"{name}.csv").open("ab") as file:
                file.write(text)
        for name, table in part.tables.items():
            self._piece(name, len(self.parts)).write_bytes(table)

    def all_of(self, name: str) -> pl.DataFrame:
        """Return what was found under the name of a data file that goes by urgency."""
        return pl.concat(part.frames[name] for part in self.parts)

    def finish(self, fleet: Review) -> None:
        """Write what was held, and what is said of the whole fleet."""
        order = fleet.meters.select("meter_id").with_row_index("_place")
        held = {name: self.all_of(name) for name in _BY_URGENCY}
        ordered = {
            "meters": fleet.meters,
            "obligations": fleet.obligations,
            "own_standings": in_order(held["own_standings"]),
            "open_points": _in_place(held["open_points"], order),
            **{name: self._gathered(name) for name in _GATHERED},
        }
        for name, frame in review_frames(fleet).items():
            if name not in _BY_METER:
                table = plain_columns(ordered.get(name, frame))
                write_data({name: table}, self.folder, parquet=self.scratch is not None)
        if self.scratch is not None:
            for name in _BY_METER:
                pieces = [self._piece(name, place) for place in range(len(self.parts) + 1)]
                _join(pieces, self.folder / f"{name}.parquet")

    def _gathered(self, name: str) -> pl.DataFrame:
        """Return what all parts gave to a data file, each row once, in its order."""
        by, falling = _GATHERED[name]
        rows = self.all_of(name).unique(maintain_order=True)
        return rows.sort(*by, descending=list(falling), nulls_last=name == "register_faults")

    def _piece(self, name: str, place: int) -> Path:
        """Return where a piece of a Parquet file lies."""
        return (self.scratch or self.folder) / f"{name}-{place:06}.parquet"


def standing_in_order(files: FleetFiles) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return meters and obligations of all parts, as of `Review`."""
    meters = in_order(files.all_of("meters"))
    order = meters.select("meter_id").with_row_index("_place")
    return meters, _in_place(files.all_of("obligations"), order)


def signals_and_responses(files: FleetFiles) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the signals of all parts, and the responses that answer one of them."""
    return (
        pl.concat(part.signals for part in files.parts),
        pl.concat([pl.DataFrame(schema=RESPONSES), *(part.responses for part in files.parts)]),
    )


def _in_place(rows: pl.DataFrame, order: pl.DataFrame) -> pl.DataFrame:
    """Return rows with their meters in an order, those of one meter as they were."""
    return (
        rows.join(order, on="meter_id", how="left", maintain_order="left")
        .sort("_place", maintain_order=True)
        .drop("_place")
    )


def _join(pieces: Iterable[Path], path: Path) -> None:
    """Write one Parquet file of several, piece by piece."""
    pl.scan_parquet(list(pieces), glob=False).sink_parquet(path)
