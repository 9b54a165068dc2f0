"""This module answers whether meters are calibrated and whether the programme is kept."""

from dataclasses import dataclass

import polars as pl

from drift import format as text
from drift.review.clauses.clause import ISO, NO_RECORD, OUTSIDE, R18, Clause, by_count, few, of
from drift.review.clauses.facts import LaboratoryFacts, span

# Days that a laboratory writes for three months.
THREE_MONTHS = "3mo"
_SHORTEST, _LONGEST = 89, 92


@dataclass(frozen=True, slots=True)
class Gaps:
    """How calibrations kept to their dates.

    Attributes
    ----------
    known : int
        Calibrations that had one before them.
    late : pl.DataFrame
        Those later than the meter's own interval: ``meter_id on gap interval_days over``, the
        latest first.  An interval of about three months ends after three calendar months.
    over_three_months : int
        Those more than three calendar months after the one before, whatever the meter's interval.
    share : float
        Share of visits in time that is asked for.
    """

    known: int
    late: pl.DataFrame
    over_three_months: int
    share: float


def programme_clauses(facts: LaboratoryFacts) -> tuple[Clause, ...]:
    """Return the answers of this family."""
    return calibrated(facts), programme(facts)


def gaps(facts: LaboratoryFacts) -> Gaps:
    """Return how calibrations kept to their dates."""
    policy = facts.review.policy
    own = facts.review.sources.meters.unique("meter_id", keep="last")
    known = (
        facts.visits.filter("complete")
        .select("meter_id", "on", before=pl.col("on").shift(1).over("meter_id"))
        .drop_nulls("before")
        .join(own.select("meter_id", "interval_days"), on="meter_id", how="left")
        .with_columns(
            pl.col("interval_days").fill_null(policy.interval_days),
            gap=(pl.col("on") - pl.col("before")).dt.total_days(),
            over=pl.col("on") > pl.col("before").dt.offset_by(THREE_MONTHS),
        )
    )
    three = pl.col("interval_days").is_between(_SHORTEST, _LONGEST)
    late = pl.when(three).then("over").otherwise(pl.col("gap") > pl.col("interval_days"))
    return Gaps(
        known=known.height,
        late=known.filter(late)
        .with_columns(over=pl.col("gap") - pl.col("interval_days"))
        .sort("over", "meter_id", "on", descending=[True, False, False]),
        over_three_months=int(known["over"].sum()),
        share=policy.intervals.target,
    )


def calibrated(facts: LaboratoryFacts) -> Clause:
    """Answer whether every meter in use has been calibrated, and passes as it was left."""
    last = facts.visits.filter(pl.col("meter_id").is_in(facts.in_use)).filter(
        pl.col("on") == pl.col("on").max().over("meter_id")
    )
    last = last.unique("meter_id", keep="last", maintain_order=True)
    ever = set(facts.visits.filter("shown_right")["meter_id"].unique())
    never = [name for name in facts.in_use if name not in ever]
    wrong = last.filter(pl.col("left_failed") | (pl.col("found_failed") & ~pl.col("shown_right")))[
        "meter_id"
    ].to_list()
    points = facts.review.ledger["point_pct"].unique().sort().to_list()
    good = len(facts.in_use) - len({*never, *wrong})
    answer = [
        (
            f"{text.count(len(facts.in_use), 'meter')} in use, "
            f"{text.count(facts.visits.height, 'visit')}"
            f" of all meters ({span(facts.visits['on'])}) at "
            f"{text.listed([text.point(p) for p in points])}"
            "."
        )
    ]
    if never:
        answer.append(f"Never read at all its points and passed: {few(never)}.")
    if wrong:
        answer.append(f"In use though the last visit left it outside: {few(wrong)}.")
    return Clause(
        ISO,
        "6.4.6",
        checked=True,
        asked="Equipment whose accuracy affects results is calibrated.",
        state=by_count(good, len(facts.in_use), refuted=bool(wrong)),
        decided_by=f"{of(good, len(facts.in_use))} meters in use calibrated and left in tolerance",
        answer=tuple(answer),
        proof=(("data/visits.csv", "every visit"), ("meters.html#meters", "meter by meter")),
        to_file=(
            f"A calibration of {few([*wrong, *never])}."
            if wrong or never
            else NO_RECORD
            if facts.in_use
            else "Which meters are in use."
        ),
        meters=(*wrong, *never),
    )


