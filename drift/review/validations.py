"""This module lists what the parts of a review are checked against.

The checks are the tests named here, run before each release; `tests/published/SOURCES.md` says how
each source was obtained.  A test reviews records and fails where a row's functions did not run.
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
        Where the expected values are from.  ``read``: read at the source, or in a copy or a page
        that quotes it; ``memory``: published digits in part from memory, recomputed by other
        means; ``derived``: worked out apart from this program.
    test : str
        File of the test, below ``tests/``.
    only_where : str
        When a review runs it, after "only where"; empty for every review.
    """

    part: str
    against: str
    status: str
    test: str
    only_where: str = ""


_OF_REPLICATES = "the policy draws charts of replicates"

VALIDATIONS = (
    Validation(
        "Control charts of individuals, moving ranges and EWMA",
        "worked examples of the NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3",
        "read",
        "limits/test_charts_points.py",
    ),
    Validation(
        "CUSUM charts",
        "the worked example of the same handbook, 6.3.2.3, its arithmetic redone",
        "memory",
        "limits/test_charts_cusum.py",
        only_where="the policy draws them",
    ),
    Validation(
        "Chart constants",
        "published tables for n = 2 to 25, and their integrals",
        "read",
        "limits/test_constants.py",
        only_where="the policy sets limits by standard deviations, or draws charts of replicates",
    ),
    Validation(
        "False alarms and run lengths",
        "published average run lengths of Shewhart, run-rule, EWMA and CUSUM charts",
        "memory",
        "limits/test_run_length.py",
    ),
    Validation(
        "Least squares",
        "certified values of the NIST Statistical Reference Datasets",
        "read",
        "trend/test_strd.py",
    ),
    Validation(
        "Tests of trend and slopes",
        "worked examples of US EPA guidance (QA/G-9S and others), and general libraries",
        "read",
        "trend/test_trend.py",
    ),
    Validation(
        "Survival and intervals",
        "remission times of leukaemia patients and cosmesis data (published estimates)",
        "memory",
        "upkeep/test_survival.py",
    ),
    Validation(
        "Reliability arithmetic and exact intervals",
        "independent recomputation of binomial and Weibull formulas",
        "derived",
        "upkeep/test_reliability.py",
    ),
    Validation(
        "Mixed models of what meters share",
        "Dyestuff, Pastes and Penicillin data (published REML estimates), and a general library",
        "memory",
        "reference/test_mixed.py",
    ),
    Validation(
        "Uncertainty of a bias",
        "budgets made step by step as JCGM 100 makes them",
        "derived",
        "conformity/test_bias_budget.py",
    ),
    Validation(
        "Uncertainty of a vessel, from its masses",
        "examples of JCGM 100 (H.1 to H.3)",
        "memory",
        "reference/test_uncertainty.py",
        only_where="a vessel states none",
    ),
    Validation(
        "Probability of conformance",
        "examples of JCGM 106 (clause 7)",
        "memory",
        "conformity/test_conformity.py",
    ),
    Validation(
        "Rounded readings",
        "numerical integration, and published grouped heights with Sheppard's correction",
        "memory",
        "limits/test_rounding.py",
    ),
    Validation(
        "Limits for replicates of rounded readings",
        "simulation, and general libraries for readings that are not rounded",
        "derived",
        "limits/test_rounded_replicates.py",
        only_where=_OF_REPLICATES,
    ),
    Validation(
        "Correct air content of a vessel",
        "100 w/W by hand; a state's published canister table",
        "read",
        "reference/test_vessel.py",
    ),
    Validation(
        "What mark, hand and chamber do to a reading",
        "the gas law, by hand",
        "derived",
        "meter/test_dial.py",
    ),
    Validation(
        "Forecasts, bands and their probabilities",
        "simulated fleets with known truth, and sea-going thermometers over 496 recalibrations",
        "derived",
        "forecast/test_forecast_quality.py",
    ),
    Validation(
        "The whole review on histories nobody here invented",
        "a NIST kilogram check standard, resistivity check standard, oceanographic thermometers",
        "read",
        "review/test_real_reviews.py",
    ),
    Validation(
        "The whole review on a laboratory with planted faults",
        "the list of what was planted, meter by meter",
        "derived",
        "review/test_sample_review.py",
    ),
)
