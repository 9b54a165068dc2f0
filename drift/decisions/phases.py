"""This module says in a sentence what comparing new visits with old ones means for their limits."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import polars as pl

from drift.format import count, fixed, known, p_value, plain
from drift.frames import Schema
from drift.stats import baseline_change as change
from drift.stats import phase_comparison as phase

# One row per series and comparison: `data/phases.csv`.  compared is "new phase" (its first visits
# against the baseline in force) or "since the baseline" (all later visits of the same limits
# against it).  f is the larger variance over the smaller, t the level of old less that of new in
# standard errors; null where they cannot be computed.  limits_phase names the phase whose limits
# are in force.
COMPARED: Schema = {
    "meter_id": pl.String,
    "point_pct": pl.Float64,
    "phase": pl.Int64,
    "began_on": pl.Date,
    "why": pl.String,
    "compared": pl.String,
    "old_visits": pl.Int64,
    "new_visits": pl.Int64,
    "f": pl.Float64,
    "f_p": pl.Float64,
    "t": pl.Float64,
    "t_df": pl.Float64,
    "t_p": pl.Float64,
    "verdict": pl.String,
    "limits_phase": pl.Int64,
    "sentence": pl.String,
}
NEW_PHASE, SINCE = "new phase", "since the baseline"

_OF_PHASES: Mapping[str, str] = MappingProxyType(
    {
        phase.GOES_ON: "the limits before it go on",
        phase.OWN_BASELINE: "a baseline of its own, spread pooled with what came before",
        phase.LEVEL: "a centre of its own, spread pooled with what came before",
        phase.SPREAD: "limits of its own, nothing pooled with what came before",
        phase.OTHER_GAUGE: "another gauge, limits of its own, nothing pooled with the one before",
        phase.CANNOT_SAY: "limits of its own",
    }
)
_OF_LATER_VISITS: Mapping[str, str] = MappingProxyType(
    {
        change.ALIKE: "they may be pooled with the baseline",
        change.CANNOT_SAY: (
            "whether they may be pooled with the baseline cannot be said, the dial's steps hide "
            "the spread"
        ),
        change.SPREAD: "do not pool them with the baseline, find out why",
        change.LEVEL: "do not pool them with the baseline, find out why",
    }
)
# What keeps visits from being pooled, whatever the tests of a whole baseline say.
_UNSETTLED = "do not pool them with the baseline while {} stands"


def tell_phases(
    phases: pl.DataFrame,
    since: pl.DataFrame,
    *,
    ledger: pl.DataFrame,
    levels: tuple[float, float],
    unsettled: Mapping[int, str] = MappingProxyType({}),
) -> pl.DataFrame:
    """Return what was compared, each with a sentence.

    Parameters
    ----------
    phases : pl.DataFrame
        Frame of `drift.stats.phase_comparison.PHASES`.
    since : pl.DataFrame
        Frame of `drift.stats.baseline_change.CHANGES`.
    ledger : pl.DataFrame
        Frame of `drift.frames.LEDGER`.
    levels : tuple of float
        Level of the t test of new phases, and of visits since a baseline.
    unsettled : mapping of int to str
        Of series in which a jump or a signal stands: which of these.

    Returns
    -------
    pl.DataFrame
        Frame of `COMPARED`, by meter, point, phase and what was compared; baselines with too few
        visits since are left out.
    """
    begun = ledger.select(
        "series", "meter_id", "point_pct", "performed_on", "phase_began", first_visit="visit"
    )
    names = begun.select("series", "meter_id", "point_pct").unique()
    restarts = phases.join(begun, on=["series", "first_visit"], how="left").with_columns(
        compared=pl.lit(NEW_PHASE), began_on="performed_on", why="phase_began"
    )
    later = (
        since.filter(pl.col("verdict") != change.TOO_FEW)
        .rename({"old_points": "old_visits", "new_points": "new_visits"})
        .join(names, on="series", how="left")
        .with_columns(
            compared=pl.lit(SINCE),
            began_on=pl.lit(None, dtype=pl.Date),
            why=pl.lit(None, dtype=pl.String),
            limits_phase="phase",
        )
    )
    columns = ["series", *(name for name in COMPARED if name != "sentence")]
    rows = pl.concat([restarts.select(columns), later.select(columns)])
    told = pl.Series(
        [
            _sentence(row, levels=levels, stands=unsettled.get(row["series"], ""))
            for row in rows.iter_rows(named=True)
        ],
        dtype=pl.String,
    )
    return (
        rows.with_columns(sentence=told)
        .drop("series")
        .cast(COMPARED)  # type: ignore[arg-type]  # names to types
        .sort("meter_id", "point_pct", "phase", "compared")
    )


def _sentence(row: dict[str, Any], *, levels: tuple[float, float], stands: str) -> str:
    """Say what the tests found and what it means, in one sentence."""
    visits = f"{count(row['new_visits'], 'visit')} against {row['old_visits']}"
    if row["compared"] == NEW_PHASE:
        means, moved = _OF_PHASES[row["verdict"]], known(row["t"]) and row["t_p"] < levels[0]
    else:
        means, moved = _OF_LATER_VISITS[row["verdict"]], row["verdict"] == change.LEVEL
        if stands and row["verdict"] in {change.ALIKE, change.CANNOT_SAY}:
            means = _UNSETTLED.format(stands)
    scattered = row["verdict"] in {phase.SPREAD, change.SPREAD}
    return (
        f"{visits}: spread {_spread_words(row, changed=scattered)}; "
        f"level {_level_words(row, changed=moved)}{_threshold(row, levels)}: {means}."
    )


def _threshold(row: dict[str, Any], levels: tuple[float, float]) -> str:
    """Say from which probability down the level counts as changed; empty where none was tested."""
    level = levels[0 if row["compared"] == NEW_PHASE else 1]
    return f", changed is below {plain(level)}" if known(row["t"]) else ""


def _spread_words(row: dict[str, Any], *, changed: bool) -> str:
    """Say what the F test found."""
    if not known(row["f"]):
        return "not comparable (a single visit, or hidden by the steps of the dial)"
    found = "changed" if changed else "as before"
    return f"{found} (F {fixed(row['f'], places=2)}, p {p_value(row['f_p'])})"


def _level_words(row: dict[str, Any], *, changed: bool) -> str:
    """Say what the t test found."""
    if not known(row["t"]):
        return "not comparable"
    found = "changed" if changed else "as before"
    df = fixed(row["t_df"], places=0)
    return f"{found} (t {fixed(row['t'], places=2)}, {df} df, p {p_value(row['t_p'])})"
