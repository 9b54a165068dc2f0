"""This module gathers what pages say of how long meters may go unseen."""

from dataclasses import dataclass

import polars as pl

from drift import format as text
from drift.frames import of_meter
from drift.report.figures.rows import figure_rows
from drift.report.figures.survival import survival_rows
from drift.report.pages.parts import file_name
from drift.review.results import Review

_TITLES = {
    "forecast": "Forecast, as it stands",
    "forecast_once_adjusted": "Forecast, once adjusted",
    "control_chart": "Control chart: drift and scatter",
    "survival_weibull": "Time in tolerance, Weibull law",
    "survival_stepwise": "Time in tolerance, no law assumed",
    "reliability": "Share of checks passed",
    "staircase": "Staircase",
}
# Groups of similar meters, and meters to be seen sooner, that the fleet review shows.
_MOST_SCOPES, _MOST_SOONER = 6, 50
# Meters that a sentence names, and how much of a name.
_MOST_TOLD = 3
_LONGEST_NAME = 24


@dataclass(frozen=True, slots=True)
class MethodRow:
    """What one method says: days, what it leaves possible, and its basis in a sentence.

    Days are None where it cannot say; carried: the recommendation took it.
    """

    method: str
    days: float | None
    low_days: float | None
    high_days: float | None
    evidence: int
    carried: bool
    basis: str


@dataclass(frozen=True, slots=True)
class ScopePart:
    """What is recommended for the fleet, similar meters or one meter, methods side by side."""

    title: str
    days: float
    advice: str
    methods: tuple[MethodRow, ...]


@dataclass(frozen=True, slots=True)
class SoonerRow:
    """One meter that should be seen sooner than now."""

    meter_id: str
    file: str
    present_days: float
    days: float
    advice: str


@dataclass(frozen=True, slots=True)
class SurvivalFigure:
    """How long stretches in tolerance last: rows of the figure, what it shows, what follows."""

    rows: str
    shows: str
    conclude: str


@dataclass(frozen=True, slots=True)
class IntervalPart:
    """How long meters may go unseen: in words, by scope, and which should be seen sooner."""

    lead: tuple[str, ...]
    scopes: tuple[ScopePart, ...]
    scopes_total: int
    sooner: tuple[SoonerRow, ...]
    sooner_total: int


def interval_part(review: Review) -> IntervalPart:
    """Return what the fleet review says of intervals."""
    groups = review.upkeep.intervals.filter(pl.col("scope") != "meter")
    scopes = _scopes(groups)
    advised = review.upkeep.intervals.filter(
        (pl.col("scope") == "meter") & (pl.col("method") == "recommendation")
    ).join(review.upkeep.present, on="meter_id", how="left", maintain_order="left")
    sooner = advised.filter(pl.col("days") < pl.col("interval_days")).sort("days", "meter_id")
    return IntervalPart(
        lead=_lead(review, scopes, advised),
        scopes=scopes[:_MOST_SCOPES],
        scopes_total=len(scopes),
        sooner=tuple(
            SoonerRow(
                meter_id=row["meter_id"],
                file=file_name(row["meter_id"]),
                present_days=row["interval_days"],
                days=row["days"],
                advice=row["basis"],
            )
            for row in sooner.head(_MOST_SOONER).iter_rows(named=True)
        ),
        sooner_total=sooner.height,
    )


def meter_scope(review: Review, meter_id: str) -> ScopePart | None:
    """Return what is said of one meter's interval, None where it is retired."""
    scopes = _scopes(of_meter(review.upkeep.intervals, meter_id))
    return scopes[0] if scopes else None


def survival_figure(review: Review) -> SurvivalFigure | None:
    """Return the figure of time in tolerance, None where no spell is known."""
    choices = review.policy.intervals
    present = _present_days(review)
    curve = review.survival(at_days=present)
    if curve.is_empty():
        return None
    data = survival_rows(curve, target=choices.target, present_days=present)
    return SurvivalFigure(
        rows=figure_rows("time_in_tolerance", data),
        shows=(
            "The line is the share of stretches in tolerance that still last. "
            "A stretch begins when a meter is left in tolerance. It ends between the "
            "check that last found it in and the one that found it out; when exactly is not known, "
            "so the line between the two is drawn straight. The band holds in "
            f"{text.share(choices.confidence)} of cases. "
            "A stretch that an adjustment cut short counts for as long as it lasted."
        ),
        conclude=_concluded(
            review.times_in_tolerance, curve, present=present, target=choices.target
        ),
    )


