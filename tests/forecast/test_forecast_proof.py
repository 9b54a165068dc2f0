"""Scores against published values and plain counting; the proof against planted futures."""

import numpy as np
import polars as pl
import pytest
from scipy import stats

from drift.forecast.proof import (
    METHODS,
    OUTCOMES,
    brier,
    exact_interval,
    flagging,
    prove,
    ranked_apart,
    reliability,
)
from tests.forecast.simulator import Plan, simulate, to_ledger


def test_the_exact_interval_of_eighteen_in_twenty() -> None:
    """Clopper–Pearson 95 % interval, check value I5 of the project's notes: 0.683017–0.987651."""
    assert exact_interval(18, 20) == pytest.approx((0.683017, 0.987651), abs=5e-7)


@pytest.mark.parametrize("hits", [0, 5, 9])
def test_exact_intervals_are_scipys(hits: int) -> None:
    """The interval equals that of scipy.stats.binomtest, at the ends too."""
    expected = stats.binomtest(hits, 9).proportion_ci(confidence_level=0.95, method="exact")
    assert exact_interval(hits, 9) == pytest.approx((expected.low, expected.high), abs=1e-12)


def test_a_brier_score_by_hand() -> None:
    """(0.9 − 1)², (0.4 − 0)² and (0.5 − 1)² average to 0.14."""
    assert brier(np.array([0.9, 0.4, 0.5]), np.array([True, False, True])) == pytest.approx(0.14)
    assert np.isnan(brier(np.empty(0), np.empty(0, dtype=bool)))


def test_ranking_apart_is_the_mann_whitney_statistic() -> None:
    """With ties, it equals scipy's U over the number of pairs; one class alone has no answer."""
    rng = np.random.default_rng(1)
    chance, happened = np.round(rng.random(200), 1), rng.random(200) < 0.3
    statistic = stats.mannwhitneyu(chance[happened], chance[~happened]).statistic
    pairs = happened.sum() * (~happened).sum()
    assert ranked_apart(chance, happened) == pytest.approx(statistic / pairs, abs=1e-12)
    assert np.isnan(ranked_apart(chance, np.zeros(200, dtype=bool)))


def test_reliability_counts_each_forecast_once() -> None:
    """Bands hold their lower edge, the last also 1; counts and means are those of their cases."""
    chance = np.array([0.0, 0.05, 0.5, 0.55, 1.0])
    happened = np.array([False, True, True, False, True])
    made = reliability(chance, happened)
    assert made["from_p"].to_list() == [0.0, 0.05, 0.5, 0.9]
    assert made["forecasts"].to_list() == [1, 1, 2, 1]
    assert made["came_true"].to_list() == [0, 1, 1, 1]
    assert made["mean_p"].to_list() == pytest.approx([0.0, 0.05, 0.525, 1.0])
    assert made["share"].to_list() == [0.0, 1.0, 0.5, 1.0]


def test_flags_are_counted() -> None:
    """Two of three failures flagged, one of three flags false; without flags no share of them."""
    chance = np.array([0.9, 0.6, 0.55, 0.2, 0.1])
    happened = np.array([True, False, True, True, False])
    made = flagging(chance, happened, threshold=0.5)
    assert (made.flags, made.failures, made.caught) == (3, 3, 2)
    assert made.caught_share == pytest.approx(2 / 3)
    assert made.false_share == pytest.approx(1 / 3)
    assert np.isnan(flagging(chance, happened, threshold=0.95).false_share)


@pytest.fixture(scope="module")
def ledger() -> pl.DataFrame:
    """Return the ledger of a fleet with failures enough to score."""
    return to_ledger(simulate(Plan(meters=40, visits=16, drifting=0.6), seed=6))


def test_the_proof_beats_the_simpler_methods(ledger: pl.DataFrame) -> None:
    """On a drifting fleet the forecaster has the best score, and its bands cover."""
    made = prove(ledger)
    assert made.outcomes.columns == list(OUTCOMES)
    assert made.forecasts == made.outcomes.height == 40 * 15
    assert made.failures == made.outcomes["found_out"].sum()
    scores = dict(zip(made.scores["method"], made.scores["brier"], strict=True))
    best = scores.pop(METHODS["p_found_out"])
    assert best < min(scores.values())
    assert 0.85 < made.coverage < 0.95
    assert made.coverage_low < made.coverage < made.coverage_high
    assert made.reliability["forecasts"].sum() == made.forecasts
    assert [flags.threshold for flags in made.flags] == [0.1, 0.5]


def test_the_future_does_not_reach_the_past(ledger: pl.DataFrame) -> None:
    """Forecasts up to a year are the same whatever is read after it."""
    year = 18.0
    late = pl.col("t_years") >= year
    changed = ledger.with_columns(
        as_found_biases_pct=pl.when(late)
        .then(pl.col("as_found_biases_pct").list.eval(pl.element() + 0.3))
        .otherwise("as_found_biases_pct"),
        as_found_bias_pct=pl.when(late).then(0.3).otherwise("as_found_bias_pct"),
    )
    compared = [
        prove(frame).outcomes.filter(pl.col("t_years") < year).drop("p_line")
        for frame in (ledger, changed)
    ]
    assert compared[0].height > 200
    assert compared[0].equals(compared[1])


def test_a_history_of_one_visit_proves_nothing() -> None:
    """Without a second visit there is no forecast to judge, and no number pretends there is."""
    made = prove(to_ledger(simulate(Plan(meters=3), seed=1), visits=1))
    assert made.forecasts == 0
    assert np.isnan(made.coverage)
    assert made.reliability.is_empty()
    assert made.scores["brier"].null_count() == len(METHODS)


def test_a_large_fleet_is_judged_on_a_part() -> None:
    """At most four hundred series are judged, spread over the fleet."""
    ledger = to_ledger(simulate(Plan(meters=500, visits=2), seed=1))
    made = prove(ledger)
    assert made.series == 400
    assert made.outcomes["series"].max() == 499
