"""An invented laboratory whose visits every layout of this folder tells in its own way."""

import random
from dataclasses import dataclass
from datetime import date, timedelta


@dataclass(frozen=True)
class Visit:
    """One visit: readings by stage and point."""

    meter: str
    day: date
    operator: str
    found: dict[float, float]
    left: dict[float, float]


POINTS = (0.0, 5.0, 10.0)


def fleet(
    *,
    meters: int = 4,
    visits: int = 6,
    points: tuple[float, ...] = POINTS,
    seed: int = 7,
    first: date = date(2025, 1, 14),
    letters: str = "M-",
) -> list[Visit]:
    """Return visits of a fleet, seeded, in the order of their days."""
    chance = random.Random(seed)  # noqa: S311  # an invented fleet, no secret
    told = []
    for number in range(meters):
        day = first + timedelta(days=number % 3)
        for _ in range(visits):
            found = {point: read(point, chance.gauss(0.0, 0.08)) for point in points}
            left = {point: read(point, chance.gauss(0.0, 0.03)) for point in points}
            told.append(
                Visit(f"{letters}{101 + number}", day, chance.choice(["JD", "KL"]), found, left)
            )
            day += timedelta(days=88 + chance.randrange(9))
    return sorted(told, key=lambda visit: (visit.day, visit.meter))


def read(point: float, bias: float) -> float:
    """Return a dial's reading to 0.1 % air."""
    return round(point + bias, 1)


def table(
    visits: list[Visit], *, stages: tuple[str, ...] = ("as_found", "as_left")
) -> list[tuple[str, str, str, float, float]]:
    """Return the rows that an import must give: meter, day, stage, correct air, reading."""
    rows = []
    for visit in visits:
        for stage, readings in (("as_found", visit.found), ("as_left", visit.left)):
            if stage in stages:
                rows += [
                    (visit.meter, visit.day.isoformat(), stage, point, reading)
                    for point, reading in readings.items()
                ]
    return sorted(rows)
