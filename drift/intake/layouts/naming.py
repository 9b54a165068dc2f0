"""This module reads what the names of sheets and files tell: a meter, a day, a year."""

import re
from collections.abc import Sequence
from itertools import pairwise

from drift.intake.layouts.answers import Answers
from drift.intake.layouts.cells import Sheet
from drift.intake.layouts.days import written
from drift.intake.layouts.facts import facts_of
from drift.intake.layouts.header_words import PLAIN_SHEET
from drift.intake.layouts.headers import meter_named
from drift.intake.layouts.tables import Named, Reading, Rows, Table

_NAME = re.compile(r"^(?=[^\d]*\d)[A-Za-z]{0,8}[-_ .#/]{0,2}\d[\w-]*$")


def ask_of_names(tables: Sequence[Table], rows: Rows, answers: Answers) -> None:
    """Ask whether sheets of two files that name one meter mean one, where visits interleave."""
    named = {table.sheet.title: table for table in tables if table.named.meter}
    spans: dict[str, dict[str, list[Reading]]] = {}
    for reading in rows.readings:
        table = named.get(reading.sheet)
        if table is not None and reading.meter_id == table.named.meter:
            spans.setdefault(reading.meter_id, {}).setdefault(table.sheet.file, []).append(reading)
    for meter, files in spans.items():
        days = sorted(
            (min(r.performed_on for r in own), max(r.performed_on for r in own))
            for own in files.values()
        )
        if all(first[1] < second[0] for first, second in pairwise(days)):
            continue
        answer = answers.get("same_meters")
        if answer is None:
            first, second = list(files)[:2]
            answers.ask(
                "same_meters",
                f"{meter} names a sheet or file of its own in {first} and in {second}",
                (
                    "one: it is one meter",
                    f"apart: they are two, {_apart(first, meter)} and {_apart(second, meter)}",
                ),
                next(iter(files.values()))[0].place,
            )
        elif answer == "apart":
            for file, own in files.items():
                for reading in own:
                    reading.meter_id = _apart(file, meter)


def _apart(file: str, meter: str) -> str:
    """Return the name of a meter that another file has, too."""
    return f"{file.rsplit('.', 1)[0]} {meter}"


def names_of(sheets: Sequence[Sheet]) -> list[Named]:
    """Return what the names of sheets, and of files where there are several, tell."""
    stems = [sheet.file.rsplit(".", 1)[0] for sheet in sheets]
    several = len(set(stems)) > 1
    names = []
    for sheet, stem in zip(sheets, stems, strict=True):
        named = _named(sheet.name) if sheet.name else Named()
        of_file = _named(stem)
        if several and not named.meter and (not sheet.name or PLAIN_SHEET.match(sheet.name)):
            named.meter, named.maybe = of_file.meter, of_file.maybe
        named.day = named.day or of_file.day
        named.year = named.year or of_file.year
        named.quarter = named.quarter or of_file.quarter
        names.append(named)
    return names


def _named(name: str) -> Named:
    """Return what one name tells."""
    plain = " ".join(name.replace("_", " ").split())
    day = written(plain)
    facts = facts_of(plain)
    if day is not None and day.form != "a day number of a spreadsheet":
        return Named(day=day, year=day.year)
    if PLAIN_SHEET.match(plain) or not plain:
        return Named(year=facts.year)
    told = Named(year=facts.year, quarter=facts.quarter, stage=facts.stage)
    if meter := meter_named(plain):
        told.meter = meter
    elif not (facts.year or facts.quarter or facts.tells):
        told.meter = name.strip() if _NAME.match(plain) else ""
        told.maybe = "" if told.meter else name.strip()
    return told
