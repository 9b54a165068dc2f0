"""This module decides what each column of a table holds: by its words, its values and the physics."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice

from drift.intake.layouts.cells import Sheet, Value, cell_name, shown
from drift.intake.layouts.days import Written, written
from drift.intake.layouts.facts import HIGHEST_POINT_PCT, Facts, facts_of
from drift.intake.layouts.headers import Region, look_at, meter_named
from drift.intake.layouts.numbers import figure_of
from drift.intake.layouts.words import STAGE_LETTERS, folded

# Columns that hold one figure of a reading in each row.
VALUES = ("reading", "error", "correction")
_SEEN_ROWS = 400
# A reading lies no farther from the correct air content than this in records that are read rightly:
# dials end at some 10 to 20 % and are off by tenths.  Common practice, no source.
NEAR_PCT = 1.5
_MOST = 0.6
# What is said once for a row and not below each of several headings, unless cells are merged.
_ON_THEIR_OWN = {"meter", "operator", "remarks", "checked_by", "due", "serial", "action"}
# Roles that a line above a header gives to the columns below it.
_INHERITED = {"reading", "error", "correction", "correct"}


@dataclass(slots=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    at : int
        Its place, from 0.
    title : str
        Its header, the lines above it included.
    facts : Facts
        What the header tells.
    holds : str
        What it holds: a role, ``label`` (a stage, point or replicate in each row), ``unknown`` or
        ``ignored``.
    why : str
        Why it is passed over, where it is.
    group : str
        The line above the header that it shares with its neighbours; empty where none.
    day : Written or None
        A day that its header tells.
    meter : str
        A meter that its header names; empty where none.
    slash : str
        What a stroke in its cells separates: ``found_left``, ``replicates`` or, where open, empty.
    points : tuple of float
        Points that a cell with as many figures holds, in this order.
    """

    at: int
    title: str
    facts: Facts
    holds: str = ""
    why: str = ""
    group: str = ""
    day: Written | None = None
    meter: str = ""
    slash: str = ""
    points: tuple[float, ...] = ()


@dataclass(slots=True)
class Values:
    """What the cells of one column look like.

    Attributes
    ----------
    count : int
        Those that are not empty.
    figures : list of float
        Numbers in them.
    dates, stages, labels, marks, texts, split : int
        Cells that are dates, stages, stages or points, marks such as OK, other text, several
        figures.
    words : Counter
        Texts, folded.
    """

    count: int = 0
    figures: list[float] = field(default_factory=list)
    dates: int = 0
    stages: int = 0
    labels: int = 0
    marks: int = 0
    texts: int = 0
    split: int = 0
    words: Counter[str] = field(default_factory=Counter)

    def share(self, number: int) -> float:
        """Return a number of cells as a share of those that are not empty."""
        return number / self.count if self.count else 0.0

    @property
    def decimals(self) -> bool:
        """Whether some figure is no whole number."""
        return any(figure != int(figure) for figure in self.figures)

    @property
    def like_readings(self) -> bool:
        """Whether the figures may be per cents of air."""
        return bool(self.figures) and all(
            -2.0 <= figure <= HIGHEST_POINT_PCT for figure in self.figures
        )


def columns_of(sheet: Sheet, region: Region, declared: Mapping[str, str]) -> list[Column]:
    """Return what each column of a table holds.

    Parameters
    ----------
    sheet : Sheet
        The sheet.
    region : Region
        The table on it.
    declared : mapping of str to str
        Folded title to what a person has said that the column is.
    """
    width = max(
        (
            len(sheet.rows[row])
            for row in range(region.header[0] if region.header else region.first, region.last)
        ),
        default=0,
    )
    columns = _titled(sheet, region, width)
    values = {column.at: values_of(sheet, region, column.at) for column in columns}
    for column in columns:
        said = declared.get(folded(column.title)) or declared.get(
            folded(column.title.split(" / ")[-1])
        )
        if said:
            take_declared(column, said)
        else:
            column.holds, column.why = _held(column, values[column.at])
    _meters_named(columns)
    _meters_across(columns, values)
    _settle_bare(columns, values)
    _settle_air(columns, values)
    _settle_twins(columns, values)
    return [
        column
        for column in columns
        if values[column.at].count or not column.title.startswith("column ")
    ]


