"""This module says in words whether check meters hold, and what they say of each shift."""

from drift.format import (
    CANNOT_SAY,
    NO_BREAK,
    bias_with_unit,
    count,
    day,
    fixed,
    interval,
    p_value,
    probability,
    spread,
    whole,
)
from drift.frames import Row
from drift.limits.checks.placing import ARTEFACT
from drift.reference.check_meters.shifts import FLEET_DRIFT
from drift.reference.check_meters.steadiness import DRIFTS, FEWEST, NEVER_READ, STEADY
from drift.reference.check_meters.verdicts import (
    ADJUSTED_BETWEEN,
    CHANGED,
    NOBODY,
    NOT_SURE,
    ONE_SIDE,
    ONLY_DRIFTING,
    OTHERWISE,
    SURE,
    VESSEL,
)

_AIR = f"{NO_BREAK}%{NO_BREAK}air"
# A ratio beyond this is told as more than it.
_LARGE_RATIO = 1000
_WOULD_SHOW = "A check meter that is never adjusted, read in every session, would show"


def said_of_witness(row: Row) -> str:
    """Say whether a check meter or an artefact holds.

    Parameters
    ----------
    row : dict
        Of `drift.reference.check_meters.steadiness.CHECK_METERS`, but for ``sentence``.
    """
    name = _named(row)
    if row["finding"] == NEVER_READ:
        return (
            f"{name} is on record and has no reading or point check in % air: it can judge nothing "
            "yet. Read it with the vessel in every session."
        )
    told = [f"{name}: {count(row['sessions'], 'session')}, {_span(row)}."]
    if row["adjusted"]:
        times = "" if row["adjusted"] == 1 else f", the last of {row['adjusted']} times"
        told.append(
            f"It was adjusted on {day(row['adjusted_on'])}{times}. Its history begins anew there, "
            "and across that day it says nothing. A check meter must never be adjusted."
        )
    if row["jumped_pct"] is not None:
        told.append(
            f"It moved by {bias_with_unit(row['jumped_pct'])} between {day(row['jumped_from'])} "
            f"and {day(row['jumped_to'])}, with nothing on record: {_whose(row)}. {_silence(row)}"
        )
    return " ".join([*told, _drift_said(row)])


def _whose(row: Row) -> str:
    """Say whether a jump was its own, by what the meters read with the vessel did."""
    own = row["jumped_own"]
    if own is None:
        return "whether it moved or all others did cannot be said"
    if own <= 0.5:
        return f"it or all others ({probability(own)} for it alone)"
    if own < SURE:
        return f"most likely it did so by itself ({probability(own)})"
    return f"by itself ({probability(own)}), for the meters did not follow"


def _silence(row: Row) -> str:
    """Say from when on no verdict rests on what jumped without a record."""
    since = f"From {day(row['silent_from'])} on no verdict rests on it"
    if row["silent_until"] is not None:
        return f"{since}, until its adjustment of {day(row['silent_until'])} begins it anew."
    if row["kind"] == ARTEFACT:
        return f"{since}. Look for damage, or for another artefact in its place."
    return f"{since}: find out what was done to it and put that on record."


def _drift_said(row: Row) -> str:
    """Say what is known of its own drift."""
    if row["finding"] not in (STEADY, DRIFTS):
        return f"Too few to test a drift of its own: {FEWEST} sessions are needed."
    drift = f"{bias_with_unit(row['drift'])} a year"
    between = f"95{NO_BREAK}% interval {interval(row['drift_low'], row['drift_high'])}"
    if row["finding"] == DRIFTS:
        return (
            f"It drifts by itself, {drift} ({between}, p {p_value(row['drift_p'])}): it cannot say "
            "whether the vessel or the meters moved. Have it looked at, or choose another."
        )
    if row["drift_low"] > 0 or row["drift_high"] < 0:
        return f"It moves as the fleet does, {drift} ({between}): no drift of its own is shown."
    return f"No drift of its own is shown: {drift} ({between})."


