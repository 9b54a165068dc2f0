"""This module gathers the data of an impact note."""

from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from drift import format as text
from drift.report.figures.impact import span_rows
from drift.report.figures.rows import figure_rows
from drift.report.pages.parts import FileRow, Stamp
from drift.report.pages.rows import file_rows, stamp
from drift.review.policy import Policy
from drift.review.results import Review
from drift.review.suspicion import BRACKET, MORE_LIKELY_WRONG, QUESTIONS, Impact, sentences


@dataclass(frozen=True, slots=True)
class TestRow:
    """One field test of the span: what was reported and what the meter's bias did to it, % air.

    Attributes
    ----------
    reported, specification : str
        In words, the first with the decimals of the most exact test.
    corrected_pct, u_pct : float or None
        The reading less the bias, and its standard uncertainty.
    p_wrong : float or None
        Chance that a meter without bias would have given the other verdict.
    doubtful : bool
        Whether that is more likely than not.
    """

    tested_on: date
    test_id: str
    placement: str
    reported: str
    specification: str
    verdict: str
    bias_pct: float | None
    bias_low: float | None
    bias_high: float | None
    corrected_pct: float | None
    u_pct: float | None
    p_wrong: float | None
    doubtful: bool
    remarks: str


@dataclass(frozen=True, slots=True)
class ImpactPage:
    """An impact note.

    Attributes
    ----------
    failed : bool
        Whether the visit found the meter outside tolerance.
    lead : tuple of str
        Sentences.
    numbers : tuple of (str, str, str)
        Label, value and aside of each figure at the head.
    path_rows : str or None
        JSON text of the rows of its figure, None where no path is known.
    conclude, shows : str
        What follows from the figure, and what is drawn.
    questions : tuple of (str, str)
        Clause and what it asks to decide.
    files : tuple of FileRow
        What it was made of.
    """

    stamp: Stamp
    meter_id: str
    closed: date
    failed: bool
    lead: tuple[str, ...]
    numbers: tuple[tuple[str, str, str], ...]
    path_rows: str | None
    conclude: str
    shows: str
    tests: tuple[TestRow, ...]
    questions: tuple[tuple[str, str], ...]
    files: tuple[FileRow, ...]


def impact_page(impact: Impact, review: Review) -> ImpactPage:
    """Return everything that an impact note says.

    Parameters
    ----------
    impact : Impact
        What was found.
    review : Review
        What it was found in.
    """
    suspicion, policy = impact.suspicion, review.policy
    visits = review.ledger.filter(pl.col("meter_id") == suspicion.meter_id)
    return ImpactPage(
        stamp=stamp(review),
        meter_id=suspicion.meter_id,
        closed=suspicion.closed,
        failed=bool(suspicion.failed),
        lead=sentences(impact, policy),
        numbers=_numbers(impact),
        path_rows=None if impact.path.is_empty() else _path_rows(impact, visits, policy),
        conclude=(
            "Chance that it was out of tolerance at any point on any day of that time: "
            f"{text.probability(impact.p_been_out)}."
        ),
        shows=(
            f"Top: field tests, a diamond where the other verdict was more likely. Then the true "
            f"bias on each day at each point, % air, with its {text.share(policy.band_level)} "
            "band, from readings before and after that day, between lines at the tolerance; dots "
            "are as found, triangles as left. Below: the chance that it was out. Points not read "
            "at the end are left out. Where it is not known on which day it jumped, the mean lies "
            "between the two levels and the band is wide."
        ),
        tests=_test_rows(impact.tests),
        questions=QUESTIONS,
        files=file_rows(review.sources.files),
    )


def _numbers(impact: Impact) -> tuple[tuple[str, str, str], ...]:
    """Return the figures at the head of the note."""
    suspicion, wrong = impact.suspicion, impact.tests["p_verdict_wrong"].drop_nulls()
    early, middle, late = impact.bracket
    interval = (
        f"{text.share(BRACKET[2] - BRACKET[0])} interval {text.day(early)} to {text.day(late)}"
    )
    return (
        (
            "Suspect period" if suspicion.failed else "Span shown",
            text.count((suspicion.closed - suspicion.started).days, "day"),
            f"{text.day(suspicion.started)} to {text.day(suspicion.closed)}",
        ),
        (
            "Out of tolerance since about",
            text.day(middle),
            interval if middle else "",
        ),
        ("Field tests in it", text.whole(impact.tests.height), ""),
        (
            "Verdict more likely wrong than right",
            text.whole(int((wrong >= MORE_LIKELY_WRONG).sum()))
            if impact.tests.is_empty() or wrong.len()
            else text.CANNOT_SAY,
            "",
        ),
    )


def _path_rows(impact: Impact, visits: pl.DataFrame, policy: Policy) -> str:
    """Return the rows of the figure of the span."""
    rows = span_rows(impact, visits, tolerance_pct=policy.tolerance_pct)
    return figure_rows("doubtful_span", rows)


def _test_rows(tests: pl.DataFrame) -> tuple[TestRow, ...]:
    """Return the rows of the table of field tests."""
    written = [text.plain(value) for value in tests["air_pct"]]
    places = max((len(value.partition(".")[2]) for value in written), default=0)
    return tuple(_test_row(row, places) for row in tests.to_dicts())


def _test_row(row: dict[str, Any], places: int) -> TestRow:
    """Return one row of the table of field tests."""
    chance = row["p_verdict_wrong"]
    return TestRow(
        tested_on=row["tested_on"],
        test_id=row["test_id"],
        reported=text.fixed(row["air_pct"], places=places),
        verdict=row["verdict"],
        bias_pct=row["bias_pct"],
        placement=str(row["placement"] or ""),
        specification=_specification(row["spec_min_pct"], row["spec_max_pct"]),
        bias_low=row["bias_low"],
        bias_high=row["bias_high"],
        corrected_pct=row["corrected_air_pct"],
        u_pct=row["u_corrected_pct"],
        p_wrong=chance,
        doubtful=chance is not None and chance >= MORE_LIKELY_WRONG,
        remarks=str(row["remarks"] or ""),
    )


def _specification(low: object, high: object) -> str:
    """Return the limits of a specification in words."""
    ends = [None if each is None else text.plain(float(str(each))) for each in (low, high)]
    if ends == [None, None]:
        return "none given"
    if ends[0] is None:
        return f"at most {ends[1]}"
    return f"at least {ends[0]}" if ends[1] is None else f"{ends[0]} to {ends[1]}"