def _titled(sheet: Sheet, region: Region, width: int) -> list[Column]:
    """Return columns with their titles, the lines above each included."""
    lines = [_spread(sheet, row, width, region) for row in region.header[:-1]]
    bottom = [sheet.at(region.header[-1], at) if region.header else None for at in range(width)]
    columns = []
    for at in range(width):
        above = [line[at] for line in lines]
        path = [shown(value) for value in (*above, bottom[at]) if value is not None]
        path = [text for number, text in enumerate(path) if number == 0 or text != path[number - 1]]
        title = " / ".join(path) if region.header else ""
        title = title or f"column {cell_name(0, at)[:-1]}"
        column = Column(at=at, title=title, facts=Facts())
        told = [value for value in (bottom[at], *reversed(above)) if value is not None]
        column.group = (
            shown(above[0]) if above and above[0] is not None and bottom[at] is not None else ""
        )
        _take_facts(
            column,
            told,
            sheet,
            region,
            percent=(region.header[-1], at) in sheet.percent if region.header else False,
        )
        columns.append(column)
    return columns


def _spread(sheet: Sheet, row: int, width: int, region: Region) -> list[Value]:
    """Return a line above a header with what spans several columns in each of them."""
    line: list[Value] = [sheet.at(row, at) for at in range(width)]
    for r0, c0, _, c1 in sheet.merged:
        if r0 == row:
            for at in range(c0, min(c1 + 1, width)):
                line[at] = line[c0]
    spanning: Value = None
    for at in range(width):
        if line[at] is not None:
            facts = look_at(line[at])
            groups = facts.facts.tells or facts.kind in {"date", "label"} or (facts.kind == "text")
            single = (
                facts.facts.role in {"date", "meter", "operator", "remarks", "vessel"}
                and not facts.facts.stage
            )
            own = any(sheet.at(below, at) is not None for below in region.header if below > row)
            spanning = (
                line[at] if groups and (own or not single) and not (single and not own) else None
            )
        elif spanning is not None and _may_share(sheet, region, row, at):
            line[at] = spanning
        elif line[at] is None:
            spanning = None
    return line


def _may_share(sheet: Sheet, region: Region, row: int, at: int) -> bool:
    """Say whether a column may belong to what stands above its neighbour to the left."""
    below = [sheet.at(line, at) for line in region.header if line > row]
    told = [look_at(value).facts.role for value in below if value is not None]
    return bool(told) and not (set(told) & _ON_THEIR_OWN)


def _take_facts(
    column: Column, told: Sequence[Value], sheet: Sheet, region: Region, *, percent: bool
) -> None:
    """Put together what the texts of a header tell, from the bottom up."""
    facts = Facts()
    for number, value in enumerate(told):
        day = written(value)
        if (
            day is not None
            and day.form not in {"a day number of a spreadsheet"}
            and not isinstance(value, float)
        ):
            column.day = column.day or day
            continue
        if isinstance(value, float):
            size = round(value * 100, 9) if percent and number == 0 else value
            here = Facts(bare=(size,), percent=percent)
        else:
            here = facts_of(shown(value))
        if here.role == "meter" and (named := meter_named(shown(value))):
            column.meter = column.meter or named
            here = replace(here, role="", bare=(), rest=())
        if number and here.role not in _INHERITED:
            here = replace(here, role="")
        if number and (facts.bare or facts.point_pct is not None):
            here = replace(here, bare=())
        facts = replace(facts.over(here), rest=(*facts.rest, *here.rest))
    column.facts = facts


def take_declared(column: Column, said: str) -> None:
    """Make of a column what a person has said that it is."""
    plain = said.strip().casefold()
    if plain in {"ignored", "ignore", "skip"}:
        column.holds, column.why = "ignored", "you said that it does not count"
        return
    facts = facts_of(said)
    column.facts = replace(facts, unit=facts.unit or column.facts.unit)
    column.holds = facts.role or "reading"
    if facts.role == "replicate" and facts.replicate is not None:
        column.holds = "reading"


def values_of(sheet: Sheet, region: Region, at: int) -> Values:
    """Return what the cells of a column look like."""
    seen = Values()
    rows = (row for row in range(region.first, region.last) if sheet.at(row, at) is not None)
    for row in islice(rows, _SEEN_ROWS):
        value = sheet.at(row, at)
        seen.count += 1
        if isinstance(value, str):
            seen.words[folded(value)] += 1
        percent = (row, at) in sheet.percent
        look, figure = look_at(value), figure_of(value, percent=percent)
        if figure.kind == "numbers":
            seen.figures.extend((*figure.found, *figure.left))
            seen.split += bool(figure.split)
        seen.dates += look.kind == "date" or (isinstance(value, str) and written(value) is not None)
        seen.stages += bool(look.facts.stage) and not look.facts.role
        seen.labels += (look.kind == "label") or (
            look.kind == "number" and look.facts.point_pct is not None
        )
        seen.marks += figure.kind in {"nothing", "passed", "failed"}
        seen.texts += figure.kind == "unread" and look.kind in {"text", "word"}
    return seen


