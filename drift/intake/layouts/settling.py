"""This module settles what stands twice: replicates, the same visit on two sheets."""

from collections import defaultdict
from collections.abc import Iterable

from drift.intake.layouts.answers import Answers
from drift.intake.layouts.numbers import plain_number
from drift.intake.layouts.tables import Reading, Rows
from drift.intake.layouts.words import folded_words

_SHOWN = 4


def settle(rows: Rows, answers: Answers) -> None:
    """Keep one of each visit that stands on several sheets, and number replicates."""
    rows.readings = _of_one_place(rows.readings, rows, answers)
    _number(rows.readings)


def _of_one_place(readings: list[Reading], rows: Rows, answers: Answers) -> list[Reading]:
    """Return readings without those that stand again in another table.

    Readings of one stage and point that two tables have are the same visit: alike, they count
    once; unlike, it is asked which counts.
    """
    places: dict[tuple[object, ...], dict[int, list[Reading]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for reading in readings:
        key = (reading.meter_id, reading.performed_on, reading.stage, reading.correct_air_pct)
        places[key][reading.turn].append(reading)
    dropped: set[int] = set()
    for by_turn in places.values():
        if len(by_turn) < 2:
            continue
        groups = list(by_turn.values())
        alike = all(_values(group) == _values(groups[0]) for group in groups[1:])
        kept = groups[0] if alike else _chosen(groups, answers)
        for group in groups:
            if group is not kept:
                dropped |= {id(reading) for reading in group}
        if alike:
            rows.notes["a visit that stands on two sheets with the same values was taken once"] += 1
    return [reading for reading in readings if id(reading) not in dropped]


def _values(group: Iterable[Reading]) -> list[tuple[float, bool]]:
    """Return what readings say, in order of size."""
    return sorted((reading.reading_air_pct or 0.0, bool(reading.passed)) for reading in group)


def _chosen(groups: list[list[Reading]], answers: Answers) -> list[Reading] | None:
    """Return the readings of the sheet that a person chose; None where it is still asked."""
    first = groups[0][0]
    name = f"{first.meter_id} {first.performed_on.isoformat()}"
    answer = answers.named("visits", name)
    for group in groups:
        if answer is not None and folded_words(answer) in {
            folded_words(group[0].sheet),
            folded_words(group[0].sheet.rpartition("sheet ")[2]),
            folded_words(group[0].place),
        }:
            return group
    answers.ask(
        f"visits.{name}",
        f"{first.meter_id} has different readings of {first.performed_on.isoformat()} in two "
        f"places",
        tuple(
            f"{group[0].sheet.rpartition('sheet ')[2]}: {_listed(group)}"
            for group in groups[:_SHOWN]
        ),
        first.place,
    )
    return None


def _listed(group: list[Reading]) -> str:
    """Return readings in words."""
    first = group[0]
    at = "" if first.correct_air_pct is None else f" at {plain_number(first.correct_air_pct)} %"
    values = [
        ("passed" if reading.passed else "failed")
        if reading.reading_air_pct is None
        else plain_number(reading.reading_air_pct)
        for reading in group
    ]
    return f"{first.stage.replace('_', ' ')}{at} {', '.join(values)}"


def _number(readings: list[Reading]) -> None:
    """Give readings of one stage and point numbers where they have none of their own."""
    groups: dict[tuple[object, ...], list[Reading]] = defaultdict(list)
    for reading in readings:
        if reading.reading_air_pct is not None:
            key = (reading.meter_id, reading.performed_on, reading.stage, reading.correct_air_pct)
            groups[key].append(reading)
    for group in groups.values():
        numbers = [reading.replicate for reading in group]
        if None not in numbers and len(set(numbers)) == len(numbers):
            continue
        for number, reading in enumerate(group, 1):
            reading.replicate = number
