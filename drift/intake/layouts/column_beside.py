"""This module decides what a column holds by the columns beside it."""

from collections.abc import Mapping
from dataclasses import replace

from drift.intake.layouts.column_values import NEAR_PCT, VALUES, CellColumn, Values
from drift.intake.layouts.facts import HIGHEST_POINT_PCT
from drift.intake.layouts.words import folded_words

_MOST = 0.6


def meters_named(columns: list[CellColumn]) -> None:
    """Make meters of names in headers beside stages and points, where no column holds meters.

    Beside a column of meters such a name is something else, and what is below it is not known.
    """
    named = [
        column for column in columns if column.facts.name and column.holds in {*VALUES, "correct"}
    ]
    held = any(column.holds == "meter" for column in columns)
    for column in named:
        if held or len({column.facts.name for column in named}) < 2:
            column.holds = "unknown" if column.holds in VALUES else column.holds
        else:
            column.meter = column.meter or column.facts.name


def meters_across(columns: list[CellColumn], values: Mapping[int, Values]) -> None:
    """Make meters of headers that name nothing else, where figures stand below several of them."""
    if any(column.holds in VALUES and values[column.at].figures for column in columns):
        return
    if any(column.holds == "meter" for column in columns):
        return
    named = [column for column in columns if _may_be_meter(column, values[column.at])]
    keyed = any(column.holds in {"stage", "label", "point", "correct"} for column in columns)
    if len(named) >= 2 or (named and keyed):
        for column in named:
            column.meter, column.holds, column.why = column.title.split(" / ")[-1], "reading", ""
            column.facts = replace(column.facts, bare=(), point_pct=None)


def _may_be_meter(column: CellColumn, seen: Values) -> bool:
    """Say whether a header may be the name of a meter with its readings below."""
    name = column.title.split(" / ")[-1]
    return (
        column.holds in {"unknown", "ignored"}
        and any(sign.isdigit() for sign in name)
        and not column.facts.role
        and (seen.like_readings or (seen.marks > 0 and seen.marks == seen.count))
    )


def settle_bare(columns: list[CellColumn], values: Mapping[int, Values]) -> None:
    """Decide whether bare numbers of headers are points, or count replicates."""
    bare = [
        column for column in columns if column.holds in {*VALUES, "correct"} and column.facts.bare
    ]
    numbers = sorted({number for column in bare for number in column.facts.bare})
    counting = numbers == [float(number) for number in range(1, len(numbers) + 1)]
    near = [
        abs(figure - column.facts.bare[0]) <= NEAR_PCT
        for column in bare
        if column.holds == "reading" and len(column.facts.bare) == 1
        for figure in values[column.at].figures
    ]
    as_points = (not counting) or (len(numbers) > 1 and near and sum(near) > _MOST * len(near))
    for column in bare:
        listed = column.facts.bare
        if len(listed) > 1 and column.facts.point_pct is None:
            column.points = listed
        elif column.facts.point_pct is not None:
            if values[column.at].split:
                column.points = (*listed, column.facts.point_pct)
            elif column.facts.replicate is None and listed[0] in range(1, 10):
                column.facts = replace(column.facts, replicate=int(listed[0]))
        elif as_points and listed[0] <= HIGHEST_POINT_PCT:
            column.facts = replace(column.facts, point_pct=listed[0])
        elif counting and column.facts.replicate is None:
            column.facts = replace(column.facts, replicate=int(listed[0]))
        if len(column.points) > 1:
            column.facts = replace(column.facts, point_pct=None)


def settle_air(columns: list[CellColumn], values: Mapping[int, Values]) -> None:
    """Decide what a column of air contents is by what stands beside it."""
    held = {column.holds for column in columns}
    pending = [column for column in columns if column.holds in {"air", "actual"}]
    names = {column.holds for column in pending}
    for column in pending:
        if "reading" in held and "correct" not in held:
            column.holds = "correct"
        elif "correct" in held and "reading" not in held:
            column.holds = "reading"
        elif "correct" in held and "reading" in held:
            column.holds, column.why = (
                "ignored",
                "reading and correct air content stand in other columns",
            )
        elif len(names) == 1 and (
            column.facts.point_pct is not None
            or "point" in held
            or column.facts.stage
            or "label" in held
        ):
            column.holds = "reading"
        else:
            column.holds = "unknown"
    for column in columns:
        # What stands for a point in each row is no reading.
        if (
            column.holds == "point"
            and values[column.at].share(len(values[column.at].figures)) < _MOST
        ):
            column.holds = "label"


def settle_twins(columns: list[CellColumn], values: Mapping[int, Values]) -> None:
    """Keep one column of those that say whose and when a row is; the others are passed over."""
    for role in ("meter",):
        twins = [column for column in columns if column.holds == role and not column.meter]
        if len(twins) < 2:
            continue
        best = max(
            twins,
            key=lambda column: (values[column.at].count > 0, _names_meter(column), -column.at),
        )
        for column in twins:
            if column is not best:
                column.holds, column.why = "ignored", f"“{best.title}” says which meter it is"


def _names_meter(column: CellColumn) -> int:
    """Return how plainly a header names meters."""
    words = set(folded_words(column.title).split())
    plain = {
        "meter",
        "gauge",
        "gerat",
        "appareil",
        "aerometre",
        "topf",
        "instrument",
        "medidor",
        "equipment",
    }
    return len(words & plain) + len(words & {"id", "no", "nr", "number", "n"})