def _scopes(rows: pl.DataFrame) -> tuple[ScopePart, ...]:
    """Return the scopes among rows of the intervals' frame, in its order."""
    parts = rows.partition_by("scope", "name", maintain_order=True)
    return tuple(_scope(part) for part in parts)


def _scope(part: pl.DataFrame) -> ScopePart:
    """Return one scope; the frame has its recommendation first."""
    advice, *answers = part.iter_rows(named=True)
    titles = {"fleet": "The fleet", "like": f"Meters {advice['name']}"}
    return ScopePart(
        title=titles.get(advice["scope"], advice["name"]),
        days=advice["days"],
        advice=advice["basis"],
        methods=tuple(
            MethodRow(
                method=_TITLES[row["method"]],
                days=row["days"],
                low_days=row["low_days"],
                high_days=row["high_days"],
                evidence=row["evidence"],
                carried=row["carried"],
                basis=row["basis"],
            )
            for row in answers
        ),
    )


def _lead(review: Review, scopes: tuple[ScopePart, ...], advised: pl.DataFrame) -> tuple[str, ...]:
    """Say what follows for the fleet and for its meters."""
    choices = review.policy.intervals
    sooner = advised.filter(pl.col("days") < pl.col("interval_days")).sort("days", "meter_id")
    fleet = _of_fleet(review, scopes, one=advised.height == 1, sooner=sooner.height)
    told = [
        f"See {text.shortened(row['name'], longest=_LONGEST_NAME)} every "
        f"{text.in_days(row['days'])}, not {text.whole(row['interval_days'])}."
        for row in sooner.head(_MOST_TOLD).iter_rows(named=True)
    ]
    more = sooner.height - len(told)
    rest = f"{text.count(more, 'more meter')} sooner than now, in the table below." if more else ""
    if not sooner.height:
        rest = f"No meter of {text.whole(advised.height)} has to be seen sooner than now."
    elif not more and advised.height > sooner.height:
        rest = "Nothing else changes."
    held = ""
    if advised.filter(pl.col("days") >= choices.ceiling_days).height:
        held = (
            f" Longer than {text.in_days(choices.ceiling_days)} is not proposed, whatever the "
            "data say: that is the ceiling in force."
        )
    return (fleet, f"{' '.join([*told, rest]).strip()}{held}")


def _of_fleet(review: Review, scopes: tuple[ScopePart, ...], *, one: bool, sooner: int) -> str:
    """Say what interval the fleet has, where its meters' own do not speak for it."""
    if not scopes:
        return "The fleet: Too little is known of the fleet to set an interval."
    fleet = scopes[0]
    if one:
        return f"The fleet is one meter: {fleet.advice}"
    if fleet.days is not None and fleet.days < _present_days(review) and not sooner:
        return (
            f"For a meter without a history of its own: {fleet.advice} Those with one go by their "
            "own forecasts."
        )
    return f"The fleet: {fleet.advice}"


def _present_days(review: Review) -> float:
    """Return the interval that meters in use have at the median."""
    usual = review.upkeep.present["interval_days"].median()
    return float(usual) if isinstance(usual, int | float) else float(review.policy.interval_days)


def _concluded(held: pl.DataFrame, curve: pl.DataFrame, *, present: float, target: float) -> str:
    """Say whether stretches in tolerance last long enough for the present interval."""
    row = curve.filter(pl.col("days") <= present).row(-1, named=True)
    ended = held.drop_nulls("upper_days").height
    low, high = row["low"], row["high"]
    seen = (
        f"{ended} of {text.count(held.height, 'stretch', 'stretches')} in tolerance ended with the "
        f"meter out. After the present {text.in_days(present)} between {text.probability(low)} and "
        f"{text.probability(high)} still last"
    )
    aim = f"the target of {text.share(target)}"
    if low >= target:
        return f"{seen}: {aim} is kept."
    if high < target:
        return f"{seen}: {aim} is missed, so this interval is too long for the fleet."
    return f"{seen}: whether {aim} is kept cannot be decided from these alone."
