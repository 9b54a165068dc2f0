"""This module puts the forecaster, the oracle and a straight line to the same simulated visits."""

from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import polars as pl
from numpy.typing import NDArray

from drift.forecast.current_state import look_back
from drift.forecast.fit import fit_fleet
from drift.forecast.grid.model import Settings, make_grid
from drift.forecast.grid.predict import Model
from drift.forecast.grid.visits import read_visits
from drift.forecast.naive import straight_lines
from drift.forecast.proof import brier, ranked_apart
from tests.forecast.simulator import Fleet, Plan, ask_oracle, simulate
from tests.forecast.unrecorded_fleets import ledger_of, write_readings

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Trial:
    """Forecasts of visits and what happened; arrays of shape (forecasts,).

    ``p_out`` and ``oracle`` are of the true bias, ``p_found`` and ``oracle_found`` of the as-found
    mean, ``line`` of a straight line, 0 where there is none.
    """

    out: Flags
    found_out: Flags
    p_out: Floats
    p_found: Floats
    oracle: Floats
    oracle_found: Floats
    line: Floats
    inside: Flags


def put_to_trial(plan: Plan, *, seed: int, after: int) -> Trial:
    """Forecast each visit of a simulated fleet that has `after` or more before it.

    Hyper-parameters are fitted once, to the first `after` visits.  The fleet comes from written
    files of readings alone: nobody recorded an adjustment.
    """
    fleet = simulate(plan, seed=seed)
    known, ledger = written_ledger(fleet, visits=after), written_ledger(fleet)
    settings = Settings(threads=1)
    hyper = fit_fleet(
        read_visits(known, resolution=0.1), tolerance=plan.tolerance, sample=settings.sample
    ).hyper
    visits = read_visits(ledger, resolution=0.1)
    model = Model(settings, hyper, make_grid(hyper, resolutions=visits.resolutions))
    wanted = np.zeros(visits.years.shape, dtype=bool)
    wanted[:, after:] = True
    past = look_back(visits, wanted, model)
    oracle = ask_oracle(fleet)
    found = fleet.found.mean(axis=2)
    low, high = past.means.low - 1e-9, past.means.high + 1e-9
    return Trial(
        out=(np.abs(fleet.level) > plan.tolerance)[wanted],
        found_out=(np.abs(found) > plan.tolerance + 1e-9)[wanted],
        p_out=(past.levels.p_below + past.levels.p_above)[wanted],
        p_found=(past.means.p_below + past.means.p_above)[wanted],
        oracle=oracle.p_out[wanted],
        oracle_found=oracle.p_found_out[wanted],
        line=_lines(fleet, ledger, wanted, settings),
        inside=((found >= low) & (found <= high))[wanted],
    )


def written_ledger(fleet: Fleet, *, visits: int | None = None) -> pl.DataFrame:
    """Return the ledger of the first `visits` visits of a fleet, by way of a file of readings."""
    kept = slice(visits)
    with TemporaryDirectory() as folder:
        return ledger_of(
            write_readings(
                Path(folder),
                years=fleet.years[:, kept],
                found=fleet.found[:, kept],
                left=fleet.left[:, kept],
                resolution=fleet.plan.resolution,
            )
        )


def _lines(fleet: Fleet, ledger: pl.DataFrame, wanted: Flags, settings: Settings) -> Floats:
    """Return what least-squares extrapolation says of the wanted visits."""
    meter, place = np.nonzero(wanted)
    before = ledger.select(
        "series",
        visit=pl.col("visit") + 1,
        seen_t_years="t_years",
        left="left_bias_pct",
        resolution="resolution_pct",
    )
    cases = pl.DataFrame(
        {"series": meter, "visit": place + 1, "t_years": fleet.years[wanted]}
    ).with_row_index("case")
    rows = cases.join(before, on=["series", "visit"], how="left", maintain_order="left")
    lines = straight_lines(rows, ledger, settings)
    joined = cases.join(lines, on="case", how="left", maintain_order="left")
    return joined["p_line"].fill_null(0.0).to_numpy()


def pool(trials: list[Trial]) -> Trial:
    """Return several trials as one."""
    return Trial(
        out=np.concatenate([trial.out for trial in trials]),
        found_out=np.concatenate([trial.found_out for trial in trials]),
        p_out=np.concatenate([trial.p_out for trial in trials]),
        p_found=np.concatenate([trial.p_found for trial in trials]),
        oracle=np.concatenate([trial.oracle for trial in trials]),
        oracle_found=np.concatenate([trial.oracle_found for trial in trials]),
        line=np.concatenate([trial.line for trial in trials]),
        inside=np.concatenate([trial.inside for trial in trials]),
    )


def band_errors(chance: Floats, happened: Flags, *, fewest: int = 100) -> list[tuple[float, int]]:
    """Return mean forecast less what happened in each tenth of probability, and its cases."""
    band = np.minimum((chance * 10).astype(np.int64), 9)
    errors = []
    for place in range(10):
        chosen = band == place
        if chosen.sum() >= fewest:
            error = chance[chosen].mean() - happened[chosen].mean()
            errors.append((float(error), int(chosen.sum())))
    return errors


def summary(trial: Trial) -> dict[str, float]:
    """Return the numbers that targets are set for."""
    return {
        "forecasts": float(trial.out.size),
        "out": float(trial.out.sum()),
        "ranked": ranked_apart(trial.p_out, trial.out),
        "ranked_of_oracle": ranked_apart(trial.p_out, trial.out)
        / ranked_apart(trial.oracle, trial.out),
        "ranked_over_line": ranked_apart(trial.p_out, trial.out)
        - ranked_apart(trial.line, trial.out),
        "brier_of_oracle": brier(trial.p_out, trial.out) / brier(trial.oracle, trial.out),
        "found_ranked_of_oracle": ranked_apart(trial.p_found, trial.found_out)
        / ranked_apart(trial.oracle_found, trial.found_out),
        "found_brier_of_oracle": brier(trial.p_found, trial.found_out)
        / brier(trial.oracle_found, trial.found_out),
        "coverage": float(trial.inside.mean()),
        "called_drifting": float((trial.p_out >= 0.5).mean()),
    }
