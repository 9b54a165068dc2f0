"""This module says which choice costs least and whether luck may reverse it.

A choice that the grounds ask for gives way to the cheapest only where its expected cost lies beyond
the range of the cheapest one's: within it, luck may reverse them.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import polars as pl

from drift.format import listed, plain
from drift.frames import Row
from drift.upkeep.choices import RetirementChoices
from drift.upkeep.retirement.costs import KEEP, MORE_OFTEN, RETIRE, SERVICE, money
from drift.upkeep.retirement.ground_table import Finding, judged_rows

# How each choice is named inside a sentence.
_NAMED = {
    KEEP: "keeping it as it is",
    MORE_OFTEN: "checking it more often",
    SERVICE: "a service",
    RETIRE: "a new meter",
}
Costs = Mapping[str, Row]


@dataclass(frozen=True, slots=True)
class Cheapest:
    """The cheapest of the choices that are open.

    Attributes
    ----------
    choice : str
        It.
    near : tuple of str
        The other open choices whose expected cost lies within its range, in the order of costs.
    """

    choice: str
    near: tuple[str, ...]


def costs_of(costs: pl.DataFrame) -> dict[str, dict[str, Row]]:
    """Return the priced choices of each meter, of a frame of `CHOICE_COSTS`."""
    found: dict[str, dict[str, Row]] = {}
    for row in costs.drop_nulls("expected_cost").iter_rows(named=True):
        found.setdefault(row["meter_id"], {})[row["choice"]] = row
    return found


def cheapest_of(costs: Costs, open_to: Collection[str], *, cost_ratio: float) -> Cheapest | None:
    """Return the cheapest of some choices, None where fewer than two of them are priced.

    Parameters
    ----------
    costs : mapping of str to dict
        Priced choices, rows of `CHOICE_COSTS`.
    open_to : collection of str
        Choices that the grounds leave.
    cost_ratio : float
        What a new meter's cost counts for: over 1 where the laboratory would rather keep.
    """
    counts = _counting(costs, cost_ratio)
    priced = sorted((name for name in costs if name in open_to), key=lambda name: counts[name][0])
    if len(priced) < 2:
        return None
    least = priced[0]
    near = [name for name in priced[1:] if counts[name][0] <= counts[least][1]]
    return Cheapest(least, tuple(near))


def _counting(costs: Costs, cost_ratio: float) -> dict[str, tuple[float, float]]:
    """Return what each choice counts for: its expected cost and the high end of its range."""
    factor = {name: cost_ratio if name == RETIRE else 1.0 for name in costs}
    return {
        name: (row["expected_cost"] * factor[name], row["high_cost"] * factor[name])
        for name, row in costs.items()
    }


def judge_cheaper(
    seen: pl.DataFrame, costs: Mapping[str, Costs], *, choices: RetirementChoices
) -> pl.DataFrame:
    """Return the ground that another choice is cheaper than keeping the meter as it is.

    Parameters
    ----------
    seen : pl.DataFrame
        ``meter_id``.
    costs : mapping of str to mapping
        Of `costs_of`.
    choices : RetirementChoices

    Returns
    -------
    pl.DataFrame
        Columns of `GROUNDS`; the value is the expected cost of keeping it over the
        high end of the range of the cheapest other choice.
    """

    def cheaper(row: Row) -> Finding:
        mine = costs.get(row["meter_id"], {})
        best = cheapest_of(mine, list(mine), cost_ratio=choices.cost_ratio)
        if best is None or KEEP not in mine:
            return None, 1.0, "Fewer than two choices can be priced."
        kept = mine[KEEP]
        counts = _counting(mine, choices.cost_ratio)
        other = min(sorted(mine.keys() - {KEEP}), key=lambda name: counts[name][0])
        value = kept["expected_cost"] / counts[other][1]
        told = f"{_over(choices)} {_costs(KEEP, kept)} is expected"
        if best.choice == KEEP:
            return value, 1.0, f"{told} to cost least."
        lies = f"{'within' if KEEP in best.near else 'beyond'} the range of the cheapest"
        return value, 1.0, f"{told}, {_costs(best.choice, mine[best.choice])}: {lies}."

    return judged_rows(seen, seen.select("meter_id"), {"cheaper_choice": cheaper})


def cost_words(
    costs: Costs, answer: str, best: Cheapest | None, *, choices: RetirementChoices
) -> str:
    """Say what the costs have to do with a recommendation; empty where they are not known."""
    if best is None or answer not in costs:
        return ""
    mine, least = costs[answer], costs[best.choice]
    if answer != best.choice:
        return (
            f"{_over(choices)} {_NAMED[best.choice]} is expected to cost less, {_range(least)}, "
            f"than {_costs(answer, mine)}, but the two ranges overlap: luck may reverse them."
        )
    cheaper = [name for name in costs if name != answer and _dearer(costs, answer, name)]
    told = "Of the choices that would remedy it" if cheaper else _over(choices)
    told += f" {_NAMED[answer]} is expected to cost least, {_range(mine)}"
    if answer != KEEP and KEEP not in best.near and _dearer(costs, KEEP, answer):
        told += f"; {_costs(KEEP, costs[KEEP])}"
    told += "."
    if cheaper:
        others = listed([_costs(name, costs[name]) for name in cheaper])
        told += f" Cheaper, but no remedy: {others}."
    if best.near:
        others = listed([_costs(name, costs[name]) for name in best.near])
        verb = "lies" if len(best.near) == 1 else "lie"
        told += f" Within that range {verb} {others}: luck may reverse them."
    return told


def _dearer(costs: Costs, one: str, other: str) -> bool:
    """Whether one priced choice is expected to cost more than another."""
    both = one in costs and other in costs
    return both and bool(costs[one]["expected_cost"] > costs[other]["expected_cost"])


def _over(choices: RetirementChoices) -> str:
    """Return the horizon at the beginning of a sentence."""
    return f"Over {plain(choices.horizon_years)} years"


def _costs(choice: str, row: Row) -> str:
    """Return a choice with its cost and the range of it."""
    return f"{_NAMED[choice]} {_range(row)}"


def _range(row: Row) -> str:
    """Return a cost with its range."""
    return f"{money(row['expected_cost'])} ({money(row['low_cost'])} to {money(row['high_cost'])})"
