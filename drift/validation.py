"""This module lists what a review's results are checked against; it checks nothing.

The checks are the tests named here, run before each release; `tests/reference/SOURCES.md` says how
each source was come by.  ``read``: read at the source, or in a copy or a page that quotes it;
``memory``: published digits in part from memory, recomputed by other means; ``derived``: worked
out apart from this program.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Validation:
    """One part of the program and what it is checked against.

    Attributes
    ----------
    part, against : str
        What is checked, and the published source or other means.
    status : {"read", "memory", "derived"}
        How the expected values were come by.
    test : str
        File of the test, below ``tests/``.
    """

    part: str
    against: str
    status: str
    test: str


VALIDATIONS = (
    Validation(
        "Control charts of individuals, EWMA and CUSUM",
        "worked examples of the NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3",
        "read",
        "stats/test_charts_points.py",
    ),
    Validation(
        "Chart constants",
        "published tables for n = 2 to 25, and their integrals",
        "read",
        "stats/test_constants.py",
    ),
    Validation(
        "False alarms and run lengths",
        "published average run lengths of Shewhart, run-rule, EWMA and CUSUM charts",
        "memory",
        "stats/test_run_length.py",
    ),
    Validation(
        "Least squares",
        "certified values of the NIST Statistical Reference Datasets",
        "read",
        "test_strd.py",
    ),
    Validation(
        "Tests of trend and slopes",
        "worked examples of US EPA guidance (QA/G-9S and others), and general libraries",
        "read",
        "stats/test_trend.py",
    ),
    Validation(
        "Survival and intervals",
        "remission times of leukaemia patients and cosmesis data (published estimates)",
        "memory",
        "stats/test_survival.py",
    ),
    Validation(
        "Reliability arithmetic and exact intervals",
        "independent recomputation of binomial and Weibull formulas",
        "derived",
        "stats/test_reliability.py",
    ),
    Validation(
        "Mixed models of what meters share",
        "Dyestuff, Pastes and Penicillin data (published REML estimates), and a general library",
        "memory",
        "stats/test_mixed.py",
    ),
    Validation(
        "Uncertainty and conformance probability",
        "examples of JCGM 100 (H.3) and JCGM 106 (clause 7)",
        "memory",
        "stats/test_uncertainty.py",
    ),
    Validation(
        "Rounded readings",
        "numerical integration of each cell, and simulation",
        "derived",
        "stats/test_rounding.py",
    ),
    Validation(
        "Correct air content of a vessel, dial law",
        "100 w/W and the gas law, by hand; a state's published canister table",
        "read",
        "stats/test_vessel.py",
    ),
    Validation(
        "Forecasts, bands and their probabilities",
        "simulated fleets with known truth, and sea-going thermometers over 496 recalibrations",
        "derived",
        "stats/test_forecast_quality.py",
    ),
    Validation(
        "The whole review on histories nobody here invented",
        "a NIST kilogram check standard, resistivity check standard, oceanographic thermometers",
        "read",
        "test_real_reviews.py",
    ),
    Validation(
        "The whole review on a laboratory with planted faults",
        "the list of what was planted, meter by meter",
        "derived",
        "test_sample_review.py",
    ),
)
