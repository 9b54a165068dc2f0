"""This module says since when a meter is suspect and what that touches.

It lists what a failed check puts in doubt.  Whether a result stands, who is told and who allows
work to go on is for people to decide.
"""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.conformity.decision_rules import ACCEPTED
from drift.format import (
    NO_BREAK,
    bias_with_unit,
    count,
    day,
    listed,
    plain,
    point,
    probability,
    share,
    words_of,
)
from drift.meter.calibrations import looks_forward
from drift.review.field_tests import TEST_FAIL, TEST_PASS, UNSPECIFIED
from drift.review.policy import Policy

# From this chance on a verdict was more likely wrong than right.
MORE_LIKELY_WRONG = 0.5
# How sure a chance of at least so much is, in words.
_SURENESS = ((0.95, "Almost certainly"), (0.5, "Probably"), (0.0, "Perhaps"))
# Shares of the chance of having left the tolerance at which days are named: bracket and middle.
BRACKET = (0.1, 0.5, 0.9)

# What the requirement asks the laboratory to decide, in our own words: clause and question.
QUESTIONS = (
    (
        "ISO/IEC 17025:2017, 6.4.9 (from memory)",
        "Is the meter out of use or marked until it has been put right and shown to be right?",
    ),
    (
        "ISO/IEC 17025:2017, 6.4.9 (from memory)",
        "What did the deviation do to earlier results, those listed here and any that are not?",
    ),
    (
        "ISO/IEC 17025:2017, 7.10",
        "How much does it matter, and may each result stand, be qualified, or not be used?",
    ),
    (
        "ISO/IEC 17025:2017, 7.10",
        "Who has to be told, and is work or a report to be called back?",
    ),
    (
        "ISO/IEC 17025:2017, 7.10",
        "Who authorises that work goes on, and since when?",
    ),
    (
        "ISO/IEC 17025:2017, 7.10",
        "Could it happen again, so that corrective action is needed?",
    ),
)


@dataclass(frozen=True, slots=True)
class Suspicion:
    """The span that a visit puts in doubt.

    Attributes
    ----------
    meter_id : str
        Whose.
    closed : date
        The visit that was asked about.
    failed : tuple of (float, float)
        Points found outside by the decision rule in force then and their as-found biases, % air;
        none where it was no failure.
    started : date
        First day of the span: the last good evidence, else the first visit on record.
    evidence : str
        What was seen then, "found in tolerance" or "left in tolerance"; empty where no earlier
        visit shows the meter in tolerance.
    """

    meter_id: str
    closed: date
    failed: tuple[tuple[float, float], ...]
    started: date
    evidence: str


@dataclass(frozen=True, slots=True)
class Impact:
    """A suspicion with the path of the meter in it and the field tests that it touches.

    Attributes
    ----------
    suspicion : Suspicion
        The span.
    drops : tuple of date
        Recorded drops in it.
    bracket : tuple of date or None
        Days by which 10, 50 and 90 % of the chance of having left the tolerance had come; None
        where it was hardly ever out.
    p_been_out : float or None
        P(out of tolerance at any point on some day of the span); None where no path is known.
    path, tests : pl.DataFrame
        Frames of `drift.forecast.smooth.PATH` and `drift.review.field_tests.FIELD_IMPACT`.
    held_back : int
        Rows of field tests, of any meter, that could not be used and so are in no list.
    tests_given : bool
        Whether the source holds a table of field tests at all.
    """

    suspicion: Suspicion
    drops: tuple[date, ...]
    bracket: tuple[date | None, ...]
    p_been_out: float | None
    path: pl.DataFrame
    tests: pl.DataFrame
    held_back: int
    tests_given: bool = True


def with_verdicts(ledger: pl.DataFrame, verdicts: pl.DataFrame) -> pl.DataFrame:
    """Add to a ledger whether each row was found inside and was left inside, null if not known.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    verdicts : pl.DataFrame
        Frame of `drift.conformity.weigh.CONFORMITY`: by the decision rule in force.

    Returns
    -------
    pl.DataFrame
        The ledger with ``found_inside`` and ``left_inside``.
    """
    key = ["meter_id", "visit_id", "point_pct"]

    def judged(stage: str) -> pl.DataFrame:
        inside = pl.col("verdict").is_in(ACCEPTED).alias(stage)
        return verdicts.filter(pl.col("stage") == stage).select(*key, inside)

    left = pl.when(~pl.col("adjusted")).then("as_found")
    return (
        ledger.join(judged("as_found"), on=key, how="left", maintain_order="left")
        .join(judged("as_left"), on=key, how="left", maintain_order="left")
        .with_columns(left_inside=pl.coalesce("as_left", left))
        .drop("as_left")
        .rename({"as_found": "found_inside"})
    )


