"""This module says in one sentence what a study of the method found."""

from collections.abc import Collection

import polars as pl

from drift import format as text
from drift.forecast.proof import Proof
from drift.limits.runs.detectability import Detectability

# Drift that findings speak of, % air a year: one of those studied.
TOLD_DRIFT = 0.08
# What notices a drift, in words; the last two are charts that a policy may leave out.
_MONITORS = {
    "tolerance_check": "the check against the tolerance",
    "beyond_limits": "limits of single visits",
    "ewma": "EWMA",
    "cusum": "CUSUM",
}
_CHOSEN = ("ewma", "cusum")
_AIR = f"{text.NO_BREAK}%{text.NO_BREAK}air"


def notice(found: Detectability, *, charts: Collection[str]) -> tuple[str, ...]:
    """Say how soon the charts in force notice a drift, and at what price.

    Parameters
    ----------
    found : Detectability
        What was studied.
    charts : collection of str
        Charts that the policy draws.

    Returns
    -------
    tuple of str
        The finding first, then what it rests on.
    """
    unseen = [name for name in _CHOSEN if name not in charts]
    drifts = found.drifts.filter(pl.col("drift_pct_per_year") == TOLD_DRIFT)
    sooner = drifts.filter(~pl.col("monitor").is_in(unseen)).drop_nulls("mean_years")
    rows = sooner.sort("mean_years").to_dicts()
    drift = f"A drift of {text.plain(TOLD_DRIFT)}{_AIR} a year"
    if not rows:
        return (f"{drift} is not noticed by any chart in force.",)
    told = [
        f"{_monitor(row['monitor'])} {text.fixed(row['mean_years'], places=1)} years"
        for row in rows
    ]
    alarms = found.false_alarms.filter(~pl.col("monitor").is_in(unseen)).to_dicts()
    rates = [
        f"{_monitor(row['monitor'])} {text.fixed(row['false_alarms_a_quarter'], places=2)}"
        for row in alarms
    ]
    return (
        f"{drift} is noticed after {_about(rows[0]['mean_years'])}.",
        f"On average: {text.listed(told)}.",
        (
            "False alarms a quarter in a sound fleet of "
            f"{text.count(found.watch.meters, 'meter')}: "
            f"{text.listed(rates)}."
        ),
    )


def _monitor(name: str) -> str:
    """Return what notices a drift, in words."""
    return _MONITORS.get(name, text.words_of(name))


def _about(years: float) -> str:
    """Return a time no more exactly than a reader needs."""
    months = round(years * 12)
    if months < 11:
        return f"about {text.count(months, 'month')}"
    return "about a year" if months <= 14 else f"about {text.fixed(years, places=1)} years"


def foreseen(proof: Proof) -> str:
    """Say what flags on past forecasts would have caught, or why that cannot be said."""
    if proof.forecasts == 0:
        return "Too little history to judge the forecaster: no series has two visits."
    if proof.failures == 0:
        return "No visit found a meter out, so nothing can be said of what flags would catch."
    flag = min(proof.flags, key=lambda one: one.threshold)
    false = flag.flags - flag.caught
    return (
        f"{text.whole(flag.caught)} of {text.count(flag.failures, 'failure')} flagged "
        "a visit ahead, "
        f"{text.count(false, 'false alarm')} (flagged where the forecast chance of being found out "
        f"was {text.share(flag.threshold)} or more)."
    )