def said_of_shift(row: Row) -> str:
    """Say what check meters make of a shift.

    Parameters
    ----------
    row : dict
        Of `drift.reference.check_meters.verdicts.REFERENCE_VERDICTS`, but for its sentences.
    """
    if row["p_vessel"] is None:
        return f"{CANNOT_SAY.capitalize()} whether the vessel or the meters moved: {_why(row)}."
    size = f"{bias_with_unit(row['change_pct'])} ± {spread(2 * row['change_error_pct'])}"
    yearly = " a year" if row["kind"] == FLEET_DRIFT else ""
    others = f", with {count(row['witnesses'] - 1, 'other')}" if row["witnesses"] > 1 else ""
    shown = f"Over the same dates {row['witness']}{others} showed {size}{yearly}."
    p = row["p_vessel"]
    if row["changed_on"] is not None:
        shown += (
            f" It changed without a record by {day(row['changed_on'])}: this rests on what it "
            "showed before."
        )
    if row["why"] == NOT_SURE:
        return (
            f"{shown} If both are equally likely beforehand, the chance is {probability(p)} that "
            f"the vessel moved and not the meters. A verdict needs {probability(SURE)}."
        )
    ratio = max(row["likelihood_ratio"], 1 / row["likelihood_ratio"])
    times = f"over {whole(_LARGE_RATIO)}" if ratio > _LARGE_RATIO else fixed(ratio, places=0)
    which, other, sure = (
        ("vessel", "meters", p) if row["verdict"] == VESSEL else ("meters", "vessel", 1 - p)
    )
    return (
        f"{shown} That is {times} times likelier if the {which} moved than if the {other} did: a "
        f"chance of {probability(sure)} for the {which}, if both are equally likely beforehand."
    )


def _why(row: Row) -> str:
    """Say why check meters say nothing."""
    size = bias_with_unit(row["change_pct"])
    return {
        NOBODY: "no check meter or artefact was read, so both are equally likely",
        ONLY_DRIFTING: "the check meter drifts by itself, or was read too seldom",
        ADJUSTED_BETWEEN: f"{row['witness']} was adjusted or jumped in between",
        ONE_SIDE: f"{row['witness']} was not read on both sides of it often enough",
        CHANGED: f"{row['witness']} had changed without a record by then",
        OTHERWISE: f"{row['witness']} moved in a way that neither explains ({size})",
    }[row["why"]]


def plan_of_shift(row: Row, *, steady: bool) -> str:
    """Say after how many sessions a check meter shows such a shift.

    Parameters
    ----------
    row : dict
        As for `said_of_shift`.
    steady : bool
        Whether a check meter that holds is on record, so that the scatter is its own.
    """
    if row["sessions_half"] is None:
        return ""
    whose = "The chart of such a check meter shows" if steady else _WOULD_SHOW
    told = f"{whose} it {sessions_said(row['sessions_half'], row['sessions_ninety'])}"
    told += f" (one session scatters by {spread(row['sigma_pct'])}{_AIR})."
    if row["sessions_sure"] is None:
        return told
    sure = count(int(row["sessions_sure"]), "session")
    return f"{told} In half of all cases {sure} would allow a verdict of {probability(SURE)}."


def sessions_said(half: float, ninety: float) -> str:
    """Say within how many sessions something shows, in half and in nine of ten cases."""
    if half == ninety:
        return f"within {count(int(ninety), 'session')} in nine cases of ten"
    return (
        f"within {count(int(half), 'session')} in half of all cases and within "
        f"{count(int(ninety), 'session')} in nine of ten"
    )


def said_of_outlook(size_pct: float, sigma_pct: float, sessions: tuple[float, float]) -> str:
    """Say what a check meter would show of a shift that has not been found yet."""
    return (
        f"{_WOULD_SHOW} a vessel that shifts by {spread(size_pct)}{_AIR} at 5{NO_BREAK}% "
        f"{sessions_said(*sessions)} (one session scatters by {spread(sigma_pct)}{_AIR}), and tell "
        "it from meters that shift together, which the fleet alone never can."
    )


def _named(row: Row) -> str:
    """Return the name of a witness with what it is."""
    name = row["witness"]
    return name[0].upper() + name[1:] if row["kind"] == ARTEFACT else f"Check meter {name}"


def _span(row: Row) -> str:
    """Return the days of a witness."""
    if row["first_on"] == row["last_on"]:
        return day(row["first_on"])
    return f"{day(row['first_on'])} to {day(row['last_on'])}"