def failed_visits(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return the rows, from `with_verdicts`, that were found outside."""
    return ledger.filter(~pl.col("found_inside"))


def suspect(ledger: pl.DataFrame, *, closed: date) -> Suspicion:
    """Say which span a visit puts in doubt.

    Parameters
    ----------
    ledger : pl.DataFrame
        Rows of one meter from `with_verdicts`.
    closed : date
        Day of one of its visits.
    """
    failed = failed_visits(ledger.filter(pl.col("performed_on") == closed))
    # A visit that read too little to look forward may condemn, and never acquits.
    good = (
        ledger.filter((pl.col("performed_on") < closed) & looks_forward())
        .group_by("performed_on")
        .agg(
            found=pl.col("found_inside").fill_null(value=False).all() & ~pl.col("adjusted").any(),
            left=pl.col("left_inside").fill_null(value=False).all(),
        )
        .filter("left")
        .sort("performed_on")
    )
    first: date = ledger["performed_on"].min()  # type: ignore[assignment]  # a date
    last = good.row(-1, named=True) if good.height else None
    return Suspicion(
        meter_id=ledger["meter_id"][0],
        closed=closed,
        failed=tuple(failed.sort("point_pct").select("point_pct", "as_found_bias_pct").iter_rows()),
        started=last["performed_on"] if last else first,
        evidence=""
        if last is None
        else ("found in tolerance" if last["found"] else "left in tolerance"),
    )


def sentences(impact: Impact, policy: Policy) -> tuple[str, ...]:
    """Return what an impact note says first: failure, period, since when, sign, tests."""
    told = (
        _failure_words(impact.suspicion, policy),
        _period_words(impact.suspicion),
        _since_words(impact),
        _sign_words(impact.suspicion),
        tests_words(impact, policy),
        _held_back_words(impact.held_back),
    )
    return tuple(sentence for sentence in told if sentence)


def _failure_words(suspicion: Suspicion, policy: Policy) -> str:
    """Say how far out the meter was found."""
    tolerance = f"±{plain(policy.tolerance_pct)}{NO_BREAK}%{NO_BREAK}air"
    if not suspicion.failed:
        return (
            f"No point was found outside {tolerance} on {day(suspicion.closed)}: that visit is no "
            "failure. What the meter did up to it is shown all the same."
        )
    found = listed([f"{bias_with_unit(bias)} at {point(at)}" for at, bias in suspicion.failed])
    if policy.decision_rule != "simple_acceptance":
        rule = words_of(policy.decision_rule)
        return (
            f"Found on {day(suspicion.closed)} at {found}, not accepted within {tolerance} by the "
            f"decision rule in force ({rule})."
        )
    return f"Found on {day(suspicion.closed)} at {found}, outside {tolerance}."


def _period_words(suspicion: Suspicion) -> str:
    """Say what the period is and what it starts from."""
    days = count((suspicion.closed - suspicion.started).days, "day")
    span = f"{day(suspicion.started)} to {day(suspicion.closed)}, {days}"
    name = "Suspect period" if suspicion.failed else "Span shown"
    if not suspicion.evidence:
        return (
            f"{name}: {span}. No earlier visit shows the meter in tolerance, so it starts with the "
            "first visit on record. Results before that are not covered."
        )
    return (
        f"{name}: {span}. It starts from the last good evidence, when the meter was "
        f"{suspicion.evidence}."
    )


def _since_words(impact: Impact) -> str:
    """Say when the meter left the tolerance, with the interval."""
    if impact.p_been_out is None:
        return "When it left the tolerance cannot be said: there is nothing between the two visits."
    early, middle, late = impact.bracket
    drops = listed([day(each) for each in impact.drops])
    drop = (
        f" A drop is on record for {drops}. The chance that it jumped then is taken as one half."
        if drops
        else ""
    )
    if middle is None:
        return (
            "By all its readings it was almost certainly never out of tolerance in that time "
            f"(chance that it was: {probability(impact.p_been_out)}).{drop}"
        )
    sure = next(words for least, words in _SURENESS if impact.p_been_out >= least)
    suspicion = impact.suspicion
    review = ""
    if suspicion.failed:
        good = f"from {day(suspicion.started)}, its last good calibration"
        review = f" Review results {good}." if suspicion.evidence else " Review all its results."
    return (
        f"{sure} already wrong before this check (chance {probability(impact.p_been_out)}), most "
        f"likely from {day(middle)} on ({share(BRACKET[2] - BRACKET[0])} interval {day(early)} to "
        f"{day(late)}).{review}{drop}"
    )


def _sign_words(suspicion: Suspicion) -> str:
    """Say which way results were off."""
    if not suspicion.failed:
        return ""
    signs = {bias > 0 for _, bias in suspicion.failed}
    if len(signs) > 1:
        return "It read high at some points and low at others: see the bias of each test."
    if signs == {True}:
        return "It read high: the true air content was lower than reported."
    return "It read low: the true air content was higher than reported."


def _held_back_words(rows: int) -> str:
    """Say that the list may lack tests."""
    if not rows:
        return ""
    was, it = ("was", "it") if rows == 1 else ("were", "they")
    return (
        f"{count(rows, 'row')} of the source's field tests {was} held back and may belong here: "
        f"a review says where {it} {'is' if rows == 1 else 'are'} and why."
    )


def tests_words(impact: Impact, policy: Policy) -> str:
    """Count the field tests in the span and those whose verdict may be wrong."""
    tests, name = impact.tests, "suspect period" if impact.suspicion.failed else "span"
    if not impact.tests_given:
        return (
            "No table of field tests could be used: which results this touches cannot be said "
            f"here. Look up what was tested with this meter in the {name}."
        )
    if tests.is_empty():
        return f"No field test made with this meter in the {name} is on record."
    verdicts = dict(tests["verdict"].value_counts().iter_rows())
    kinds = [
        f"{verdicts[kind]} {words}"
        for kind, words in (
            (TEST_PASS, "passed"),
            (TEST_FAIL, "failed"),
            (UNSPECIFIED, "without a specification"),
        )
        if kind in verdicts
    ]
    first = f"{count(tests.height, 'field test')} in the {name}: {listed(kinds)}."
    wrong = tests["p_verdict_wrong"].drop_nulls()
    if wrong.is_empty():
        return f"{first} Whether a verdict was wrong cannot be said."
    likely = int((wrong >= MORE_LIKELY_WRONG).sum())
    least = 1 - policy.intervals.target
    some = int((wrong >= least).sum())
    if some == 0:
        return (
            f"{first} In none of them would a meter without error have given the other verdict "
            f"with a chance of {share(least)} or more."
        )
    return (
        f"{first} A meter without error would have given the other verdict: more likely than not "
        f"in {likely} of them, with a chance of {share(least)} or more in {some}."
    )
