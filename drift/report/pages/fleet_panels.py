"""This module says what stands beside the fleet: reference, visits ahead, trust, what is open."""

from collections import Counter
from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from drift import format as text
from drift.forecast.proof import Proof
from drift.limits.checks.check_signals import CHECK_MARK
from drift.report.figures.rows import figure_rows
from drift.report.pages.fleet_rows import group_of
from drift.report.pages.reference_rows import EffectRow, ReferencePart
from drift.review.clauses.answers import answer_clauses
from drift.review.clauses.clause import CLAUSE_CONTRADICTED, SHOWN
from drift.review.results import Review

_AHEAD_DAYS = 90
# Marks that can be told apart in a small figure; of more visits each week's are counted.
_MOST_DOTS = 40
# Effects beside the fleet, and on the page of them.
_FEW_EFFECTS, _MOST_EFFECTS = 8, 30
# Marks of a name: beside the fleet, and where there is room.
_SHORT_NAME, _LONGEST_NAME = 26, 60
_MOST_OPERATORS = 2
# Meters named in a sentence.
_MOST_NAMED = 5
_NAMED_KINDS = {"vessel", "operator"}
_SHORT_KINDS = {
    "change of vessel or of its calibration": "change",
    "shift within one calibration": "shift within",
    "drift that all meters share": "shared drift",
}


@dataclass(frozen=True, slots=True)
class FleetPanels:
    """What stands beside the fleet.

    Attributes
    ----------
    effects, all_effects : str
        Rows of the figure of shared effects, few and many, as JSON; empty where there are none.
    operators : tuple of str
        Sentences on operators.
    due, due_title, due_words : str
        Rows of the figure of visits ahead, empty where none falls due; heading and words.
    sure : str
        How past forecasts came out.
    proven : bool
        Whether there were any.
    between : str
        What checks between calibrations show; empty where none is on record.
    open : str
        What an assessor would find open.
    """

    effects: str
    all_effects: str
    operators: tuple[str, ...]
    due: str
    due_title: str
    due_words: str
    sure: str
    proven: bool
    between: str
    open: str


def fleet_panels(review: Review, reference: ReferencePart, *, proof: Proof | None) -> FleetPanels:
    """Return what stands beside the fleet.

    Parameters
    ----------
    review : Review
        What was found.
    reference : ReferencePart
        What is said of the reference.
    proof : Proof or None
        How past forecasts came out, None where that was not asked.
    """
    named = [row for row in reference.effects if _kind(row) in _NAMED_KINDS]
    due = _due(review)
    return FleetPanels(
        effects=_effects(named[:_FEW_EFFECTS], longest=_SHORT_NAME),
        all_effects=shared_rows(reference),
        operators=reference.lead[1 : 1 + _MOST_OPERATORS],
        due=due_rows(review),
        due_title=(
            f"Next {text.count(_AHEAD_DAYS, 'day')}: {text.count(due.height, 'visit')} "
            f"{'falls' if due.height == 1 else 'fall'} due"
        ),
        due_words=_due_words(review, due),
        sure=_sure(proof),
        proven=proof is not None and proof.forecasts > 0,
        between=_between(review),
        open=_open(review),
    )


def shared_rows(reference: ReferencePart) -> str:
    """Return the rows of the figure of all shared effects, empty where none can be told."""
    return _effects(list(reference.effects[:_MOST_EFFECTS]), longest=_LONGEST_NAME)


def _kind(row: EffectRow) -> str:
    """Return of what an effect is, a word."""
    return row.what.split(",")[0]


def _effects(rows: list[EffectRow], *, longest: int) -> str:
    """Return rows of the figure of shared effects, empty where none can be told."""
    told = [row for row in rows if row.effect is not None]
    if not told:
        return ""
    names: dict[str, EffectRow] = {}
    for row in told:
        # Named by itself, or by what happened where several things happened to one.
        kind = _kind(row)
        what = "" if kind in _NAMED_KINDS else f"{_SHORT_KINDS.get(kind, kind)}: "
        which = row.name.replace(" calibrated ", " ").replace(" to ", " → ")
        name = text.shortened(f"{what}{which}", longest=longest)
        while name in names:
            name = f"{name} "
        names[name] = row
    frame = pl.DataFrame(
        {
            "name": list(names),
            "what": [row.what for row in told],
            "effect": [row.effect for row in told],
            "low": [row.low for row in told],
            "high": [row.high for row in told],
            "found": [row.found for row in told],
            "size": [
                f"{text.bias_with_unit(row.effect)} ({text.interval(row.low, row.high)})"
                for row in told
            ],
        }
    )
    return figure_rows("shared_effects", {"effects": frame})


