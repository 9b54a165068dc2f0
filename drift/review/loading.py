"""This module loads beforehand what the fits are made with."""

# To load the library of fits takes each process as long as some 300 series are fitted in.
_FITTED_HERE = 100


def load_fits() -> None:
    """Load the library of fits, which takes a second, beside other work."""
    from statsmodels.regression import linear_model  # noqa: F401, PLC0415
    from statsmodels.robust import robust_linear_model  # noqa: F401, PLC0415
    from statsmodels.stats import diagnostic, multitest, proportion  # noqa: F401, PLC0415


def fitted_here(meters: int) -> bool:
    """Say whether so many meters are so few that only one process loads the library of fits.

    Their plain trends are fitted, and their evidence is gathered, by the one that has loaded it for
    the analysis.
    """
    return meters <= _FITTED_HERE
