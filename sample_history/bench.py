"""This module plays the technician at the bench: reads dials, adjusts meters; it writes no file."""

import math
import random
from dataclasses import dataclass, replace
from datetime import date, timedelta
from statistics import NormalDist, fmean

from sample_history import scenario
from sample_history.dial import (
    Condition,
    error_after,
    hand_shift_for,
    mark_after,
    mark_error_for,
    reading_pct,
)
from sample_history.scenario import Event, Meter, Operator, Vessel


@dataclass(frozen=True, slots=True)
class State:
    """A meter at one moment: its condition, its mark and what scatters from reading to reading."""

    condition: Condition
    mark_pct: float
    noise_pct: float
    wet_pct: float = 0.0
    leak_pct: float = 0.0


@dataclass(frozen=True, slots=True)
class Visit:
    """One visit of one meter, before anything is read."""

    meter: Meter
    number: int
    on: date
    operator: Operator
    vessel: Vessel
    setting: float
    water_temp_c: str


@dataclass(frozen=True, slots=True)
class Found:
    """One reading as the technician wrote it down."""

    draws: int
    replicate: int
    correct_pct: float
    steps: int


def normal(rng: random.Random) -> float:
    """Return a standard normal number; the stream of `random()` itself is what Python promises."""
    return NormalDist().inv_cdf(rng.random())


def visit_dates(meter: Meter, rng: random.Random) -> list[date]:
    """Return the working days of a meter's visits, within five days of their due dates."""
    dates = []
    for number in range(meter.visits):
        due = meter.first_on + timedelta(days=meter.interval_days * number)
        on = due + timedelta(days=rng.randint(-5, 3))
        weekend = max(0, on.isoweekday() - 5)
        dates.append(on + timedelta(days=3 - weekend if weekend else 0))
    return dates


def vessel_for(site: str, on: date) -> Vessel:
    """Return the vessel in force on a bench: the one last taken into use there."""
    return max(
        (v for v in scenario.VESSELS if site in v.sites and v.used_from <= on),
        key=lambda v: v.used_from,
    )


def operator_for(site: str, rng: random.Random) -> Operator:
    """Return who does a visit, drawn by the shares of the bench."""
    shares = [operator.shares[site] for operator in scenario.OPERATORS]
    return rng.choices(scenario.OPERATORS, weights=shares)[0]


def read_all(state: State, visit: Visit, rng: random.Random) -> list[Found]:
    """Return the readings of one stage: every point, every replicate."""
    meter = visit.meter
    chamber_pct = 100 * meter.chamber_bowl_ratio
    found = []
    for draws in scenario.POINTS:
        correct = round(draws * visit.vessel.air_pct, 2)
        true_air = draws * visit.vessel.air_pct * (1 + visit.vessel.excess)
        for replicate in range(1, meter.replicates + 1):
            lost_pct = -math.log(1 - rng.random()) * state.leak_pct
            wet_pct = (0.2 + 1.6 * rng.random()) * state.wet_pct
            condition = replace(
                state.condition,
                mark_error=state.condition.mark_error
                + visit.setting
                + mark_error_for(bias_pct=lost_pct, air_pct=10, chamber_pct=chamber_pct),
                chamber_water=wet_pct / (10 + wet_pct),
            )
            shown = reading_pct(true_air, chamber_pct=chamber_pct, condition=condition)
            shown += visit.operator.reads_high_pct + state.noise_pct * normal(rng)
            steps = round(shown / meter.resolution_pct)
            found.append(Found(draws, replicate, correct, steps))
    return found


def biases(found: list[Found], meter: Meter, draws: int) -> list[float]:
    """Return reading minus correct air content of the replicates of one point, % air."""
    return [
        round(one.steps * meter.resolution_pct - one.correct_pct, 6)
        for one in found
        if one.draws == draws
    ]


def is_out(found: list[Found], meter: Meter) -> bool:
    """Say whether two readings of a point are off on the same side beyond the limit."""
    limit = meter.acts_beyond_pct
    for draws in scenario.POINTS:
        off = biases(found, meter, draws)
        if sum(bias > limit for bias in off) > 1 or sum(bias < -limit for bias in off) > 1:
            return True
    return False


def fitted(found: list[Found], meter: Meter, remedy: scenario.Remedy) -> float:
    """Return the mark error or hand shift that best explains the mean biases (least squares)."""
    chamber_pct = 100 * meter.chamber_bowl_ratio
    seen, shape = [], []
    for draws in scenario.POINTS:
        air = next(one.correct_pct for one in found if one.draws == draws)
        seen.append(fmean(biases(found, meter, draws)))
        whole = air + chamber_pct
        shape.append(-whole * (1 if remedy == "mark" else air / chamber_pct))
    return sum(s * b for s, b in zip(shape, seen, strict=True)) / sum(s * s for s in shape)


def adjusted(state: State, found: list[Found], visit: Visit, rng: random.Random) -> State:
    """Return the meter after the technician's remedy for what was found."""
    meter = visit.meter
    error = fitted(found, meter, meter.remedy)
    if meter.remedy == "dry":
        return replace(state, wet_pct=0.0)
    if meter.remedy == "hand":
        left = state.condition.hand_shift - error + scenario.HAND_SETTING_SD * normal(rng)
        return replace(state, condition=replace(state.condition, hand_shift=left))
    chamber_pct = 100 * meter.chamber_bowl_ratio
    wanted = mark_after(mark_pct=state.mark_pct, error=error, chamber_pct=chamber_pct)
    mark = round(wanted / scenario.MARK_STEP_PCT) * scenario.MARK_STEP_PCT
    left = error_after(
        error=state.condition.mark_error,
        old_mark_pct=state.mark_pct,
        new_mark_pct=mark,
        chamber_pct=chamber_pct,
    )
    return replace(state, condition=replace(state.condition, mark_error=left), mark_pct=mark)


def drifted(state: State, meter: Meter, years: float, rng: random.Random) -> State:
    """Return the meter as time, use and chance have left it `years` later."""
    chamber_pct = 100 * meter.chamber_bowl_ratio
    mark = mark_error_for(
        bias_pct=meter.drift_pct_per_year * years, air_pct=10, chamber_pct=chamber_pct
    )
    hand = hand_shift_for(
        bias_pct=meter.hand_drift_pct_per_year * years, air_pct=10, chamber_pct=chamber_pct
    )
    condition = replace(
        state.condition,
        mark_error=state.condition.mark_error + mark + scenario.WANDER_SD * normal(rng),
        hand_shift=state.condition.hand_shift + hand,
    )
    return replace(state, condition=condition)


def struck(state: State, event: Event, meter: Meter) -> State:
    """Return the meter after an event."""
    chamber_pct = 100 * meter.chamber_bowl_ratio
    condition = state.condition
    if event.what == "water":
        return replace(state, wet_pct=event.bias_pct)
    if event.what == "leak":
        return replace(state, leak_pct=event.bias_pct)
    if event.what == "hand_knocked":
        turn = hand_shift_for(bias_pct=event.bias_pct, air_pct=10, chamber_pct=chamber_pct)
        condition = replace(condition, hand_shift=condition.hand_shift + turn)
    else:
        error = mark_error_for(bias_pct=event.bias_pct, air_pct=10, chamber_pct=chamber_pct)
        condition = replace(condition, mark_error=condition.mark_error + error)
    return replace(state, condition=condition)
