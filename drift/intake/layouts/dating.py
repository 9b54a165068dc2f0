"""This module turns dates as written into days, by the evidence of their whole column."""

import calendar
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import date

from drift.intake.layouts.answers import Answers
from drift.intake.layouts.days import ORDERS, Order, WrittenDay, orders, placed_days

Scope = tuple[str, ...]
_TYPED = "a date of the workbook"
_FIGURE = "a month in words with a figure"
_WORDS: dict[str, str] = {
    "day_first": "day first",
    "month_first": "month first",
    "year_first": "year first",
}


@dataclass(slots=True)
class Dating:
    """How dates are read.

    Attributes
    ----------
    today : date
        No record is of a later day.
    answers : Answers
        What has been declared.
    seen : dict
        Dates by scope and form, with the year and quarter around them.
    commas : set of str
        Files that write decimals with commas: where that is the habit, dates with points begin with
        the day (common practice, no source).
    found : dict
        Orders that fit all dates of a scope and form.
    """

    today: date
    answers: Answers
    seen: dict[tuple[Scope, str], list[tuple[WrittenDay, int | None, int | None]]] = field(
        default_factory=lambda: defaultdict(list)
    )
    found: dict[tuple[Scope, str], list[Order]] = field(default_factory=dict)
    commas: set[str] = field(default_factory=set)
    swapped: set[Scope] = field(default_factory=set)

    def note(self, scope: Scope, what: WrittenDay, year: int | None, quarter: int | None) -> None:
        """Take a date in as evidence."""
        self.seen[scope, what.form].append((what, year, quarter))

    def settle(self) -> None:
        """Decide, for each scope and form, in which orders its dates can be read."""
        for key, dates in self.seen.items():
            if any(what.pair for what, _, _ in dates):
                self.found[key] = orders(dates, today=self.today)
        for scope in {scope for scope, _ in self.seen}:
            if self._turned_about(scope):
                self.swapped.add(scope)

    def _turned_about(self, scope: Scope) -> bool:
        """Say whether a workbook may have turned days and months about.

        Typed into a spreadsheet that expects the other order, 3/4 becomes a date and 31/3 stays a
        text: then all real dates are of days up to 12, and all texts of days above.
        """
        typed = [what.day or 0 for what, _, _ in self.seen.get((scope, _TYPED), ())]
        texts = [
            max(what.pair[0], what.pair[1])
            for (where, _), dates in self.seen.items()
            if where == scope
            for what, _, _ in dates
            if what.pair is not None
        ]
        return bool(
            typed
            and texts
            and len(typed) + len(texts) >= 4
            and max(typed) <= 12
            and min(texts) > 12
        )

    def day_of(
        self,
        what: WrittenDay,
        scope: Scope,
        *,
        year: int | None,
        quarter: int | None,
        place: str,
        sheet: str,
    ) -> date | str:
        """Return the day of a date as written, or why it cannot be known.

        Parameters
        ----------
        what : Written
            The date.
        scope : Scope
            Whose evidence counts.
        year, quarter : int or None
            What its surroundings tell.
        place, sheet : str
            Where it stands, for questions.
        """
        if what.day is not None and what.month is not None and what.year is not None:
            return self._sound(self._typed(what, scope, place, sheet))
        if what.pair is not None:
            return self._of_pair(what, scope, year=year, quarter=quarter, place=place, sheet=sheet)
        if what.form == _FIGURE:
            what = self._of_figure(what, scope, year=year, place=place, sheet=sheet) or what
            if what.form == _FIGURE:
                return "waits for an answer: dates.month_figure"
        known = what.year or year
        if known is None:
            known = self._year(place, sheet)
            if known is None:
                return "waits for an answer: dates.year"
        if what.day is not None:
            return self._sound(_day(known, what.month or 0, what.day))
        return self._month_only(known, what.month or 0, place, sheet)

    def _sound(self, day: date | None) -> date | str:
        """Return a day, or why it cannot be meant."""
        if day is None:
            return "there is no such day"
        if day > self.today:
            return f"{day.isoformat()} lies in the future"
        return day

    def _typed(self, what: WrittenDay, scope: Scope, place: str, sheet: str) -> date | None:
        """Return a date of the workbook, turned back where a person says so."""
        day = date(what.year or 1, what.month or 1, what.day or 1)
        if what.form != _TYPED or scope not in self.swapped:
            return day
        answer = self.answers.get("dates.typed", sheet=sheet)
        if answer is None:
            turned = _day(day.year, day.day, day.month)
            self.answers.ask(
                "dates.typed",
                "the workbook keeps only days up to the 12th as dates and all others as texts: it "
                "may have turned day and month about",
                (
                    f"as_stored: {day.isoformat()}",
                    f"swapped: {turned.isoformat() if turned else '–'}",
                ),
                place,
            )
            return day
        return _day(day.year, day.day, day.month) if answer == "swapped" else day

    def _of_pair(
        self,
        what: WrittenDay,
        scope: Scope,
        *,
        year: int | None,
        quarter: int | None,
        place: str,
        sheet: str,
    ) -> date | str:
        """Return a date of figures alone."""
        first, second, last = what.pair or (0, 0, 0)
        if "two figures" in what.form:
            year = year or self._year(place, sheet)
            if year is None:
                return "waits for an answer: dates.year"
            what = WrittenDay(what.form, pair=(first, second, -year))
        fits = [
            order
            for order in ORDERS
            if (day := placed_days(what, order))
            and day <= self.today
            and (quarter is None or (day.month + 2) // 3 == quarter)
        ]
        if "two figures" in what.form or last < 0 or not self._years_may_lead(scope, what.form):
            fits = [order for order in fits if order != "year_first"]
        if not fits:
            return "there is no such day, or it lies in the future"
        column = self.found.get((scope, what.form), [])
        usable = [order for order in fits if order in column] or fits
        days = {placed_days(what, order) for order in usable}
        if len(days) == 1:
            return days.pop() or ""
        if scope[0] in self.commas and "with ." in what.form and "day_first" in usable:
            return placed_days(what, "day_first") or ""
        answer = self.answers.get("dates.order", sheet=sheet)
        if answer in fits and (answer in column or not column):
            return placed_days(what, answer) or ""
        readings = tuple(
            f"{order}: {day.isoformat()}" for order in usable if (day := placed_days(what, order))
        )
        told = f"{first}{what.form[19:20] if 'three' in what.form else '.'}{second}"
        self.answers.ask(
            "dates.order",
            f"nothing in this column says which figure of {told} is the month",
            readings,
            place,
        )
        return "waits for an answer: dates.order"

    def _years_may_lead(self, scope: Scope, form: str) -> bool:
        """Say whether dates of a column may begin with the year."""
        return "year_first" in self.found.get((scope, form), [])

    def _year(self, place: str, sheet: str) -> int | None:
        """Return the declared year of dates without one."""
        answer = self.answers.get("dates.year", sheet=sheet)
        if answer and answer.isdigit():
            return int(answer)
        self.answers.ask("dates.year", "dates are written without a year", ("such as 2026",), place)
        return None

    def _month_only(self, year: int, month: int, place: str, sheet: str) -> date | str:
        """Return the declared day of a month."""
        answer = self.answers.get("dates.month_only", sheet=sheet)
        last = calendar.monthrange(year, month)[1]
        if answer == "last":
            return self._sound(date(year, month, last))
        if answer and answer.isdigit() and 1 <= int(answer) <= 28:
            return self._sound(date(year, month, int(answer)))
        self.answers.ask(
            "dates.month_only",
            "only the month is written, and a visit needs a day",
            ("1: the first", "15: the middle", "last: the last day"),
            place,
        )
        return "waits for an answer: dates.month_only"

    def of_quarter(self, year: int, quarter: int, *, place: str, sheet: str) -> date | str:
        """Return the declared day of a quarter."""
        first, last = 3 * quarter - 2, 3 * quarter
        days = {
            "first": date(year, first, 1),
            "middle": date(year, first + 1, 15),
            "last": date(year, last, calendar.monthrange(year, last)[1]),
        }
        answer = self.answers.get("dates.quarter_only", sheet=sheet)
        if answer in days:
            return self._sound(days[answer])
        self.answers.ask(
            "dates.quarter_only",
            "only the quarter is written, and a visit needs a day",
            tuple(f"{name}: {day.isoformat()}" for name, day in days.items()),
            place,
        )
        return "waits for an answer: dates.quarter_only"

    def _of_figure(
        self, what: WrittenDay, scope: Scope, *, year: int | None, place: str, sheet: str
    ) -> WrittenDay | None:
        """Return a month with a figure as month and year or as month and day."""
        dates = self.seen.get((scope, _FIGURE), [])
        figures = [one.number or 0 for one, _, _ in dates] or [what.number or 0]
        as_year = WrittenDay("month and year in words", 2000 + (what.number or 0), what.month)
        as_day = WrittenDay("day and month in words", None, what.month, what.number)
        answer = self.answers.get("dates.month_figure", sheet=sheet)
        if answer is None:
            if any(figure > 31 for figure in figures):
                answer = "year"
            elif year is not None and any(figure != year % 100 for figure in figures):
                answer = "day"
            elif year is None and _years_in_order(figures, self.today):
                answer = "year"
        if answer is None:
            self.answers.ask(
                "dates.month_figure",
                f"nothing says whether {what.number} beside the month is a year or a day",
                (f"year: 20{what.number:02d}", f"day: the {what.number}."),
                place,
            )
            return None
        return as_year if answer == "year" else as_day

    def told(self) -> list[tuple[str, str, str, int]]:
        """Return scope, form, order and number of dates, for the layout file."""
        return [
            (
                scope[0],
                form,
                " or ".join(_WORDS[order] for order in fits),
                len(self.seen[scope, form]),
            )
            for (scope, form), fits in sorted(self.found.items())
        ]


def _years_in_order(figures: list[int], today: date) -> bool:
    """Say whether figures beside months can hardly be days: few neighbouring values, many times."""
    counts = Counter(figures)
    few = len(counts) * 2 <= len(figures) and max(counts) - min(counts) <= len(counts)
    return few and len(figures) >= 4 and max(figures) <= today.year % 100


def _day(year: int, month: int, day: int) -> date | None:
    """Return a day; None where there is none."""
    try:
        return date(year, month, day)
    except ValueError:
        return None
