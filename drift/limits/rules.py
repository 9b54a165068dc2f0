"""This module lets rules judge charted points.

Zones are thirds of the distance from a point's centre to its limit, so that limits which were
widened on purpose (few visits, a coarse dial) widen the zones with them.  On 3-sigma charts a third
is one standard deviation, and the rules are the published ones.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import polars as pl
from numpy.typing import NDArray

from drift.frames import Schema
from drift.ids import did_you_mean
from drift.limits import rule_zones as steps
from drift.limits.rule_zones import (
    DIRECTIONS,
    MARGIN,
    OUTER,
    ZONES,
    Machine,
    Step,
    machine_of,
    zones_of,
)

_GROUP = ("series", "chart", "phase")
_SYMBOLS = tuple((zone, direction) for zone in ZONES for direction in DIRECTIONS)

# One row per finding of a rule on a chart: limit is the bound passed, null for a run.
FINDINGS: Schema = {
    "series": pl.Int64,
    "chart": pl.String,
    "rule": pl.String,
    "visit": pl.Int64,
    "value": pl.Float64,
    "limit": pl.Float64,
}


@dataclass(frozen=True, slots=True)
class Rule:
    """One way in which a chart can speak.

    Attributes
    ----------
    name : str
        Its lasting name, in the policy, in signals and in the documents.
    title : str
        What it looks for, as a short noun phrase.
    detects, matters, misleads : str
        What it sees; why that matters on an air meter; when it says something that is not there.
    source : str
        Where it was published.
    charts : tuple of str
        Charts on whose points it can be used; empty for every chart.
    bound_third : int
        Third of the band whose edge a point must pass: 3 for the limit, 0 where it has none.
    step : Step
        The rule itself.
    """

    name: str
    title: str
    detects: str
    matters: str
    misleads: str
    source: str
    charts: tuple[str, ...]
    bound_third: int
    step: Step


def rules_named(names: tuple[str, ...]) -> tuple[Rule, ...]:
    """Return the rules of these names, in the order of `RULES`.

    Raises
    ------
    ValueError
        If a name is unknown; the message gives the nearest name and all of them.
    """
    known = {rule.name: rule for rule in RULES}
    for name in names:
        if name not in known:
            hint = did_you_mean(name, known)
            raise ValueError(
                f"unknown rule {name!r}: {hint}{' ' if hint else ''}"
                f"The rules are {', '.join(known)}."
            )
    return tuple(rule for rule in RULES if rule.name in names)


def apply_rules(points: pl.DataFrame, *, rules: tuple[str, ...]) -> pl.DataFrame:
    """Let rules judge the points of any number of series and charts.

    Parameters
    ----------
    points : pl.DataFrame
        Frame of `drift.limits.charts.shape.CHARTED`, in any order.  Rules look at one phase of one
        chart at a time.  Points without a value, a centre or a limit are passed over: the points on
        either side of them count as neighbours.  Where there is a column ``resolution_pct``, values
        are taken as rounded to it (null for not rounded): see `drift.limits.rule_zones`.
    rules : tuple of str
        Names of rules; a rule is used on the charts that its row in `RULES` lists.

    Returns
    -------
    pl.DataFrame
        Frame of `drift.limits.rules.FINDINGS`: ``visit`` is where the rule signalled (the visit
        that completes a pattern), ``limit`` the bound that its point passed, null for a run. A rule
        that has signalled starts afresh with the next point, so that a pattern which goes on
        signals again each time it is complete anew.

    Raises
    ------
    ValueError
        If a rule is unknown.
    """
    chosen = rules_named(rules)
    read = _read(points)
    found = [_findings(read, rule, _spoken(read, rule)) for rule in chosen]
    if not found:
        return pl.DataFrame(schema=FINDINGS)
    return pl.concat(found).sort("series", "chart", "rule", "visit")


@dataclass(frozen=True, slots=True)
class _Read:
    """Points that a rule can use, sorted by phase and visit, as it sees them.

    `zone` and `symbol` are given per point, `third` is a third of the band on that point's side;
    `start` and `length` delimit the phases.
    """

    frame: pl.DataFrame
    zone: NDArray[np.int64]
    symbol: NDArray[np.int64]
    third: NDArray[np.float64]
    start: NDArray[np.int64]
    length: NDArray[np.int64]


def _read(points: pl.DataFrame) -> _Read:
    """Drop the points that no rule can use and give the others their zones and directions."""
    high, low = pl.col("upper") - pl.col("centre"), pl.col("centre") - pl.col("lower")
    step = pl.col("resolution_pct") if "resolution_pct" in points.columns else pl.lit(0.0)
    frame = (
        points.select(
            *_GROUP, "visit", "value", "centre", "lower", "upper", half_step=step.fill_null(0.0) / 2
        )
        .with_columns(pl.col("value", "centre", "lower", "upper").fill_nan(None))
        .with_columns(above=pl.coalesce(high, low), below=pl.coalesce(low, high))
        .filter(
            pl.col("value").is_finite() & (pl.col("above") > MARGIN) & (pl.col("below") > MARGIN)
        )
        .sort(*_GROUP, "visit", maintain_order=True)
    )
    deviation = (frame["value"] - frame["centre"]).to_numpy()
    limited = np.where(
        deviation > 0,
        frame["upper"].is_not_null().to_numpy(),
        frame["lower"].is_not_null().to_numpy(),
    )
    third = np.where(deviation > 0, frame["above"].to_numpy(), frame["below"].to_numpy()) / 3
    zone = zones_of(deviation, third=third, half_step=frame["half_step"].to_numpy())
    # A side without a limit cannot be passed.
    zone = np.where(limited, zone, np.clip(zone, -OUTER, OUTER))
    if frame.is_empty():
        start = np.zeros(0, dtype=np.int64)
    else:
        new = frame.select(pl.struct(_GROUP).rle_id()).to_series().to_numpy()
        start = np.flatnonzero(np.diff(new, prepend=-1)).astype(np.int64)
    moved = np.diff(frame["value"].to_numpy(), prepend=0.0)
    direction = np.where(np.abs(moved) > MARGIN, np.sign(moved), 0.0).astype(np.int64)
    direction[start] = 0
    return _Read(
        frame=frame,
        zone=zone,
        symbol=(zone - ZONES[0]) * len(DIRECTIONS) + direction - DIRECTIONS[0],
        third=third,
        start=start,
        length=np.diff(start, append=len(frame)),
    )


def _spoken(read: _Read, rule: Rule) -> NDArray[np.bool_]:
    """Return for each point whether `rule` speaks there: its machine run along every phase."""
    machine = _MACHINES[rule.name]
    spoke = np.zeros(len(read.frame), dtype=np.bool_)
    fit = np.ones(len(read.start), dtype=np.bool_)
    if rule.charts:
        fit = read.frame["chart"].gather(read.start).is_in(rule.charts).to_numpy()
    if len(machine.following) == 1:  # without memory each point is judged by itself
        spoke = machine.speaks[0][read.symbol] & np.repeat(fit, read.length)
        return np.asarray(spoke)
    # Phases from long to short, so that those still running are always the first ones.
    order = np.argsort(-read.length[fit], kind="stable")
    start, length = read.start[fit][order], read.length[fit][order]
    state = np.zeros(len(start), dtype=np.int32)
    running = len(start)
    for place in range(int(length[0]) if len(length) else 0):
        running = int(np.searchsorted(-length[:running], -place, side="left"))
        here = start[:running] + place
        symbol = read.symbol[here]
        spoke[here] = machine.speaks[state[:running], symbol]
        state[:running] = machine.following[state[:running], symbol]
    return spoke


def _findings(read: _Read, rule: Rule, spoke: NDArray[np.bool_]) -> pl.DataFrame:
    """Return the points at which `rule` spoke as findings."""
    third, zone = read.third[spoke], read.zone[spoke]
    frame = read.frame.filter(spoke)
    bound = pl.Series(np.sign(zone) * rule.bound_third * third)
    exact = pl.when(pl.Series(zone) > 0).then("upper").otherwise("lower")
    limit = pl.lit(None) if not rule.bound_third else pl.col("centre") + bound
    return frame.select(
        "series",
        "chart",
        rule=pl.lit(rule.name),
        visit="visit",
        value="value",
        limit=(exact if rule.bound_third == 3 else limit).cast(pl.Float64),
    )


_INDEPENDENT = ("individuals", "mean")
_HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2 (from memory)"
_CHAMP = "Champ and Woodall (1987), Technometrics 29, 393-399; " + _HANDBOOK

RULES: tuple[Rule, ...] = (
    Rule(
        name="beyond_limits",
        title="a point beyond a control limit",
        detects="One point outside the control limits.",
        matters="A drop, a hand that slipped, a leak or a wrong vessel shows at one visit.",
        misleads="A misread dial or a slip of the pen does the same; so do limits from few visits.",
        source="ISO 7870-2, and the 3-sigma rule of Shewhart (1931), both from memory; " + _CHAMP,
        charts=(),
        bound_third=3,
        step=steps.beyond_limits,
    ),
    Rule(
        name="two_of_three_outer",
        title="two of three points in the outer third",
        detects="Two of three successive points in the outer third of the band, on one side.",
        matters="A sizeable shift that stops short of the limit, seen within three visits.",
        misleads="Two visits with the same wrong vessel or operator look alike.",
        source=_CHAMP,
        charts=_INDEPENDENT,
        bound_third=2,
        step=steps.two_of_three_outer,
    ),
    Rule(
        name="four_of_five_middle",
        title="four of five points past the inner third",
        detects="Four of five successive points past the inner third of the band, on one side.",
        matters="A shift of about one standard deviation: often the mark or the vessel.",
        misleads="A centre set from a few visits that were themselves off draws the rest aside.",
        source=_CHAMP,
        charts=_INDEPENDENT,
        bound_third=1,
        step=steps.four_of_five_middle,
    ),
    Rule(
        name="long_run_one_side",
        title="a long run on one side of the centre",
        detects=f"{steps.LONG_RUN} successive points on one side of the centre.",
        matters="The level has moved a little and stayed: a slow drift begins like this.",
        misleads="On a coarse dial most readings can share one step beside the centre for years.",
        source=_CHAMP,
        charts=_INDEPENDENT,
        bound_third=0,
        step=steps.long_run_one_side,
    ),
    Rule(
        name="steady_climb",
        title="a steady rise or fall",
        detects=f"{steps.CLIMB} successive points, each higher, or each lower, than the last.",
        matters="A drift far faster than the scatter; no limits are needed to see it.",
        misleads="It is slow to see ordinary drift, and a coarse dial repeats readings, which ends "
        "a climb.",
        source="Run of six rising or falling points: " + _HANDBOOK + "; that it sees little drift: "
        "Davis and Woodall (1988), Journal of Quality Technology 20, 260-262 (from memory)",
        charts=_INDEPENDENT,
        bound_third=0,
        step=steps.steady_climb,
    ),
    Rule(
        name="wide_swing",
        title="a swing from one outer third to the other",
        detects="A point in the outer third of the band right after one on the other side.",
        matters="The mark was moved too far, or two vessels or operators take turns.",
        misleads="An adjustment that was right starts a new phase; where none was recorded, it "
        "shows as a swing.",
        source="The range rule of Westgard and others (1981), Clinical Chemistry 27, 493-501 "
        "(from memory), for successive visits",
        charts=_INDEPENDENT,
        bound_third=2,
        step=steps.wide_swing,
    ),
)

_MACHINES: Mapping[str, Machine] = MappingProxyType(
    {rule.name: machine_of((rule.step,), symbols=_SYMBOLS) for rule in RULES}
)
