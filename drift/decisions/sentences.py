"""This module says in one sentence what a rule saw; it decides nothing."""

from collections.abc import Callable, Mapping
from functools import partial
from types import MappingProxyType

from drift.format import BIAS_PLACES, NO_BREAK, bias, fixed, spread, words_of
from drift.stats.rule_machines import CLIMB, LONG_RUN

# Recorded values carry no more.
_MOST_PLACES = 9
_NUMBER = MappingProxyType({6: "six", 8: "eight"})

# What each chart plots, and whether its values carry a sign.
_PLOTTED: Mapping[str, tuple[str, bool]] = MappingProxyType(
    {
        "individuals": ("as-found bias", True),
        "mean": ("mean as-found bias", True),
        "moving_range": ("change of bias from the visit before", False),
        "spread": ("scatter of the replicates", False),
        "range": ("range of the replicates", False),
        "repeatability": ("scatter of the replicates", False),
        "ewma": ("weighted mean of the biases so far", True),
        "cusum_high": ("cumulative sum of biases above the centre", True),
        "cusum_low": ("cumulative sum of biases below the centre", True),
        "mark": ("position of the initial pressure mark", True),
        "mark_moves": ("move of the initial pressure mark", True),
    }
)


def sentence(
    rule: str,
    *,
    chart: str,
    value: float,
    limit: float | None,
    on: str,
    centre: float | None = None,
    unit: str = "% air",
    began: str | None = None,
    shift: float | None = None,
) -> str:
    """Return what a rule saw, in one sentence with its numbers and units.

    Parameters
    ----------
    rule, chart : str
        Names, as in a finding.
    value : float
        The point at which the rule spoke, in `unit`.
    limit : float or None
        The bound that the point passed, as in a finding; None for a run.
    on : str
        The date of the visit, as it is to be shown.
    centre : float or None
        The chart's centre there, where known: a run then says on which side it lay.
    unit : str
        Unit of value, limit and centre.
    began, shift : str or None, float or None
        First visit after the shift that a CUSUM speaks of, as it is to be shown, and its size.

    Returns
    -------
    str
        A sentence with its full stop.

    Raises
    ------
    ValueError
        If no sentence is known for the rule.
    """
    plotted, signed = _PLOTTED.get(chart, (f"point of the chart of {words_of(chart)}", True))
    number = _number_words(value, limit, signed=signed)
    unit = unit.replace(" ", NO_BREAK)
    shown = f"{number(value)}{NO_BREAK}{unit}"
    side = "on one side of"
    if centre is not None:
        side = "above" if value > centre else "below"
    edge, where, end = "an unknown limit", "past", "control"
    if limit is not None:
        edge = f"{number(limit)}{NO_BREAK}{unit}"
        where, end = ("above", "upper control") if value > limit else ("below", "lower control")
    texts = {
        "beyond_limits": f"On {on} the {plotted} was {shown}, {where} the {end} limit of {edge}",
        "two_of_three_outer": (
            f"Two of three visits in a row, the last on {on} at {shown}, put the {plotted} "
            f"{where} {edge}, in the outer third of the control band or past it"
        ),
        "four_of_five_middle": (
            f"Four of five visits in a row, the last on {on} at {shown}, put the {plotted} "
            f"{where} {edge}, past the inner third of the control band"
        ),
        "long_run_one_side": (
            f"At {_NUMBER[LONG_RUN]} visits in a row, the last on {on} at {shown}, the {plotted} "
            f"lay {side} the centre line"
        ),
        "steady_climb": (
            f"Over {_NUMBER[CLIMB]} visits in a row, the last on {on} at {shown}, the {plotted} "
            "moved the same way each time"
        ),
        "wide_swing": (
            f"On {on} the {plotted} was {shown}, {where} {edge}, right after a visit "
            "as far out on the other side"
        ),
    }
    if rule not in texts:
        raise ValueError(f"no sentence is known for the rule {rule!r}")
    return f"{texts[rule]}{_onset(began, shift, unit)}."


def _number_words(
    value: float, limit: float | None, *, signed: bool
) -> Callable[[float | None], str]:
    """Return how to write a value and its limit: with just enough places to tell them apart."""
    usual = bias if signed else spread
    if limit is None or value == limit or usual(value) != usual(limit):
        return usual
    for places in range(BIAS_PLACES + 1, _MOST_PLACES):
        if fixed(value, places=places) != fixed(limit, places=places):
            break
    return partial(fixed, places=places, signed=signed)


def _onset(began: str | None, shift: float | None, unit: str) -> str:
    """Return the clause on the shift that a CUSUM speaks of, empty where there is none."""
    if began is None or shift is None:
        return ""
    size = f"{bias(shift)}{NO_BREAK}{unit}"
    return f"; the shift behind it is estimated as {size} since {began}"