def _in_time(found: Gaps, overdue: list[str], *, argued: int) -> list[str]:
    """Say how many visits came in time, which came last, and who is overdue."""
    in_time = found.known - found.late.height
    answer = [
        (
            f"{of(in_time, found.known)} visits came within the meter's own interval (one of about "
            "three months ends after three calendar months); "
            f"{text.whole(found.over_three_months)} "
            "came more than three calendar months after the one before. The records "
            "contradict the clause "
            f"where a meter is overdue or fewer than {text.share(found.share)} came on time."
        )
    ]
    if found.late.height:
        row = found.late.row(0, named=True)
        answer.append(
            f"The latest came {text.count(row['gap'], 'day')} after the one before "
            f"({text.shortened(row['meter_id'], longest=24)}, {text.day(row['on'])})."
        )
    answer.append(f"Overdue now: {few(overdue) or 'none'}.")
    answer.append(
        f"This review works out the intervals of {text.count(argued, 'meter')} from the data. "
        "Whether the laboratory reviews them is not in these tables."
    )
    return answer


def programme(facts: LaboratoryFacts) -> Clause:
    """Answer whether every visit came in time, and whether intervals are reviewed."""
    found = gaps(facts)
    overdue = facts.review.meters.filter("overdue")["meter_id"].to_list()
    in_time = found.known - found.late.height
    argued = facts.review.upkeep.intervals.filter(
        (pl.col("scope") == "meter") & (pl.col("method") == "recommendation")
    ).height
    refuted = bool(overdue) or in_time < found.share * found.known
    answer = _in_time(found, overdue, argued=argued)
    return Clause(
        ISO,
        "6.4.7",
        checked=False,
        asked="A calibration programme is kept, and reviewed so that the status stays trustworthy.",
        state=by_count(in_time, found.known, refuted=refuted, complete=argued > 0),
        decided_by=(
            f"{text.count(len(overdue), 'meter')} overdue; "
            f"{of(in_time, found.known)} visits on time"
        ),
        answer=tuple(answer),
        proof=(("data/visits.csv", "every visit"), ("data/intervals.csv", "how each is argued")),
        to_file=(
            f"A calibration of {few(overdue)}, or its withdrawal."
            if overdue
            else "Why visits came late; the laboratory's review of its intervals."
            if found.late.height
            else NO_RECORD
            if found.known and argued
            else "Calibrations in time, and the laboratory's review of its intervals."
        ),
        meters=(*overdue, *found.late["meter_id"].unique(maintain_order=True).to_list()),
    )


def practice_intervals(facts: LaboratoryFacts) -> Clause:
    """Answer whether meters are standardised as often as the practice's table says."""
    found = gaps(facts)
    meters = facts.review.sources.meters.unique("meter_id", keep="last")
    longer = sorted(
        meters.filter(
            (pl.col("interval_days") > _LONGEST) & pl.col("meter_id").is_in(facts.in_use)
        )["meter_id"]
    )
    in_time = found.known - found.over_three_months
    refuted = bool(longer) or in_time < found.share * found.known
    answer = [
        (
            f"{text.whole(found.over_three_months)} of "
            f"{text.count(found.known, 'visit')} came more "
            "than three calendar months after the one before."
        )
    ]
    answer.append(
        f"With an interval above {_LONGEST} days: {few(longer)}. The justification is not in these "
        "tables."
        if longer
        else f"No meter in use has an interval above {_LONGEST} days."
    )
    return Clause(
        R18,
        "intervals",
        checked=False,
        asked=(
            "Standardised at least as often as the scheme's table says (not exceeding three "
            "months for air meters, from memory); longer only with a justification."
        ),
        state=by_count(in_time, found.known, refuted=refuted) if found.known or longer else OUTSIDE,
        decided_by=f"{of(found.over_three_months, found.known)} visits beyond three months",
        answer=tuple(answer),
        proof=(("data/visits.csv", "every visit"),),
        to_file=(
            f"The reason why {few(longer)} may wait longer, or an interval of three months."
            if longer
            else "Why visits came later than three months."
            if found.over_three_months
            else NO_RECORD
            if found.known
            else "Calibrations one after another."
        ),
        meters=tuple(longer),
    )
