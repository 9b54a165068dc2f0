"""The layouts that are tried: who writes each, what must be answered, and what it must give."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tests.layouts import across, forms, logs, oddities
from tests.layouts.truth import Visit, fleet, table

Rows = list[tuple[str, str, str, float, float]]


@dataclass(frozen=True)
class Case:
    """One layout.

    Attributes
    ----------
    name : str
        What it is.
    write : callable
        Writes records of visits into a folder and returns what is to be imported.
    answers : dict of str to str
        What a person must answer; no more may be asked, and no less.
    visits : list of Visit
        The truth.
    expect : callable
        The rows that it must give.
    """

    name: str
    write: Callable[[Path, list[Visit]], Path]
    answers: dict[str, str] = field(default_factory=dict)
    visits: list[Visit] = field(default_factory=fleet)
    expect: Callable[[list[Visit]], Rows] = table


def found_only(visits: list[Visit]) -> Rows:
    """Return the rows as found."""
    return table(visits, stages=("as_found",))


def middle_of_month(visits: list[Visit]) -> Rows:
    """Return the rows with each day put to the 15th."""
    return sorted((meter, day[:8] + "15", *rest) for meter, day, *rest in table(visits))  # type: ignore[misc]


def weighed(visits: list[Visit]) -> Rows:
    """Return the rows as found with the correct air content by masses."""
    return sorted(
        (meter, day, stage, oddities.WEIGHED if point == 5.0 else point, reading)
        for meter, day, stage, point, reading in found_only(visits)
    )


def by_vessel(visits: list[Visit]) -> Rows:
    """Return the rows with the correct air contents of the vessels."""
    return sorted(
        (meter, day, stage, forms.VESSELS.get(point, point), reading)
        for meter, day, stage, point, reading in table(visits)
    )


SPAN = (5.0,)
CASES: tuple[Case, ...] = (
    Case("long log", logs.long_log),
    Case("long log, US dates, units, titles and totals", logs.us_log),
    Case("wide log", logs.wide_log),
    Case("wide log below two header lines", logs.two_line_header),
    Case("wide workbook with merged headers", logs.merged_header),
    Case("German log, semicolons and decimal commas", logs.german_log),
    Case("French log", logs.french_log),
    Case("sheet for each meter", forms.sheet_a_meter),
    Case("sheet for each year", forms.sheet_a_year),
    Case("sheet for each meter, dates across", across.dates_across),
    Case("session with meters across", across.meters_across),
    Case(
        "quarters across, days without a year",
        across.quarters_across,
        visits=fleet(visits=4, points=SPAN, first=across.FIRST),
        expect=found_only,
    ),
    Case(
        "visit form with a block of readings and R in another cell",
        forms.visit_form,
        expect=by_vessel,
    ),
    Case("forms one below the other", forms.stacked_forms),
    Case("several figures in a cell", oddities.arrows),
    Case(
        "stroke for as found and as left", oddities.strokes, answers={"cells.slash": "found_left"}
    ),
    Case("header AF/AL with strokes", oddities.headed_strokes),
    Case("ditto signs and blanks", oddities.dittos),
    Case("struck lines, void sheets and repeated headers", oddities.struck),
    Case("percent cells", oddities.percent_cells),
    Case("masses in g and lb", oddities.masses, expect=weighed),
    Case("errors with the correct air content", oddities.errors),
    Case(
        "errors alone",
        oddities.errors_alone,
        answers={"correct_air_pct": "5.0"},
        visits=fleet(points=SPAN),
        expect=found_only,
    ),
    Case("vessels in their own sheet", forms.vessel_sheet, expect=by_vessel),
    Case(
        "months in words",
        oddities.months,
        answers={"dates.month_only": "15"},
        visits=fleet(visits=5),
        expect=middle_of_month,
    ),
    Case("figures in remarks", oddities.remarks, visits=fleet(points=SPAN)),
    Case("section lines for meters", logs.sections),
    Case("files named by meters", forms.file_a_meter),
    Case("day numbers of a spreadsheet", logs.serials),
    Case("two layouts of dates in one column", logs.two_date_layouts),
    Case(
        "ambiguous dates",
        logs.ambiguous_dates,
        answers={"dates.order": "month_first"},
        visits=logs.AMBIGUOUS,
    ),
    Case("half one layout and half another", logs.two_layouts),
    Case("numbers stored as text", oddities.texts_for_numbers),
    Case("trials in columns", logs.trials, expect=logs.trial_rows),
    Case("text columns set apart by blanks", logs.blanks_between),
    Case("labels down the side, visits across", across.turned),
    Case(
        "no word for the stage", oddities.no_stage, answers={"stage": "as_found"}, expect=found_only
    ),
    Case(
        "OK, n/a and blanks among readings",
        oddities.marks_for_nothing,
        expect=oddities.without_marks,
    ),
)