def _held(column: Column, seen: Values) -> tuple[str, str]:
    """Return what a column holds by its words, then by its values; and why it is passed over."""
    facts = column.facts
    if facts.role == "replicate" and facts.replicate is not None:
        return "reading", ""
    if facts.role in {"due", "checked_by", "serial", "ignored", "time"}:
        return "ignored", f"“{column.title}” is not kept"
    told = _held_by_words(column, seen)
    if told:
        return told, ""
    return _held_by_values(column, seen)


def _held_by_words(column: Column, seen: Values) -> str:
    """Return what the words of a header say, as far as the values allow it."""
    facts, role = column.facts, column.facts.role
    numeric = seen.share(len(seen.figures)) >= _MOST
    if role in {"meter", "vessel"} and numeric and seen.decimals and seen.like_readings:
        return "reading" if role == "meter" else "correct"
    if role == "reading" and _names_rather(column, seen):
        return "meter"
    if role == "stage":
        return "reading" if seen.split or (numeric and seen.decimals) else "stage"
    if role == "replicate" and seen.decimals:
        return "reading"
    if role in {"point", "replicate"} and seen.share(seen.labels) >= _MOST and not numeric:
        return "label"
    if (
        role == "date"
        and seen.count
        and not seen.dates
        and numeric
        and seen.like_readings
        and facts.stage
    ):
        return "reading"
    if role == "verdict" and numeric and seen.like_readings and seen.decimals:
        return "reading"
    if (
        role == "correct"
        and seen.share(seen.labels) >= _MOST
        and not numeric
        and facts.point_pct is None
    ):
        return "label"
    if role == "reading" and seen.share(seen.stages) >= _MOST and not seen.figures:
        return "label"
    if role == "zero_reading":
        column.facts = replace(facts, role="reading", point_pct=0.0)
        return "reading"
    if role in {"action", "operator"} and (facts.stage and seen.figures and numeric):
        return "reading"
    if role:
        return role
    if (
        facts.stage
        or facts.point_pct is not None
        or facts.replicate is not None
        or column.day
        or column.meter
    ):
        return _value_column(column, seen)
    return ""


def _names_rather(column: Column, seen: Values) -> bool:
    """Say whether a column headed such as ``Gauge`` holds names of gauges."""
    plain = folded(column.title) in {"gauge", "dial", "manometer", "display"}
    return plain and seen.share(seen.texts) >= _MOST and not seen.marks


def _value_column(column: Column, seen: Values) -> str:
    """Return what a column of a stage, point, day or meter holds."""
    if seen.dates and seen.share(seen.dates) >= _MOST:
        return "date"
    if seen.count and seen.share(seen.texts) >= _MOST:
        return "label" if seen.share(seen.labels) >= _MOST else "unknown"
    return "reading"


def _held_by_values(column: Column, seen: Values) -> tuple[str, str]:
    """Return what the values of a column say that no word tells of."""
    if not seen.count:
        return "ignored", "it holds nothing"
    if seen.share(seen.dates) >= _MOST and column.title.startswith("column "):
        return "date", ""
    if column.title.startswith("column ") and _like_meters(seen):
        return "meter", ""
    if seen.share(seen.stages) >= _MOST or _stage_letters(seen):
        return "stage" if seen.share(seen.stages) >= _MOST and not seen.figures else "stage", ""
    if seen.share(seen.labels) >= _MOST:
        return "label", ""
    if column.facts.bare and not column.facts.rest and seen.like_readings:
        return "reading", ""
    return "unknown", ""


def _like_meters(seen: Values) -> bool:
    """Say whether texts are names with figures, such as M-101."""
    named = sum(
        number
        for word, number in seen.words.items()
        if any(map(str.isdigit, word)) and not word[0].isdigit()
    )
    return seen.share(named) >= _MOST and not seen.dates and not seen.stages and not seen.figures


def _stage_letters(seen: Values) -> bool:
    """Say whether a column holds two letters that stand for the stages."""
    return any(set(seen.words) == set(pair) for pair in STAGE_LETTERS)


def _meters_named(columns: list[Column]) -> None:
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


def _meters_across(columns: list[Column], values: Mapping[int, Values]) -> None:
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


def _may_be_meter(column: Column, seen: Values) -> bool:
    """Say whether a header may be the name of a meter with its readings below."""
    name = column.title.split(" / ")[-1]
    return (
        column.holds in {"unknown", "ignored"}
        and any(sign.isdigit() for sign in name)
        and not column.facts.role
        and (seen.like_readings or (seen.marks > 0 and seen.marks == seen.count))
    )


def _settle_bare(columns: list[Column], values: Mapping[int, Values]) -> None:
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


def _settle_air(columns: list[Column], values: Mapping[int, Values]) -> None:
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


def _settle_twins(columns: list[Column], values: Mapping[int, Values]) -> None:
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


def _names_meter(column: Column) -> int:
    """Return how plainly a header names meters."""
    words = set(folded(column.title).split())
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
