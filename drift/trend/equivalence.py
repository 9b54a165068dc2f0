"""This module turns evidence on drift into one of three answers."""

import numpy as np
from numpy.typing import NDArray

from drift.arrays import Floats

DRIFTING = "drifting"
SHOWN_STEADY = "shown_steady"
UNDECIDED = "undecided"


def verdicts(
    beyond: Floats, discovery: Floats, *, level: float, false_discovery_rate: float
) -> NDArray[np.str_]:
    """Decide for each series whether drift is shown, shown to be negligible, or neither.

    Parameters
    ----------
    beyond : array, shape (series,)
        Larger of the two one-sided p values of "the drift is at or above the negligible rate"
        and "at or below its negative"; NaN where they cannot be had.
    discovery : array, shape (series,)
        Fleet-wide q value of "there is no drift"; NaN where it cannot be had.
    level : float
        Error probability of showing a meter steady that is not.
    false_discovery_rate : float
        Share of false findings accepted among the meters said to drift.

    Returns
    -------
    array of str, shape (series,)
        ``shown_steady``: both one-sided tests speak; the drift may be real, but it is shown to
        be too small to matter.  ``drifting``: not that, and the drift is a discovery.
        ``undecided`` otherwise, which is what too little history gives.

    References
    ----------
    Schuirmann (1987), Journal of Pharmacokinetics and Biopharmaceutics 15, 657–680 (two
    one-sided tests); equivalently the 1 − 2·level interval lies within ± the negligible rate.
    """
    steady = beyond <= level  # NaN compares false
    drifting = ~steady & (discovery <= false_discovery_rate)
    return np.where(steady, SHOWN_STEADY, np.where(drifting, DRIFTING, UNDECIDED))
