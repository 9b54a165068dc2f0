"""This module loads beforehand what the fits are made with."""


def load_fits() -> None:
    """Load the library of fits, which takes a second, beside other work."""
    from statsmodels.regression import linear_model  # noqa: F401, PLC0415
    from statsmodels.robust import robust_linear_model  # noqa: F401, PLC0415
    from statsmodels.stats import diagnostic, multitest, proportion  # noqa: F401, PLC0415
