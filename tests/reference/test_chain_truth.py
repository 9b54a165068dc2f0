"""Laboratories of known truth, through written files: what is wrong is found, what is right not."""

import numpy as np
import pytest

from tests.benchmarks.chain_truth import (
    PartsFound,
    bowls_found,
    operator_found,
    parts_found,
    vessel_lost,
)

ZERO_ALONE, SPAN_ALONE = PartsFound(zero=True, span=False), PartsFound(zero=False, span=True)


def test_a_vessel_that_lost_one_percent_is_contradicted_and_a_sound_one_not() -> None:
    assert vessel_lost(1, lost=0.01, calibrations=3) == (True, True)
    assert vessel_lost(1, lost=0.0, calibrations=3) == (False, False)


def test_zero_and_span_are_told_apart() -> None:
    """Three meters each whose zero, or whose span, drifts: four years of quarterly visits."""
    assert parts_found(1, zero=0.03, span=0.0, visits=16, meters=3) == [ZERO_ALONE] * 3
    assert parts_found(1, zero=0.0, span=0.12, visits=16, meters=3) == [SPAN_ALONE] * 3


@pytest.mark.long
def test_an_operator_who_reads_high_is_found_and_no_other() -> None:
    """0.05 % high: in at least 9 laboratories of 10; another in at most one."""
    told = np.array([operator_found(seed, high=0.05) for seed in range(10)])
    assert told[:, 0].sum() >= 9
    assert told[:, 1].sum() <= 1


@pytest.mark.long
def test_bowls_are_judged_where_they_are_measured() -> None:
    """One value for all bowls: the far ones are found where bowls are measured, else none is."""
    measured = [bowls_found(seed, measured=True) for seed in range(10)]
    assert np.nanmean([one.wrong for one in measured]) > 0.9
    assert np.mean([one.false for one in measured]) < 0.05
    unknown = [bowls_found(seed, measured=False) for seed in range(10)]
    assert np.mean([one.false for one in unknown]) == 0


@pytest.mark.long
def test_sound_parts_are_seldom_said_to_drift() -> None:
    """Of 240 sound parts at most 5 in 100 are said to drift."""
    told = [one for seed in range(10) for one in parts_found(seed, zero=0, span=0, visits=16)]
    assert np.mean([(one.zero, one.span) for one in told]) <= 0.05