def _due(review: Review) -> pl.DataFrame:
    """Return the meters that fall due in the days ahead, the first first."""
    last = review.as_of + timedelta(days=_AHEAD_DAYS)
    return (
        review.meters.filter(pl.col("next_due_on").is_between(review.as_of, last))
        .select("meter_id", "next_due_on", "obligations")
        .sort("next_due_on", "meter_id")
    )


def due_rows(review: Review) -> str:
    """Return rows of the figure of visits ahead: one a meter, of many one a week; empty of none."""
    due = _due(review)
    if due.is_empty():
        return ""
    told = due.with_columns(
        week=pl.col("next_due_on").dt.truncate("1w"),
        tone=pl.Series(
            [group_of(owed, retired=False)[1] for owed in due["obligations"]], dtype=pl.String
        ),
        on=pl.Series([text.day(on) for on in due["next_due_on"]], dtype=pl.String),
        meter=pl.Series(
            [text.shortened(name, longest=_LONGEST_NAME) for name in due["meter_id"]],
            dtype=pl.String,
        ),
    ).with_columns(rank=pl.int_range(1, pl.len() + 1).over("week"))
    many = due.height > _MOST_DOTS
    weeks = told.group_by("week").agg(count=pl.len()).sort("week")
    return figure_rows(
        "visits_due",
        {"due": told.head(0) if many else told, "weeks": weeks if many else weeks.head(0)},
    )


def _due_words(review: Review, due: pl.DataFrame) -> str:
    """Say which months the visits ahead fall into, and what is overdue."""
    months = Counter(on.replace(day=1) for on in due["next_due_on"])
    told = [f"{number} in {text.month(first)}" for first, number in sorted(months.items())]
    late = review.meters.filter(pl.col("overdue") & (pl.col("standing") != "retired")).height
    overdue = f"{text.count(late, 'meter')} overdue already." if late else "None is overdue."
    return f"{text.listed(told)}. {overdue}" if told else overdue


def _sure(proof: Proof | None) -> str:
    """Say how often past forecasts held."""
    if proof is None or not proof.forecasts:
        return "Cannot say yet: no visit on record could be forecast from the visits before it."
    return (
        f"Of {text.whole(proof.forecasts)} past readings forecast the same way, "
        f"{text.probability(proof.coverage)} fell in their {text.share(proof.band_level)} bands "
        f"({text.probability(proof.coverage_low)} to {text.probability(proof.coverage_high)})."
    )


def _between(review: Review) -> str:
    """Say how many meters are checked between calibrations, and which checks ask for one."""
    series = review.checks.series
    if series.is_empty():
        return ""
    kinds = text.listed(series["check"].unique().sort().to_list())
    open_signals = review.signals.filter(
        pl.col("chart").str.contains(CHECK_MARK) & pl.col("answered_on").is_null()
    )
    asking = open_signals["meter_id"].unique().sort().to_list()
    named = [text.shortened(name, longest=_SHORT_NAME) for name in asking[:_MOST_NAMED]]
    more = len(asking) - len(named)
    told = (
        f"{text.count(series['meter_id'].n_unique(), 'meter')} checked on "
        f"{text.count(int(series['days'].sum()), 'occasion')} ({kinds}). "
    )
    if not asking:
        return f"{told}Every signal of a check has a response."
    rest = f" and {more} more" if more else ""
    signals = text.count(open_signals.height, "signal")
    return f"{told}{signals} of checks without a response: {text.listed(named)}{rest}."


def _open(review: Review) -> str:
    """Say what an assessor would find open."""
    unanswered = review.signals.filter(pl.col("answered_on").is_null())
    clauses = answer_clauses(review)
    against = sum(one.state == CLAUSE_CONTRADICTED for one in clauses)
    shown = sum(one.state == SHOWN for one in clauses)
    told = []
    if unanswered.height:
        told.append(
            f"{text.count(unanswered.height, 'signal')} on "
            f"{text.count(unanswered['meter_id'].n_unique(), 'meter')} without a response"
        )
    if review.rows.held_back:
        told.append(f"{text.count(review.rows.held_back, 'row')} held back")
    told.append(
        f"of {text.count(len(clauses), 'clause')} {shown} {'is' if shown == 1 else 'are'} shown "
        f"and {against} contradicted"
    )
    listed = "; ".join(told)
    return f"{listed[:1].upper()}{listed[1:]}."
