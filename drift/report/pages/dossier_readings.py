"""This module sets every reading of one meter in rows: one a visit and stage, points beside."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby

import polars as pl

from drift import format as text
from drift.frames import Row, of_meter


@dataclass(frozen=True, slots=True)
class PointRead:
    """What was read at one point: replicates in their order, each as the dial showed it, % air."""

    correct_pct: float | None
    read_pct: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class StageRow:
    """One stage of a visit: its points in the order of the table, None where not read.

    Dial step and water temperature are words: they may differ from point to point.
    """

    stage: str
    points: tuple[PointRead | None, ...]
    dial_step: str
    water: str


@dataclass(frozen=True, slots=True)
class VisitReadings:
    """One visit: who read with what and what was remarked, and its stages."""

    performed_on: date
    about: str
    stages: tuple[StageRow, ...]


@dataclass(frozen=True, slots=True)
class ReadingsPart:
    """Every reading of a meter, newest visit first; readings counts them."""

    points_pct: tuple[float, ...]
    visits: tuple[VisitReadings, ...]
    readings: int


def readings_part(sessions: pl.DataFrame, meter_id: str) -> ReadingsPart:
    """Return every replicate of one meter, from its rows of the sittings on record."""
    mine = of_meter(sessions, meter_id).sort(
        "performed_on", "visit_id", "stage", "point_pct", descending=[True, True, False, False]
    )
    sittings = mine.to_dicts()
    points = tuple(sorted({row["point_pct"] for row in sittings}))
    visits = groupby(sittings, key=lambda row: (row["performed_on"], row["visit_id"]))
    return ReadingsPart(
        points_pct=points,
        visits=tuple(_visit(list(rows), points) for _, rows in visits),
        readings=sum(len(_read(row).read_pct) for row in sittings),
    )


def _visit(sittings: list[Row], points: Sequence[float]) -> VisitReadings:
    """Return one visit from its sittings."""
    stages = groupby(sittings, key=lambda row: row["stage"])
    return VisitReadings(
        performed_on=sittings[0]["performed_on"],
        about=_about(sittings),
        stages=tuple(_stage(row, points) for _, rows in stages for row in _side_by_side(rows)),
    )


def _side_by_side(sittings: Iterable[Row]) -> list[dict[float, Row]]:
    """Return sittings of one stage by point; a point that was read twice has a further row."""
    rows: list[dict[float, Row]] = []
    for sitting in sittings:
        free = next((row for row in rows if sitting["point_pct"] not in row), None)
        if free is None:
            rows.append(free := {})
        free[sitting["point_pct"]] = sitting
    return rows


def _stage(row: dict[float, Row], points: Sequence[float]) -> StageRow:
    """Return one row of the table."""
    stage = next(iter(row.values()))["stage"]
    return StageRow(
        stage=text.words_of(stage or "").replace(" ", text.NO_BREAK),
        points=tuple(_read(row[point]) if point in row else None for point in points),
        dial_step=_by_point(row, lambda sitting: _known(sitting["resolution_pct"], "not stated")),
        water=_by_point(row, lambda sitting: _known(sitting["water_temp_c"], "not read")),
    )


def _read(sitting: Row) -> PointRead:
    """Return the readings of one sitting; none where what is correct is not known."""
    correct = sitting["correct_air_pct"]
    biases = [] if correct is None else sitting["biases_pct"] or []
    return PointRead(correct, tuple(correct + bias for bias in biases))


def _known(value: float | None, otherwise: str) -> str:
    """Return a number as it was written down, or what is said where there is none."""
    return otherwise if value is None else text.plain(value)


def _by_point(row: dict[float, Row], said: Callable[[Row], str]) -> str:
    """Return what is said of every point alike, or what of which."""
    told: dict[str, list[str]] = {}
    for point, sitting in row.items():
        told.setdefault(said(sitting), []).append(text.point(point))
    if len(told) == 1:
        return next(iter(told))
    return "; ".join(f"{words} at {text.listed(at)}" for words, at in told.items())


def _about(sittings: list[Row]) -> str:
    """Return who read with what by which procedure, and what was remarked."""
    columns = ("operator", "vessel_id", "checked_by", "procedure", "remarks")
    before = {"checked_by": "checked by "}
    return ", ".join(
        f"{before.get(column, '')}{value}"
        for column in columns
        for value in dict.fromkeys(row[column] for row in sittings if row[column])
    )
