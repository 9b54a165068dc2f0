"""This module makes the budget of one bias by the GUM, to hold the fleet's against."""

import numpy as np

from drift.reference.uncertainty import Component


def bias_components(
    *,
    reference_u: float,
    bowl_u: float = 0.0,
    air_left: float = 0.0,
    resolution: float,
    repeatability: float,
    replicates: int = 1,
    repeatability_freedom: float = np.inf,
    operator: float = 0.0,
    operator_freedom: float = np.inf,
) -> list[Component]:
    """Return the inputs of the budget of one bias, % air.

    Parameters
    ----------
    reference_u : float
        Standard uncertainty of the correct air content.
    bowl_u, air_left : float
        Standard uncertainty by the bowl, and the most air left in it when called full.
    resolution : float
        Step the dial is read to.
    repeatability : float
        Standard deviation of one reading before rounding (as the rounding likelihood estimates
        it); if it was computed from rounded readings it already holds the rounding, and the
        budget errs on the safe side.
    replicates : int
        Readings averaged, at least 1.
    repeatability_freedom, operator_freedom : float
        Degrees of freedom of the two standard deviations.
    operator : float
        Standard deviation between operators.

    Notes
    -----
    Replicates of one sitting share their rounding error more often than not (a dial read to 0.1
    with little scatter shows the same figure each time), so it is not divided by their number.
    """
    return [
        Component("reference", reference_u),
        Component("bowl", bowl_u),
        Component("air left", air_left, "rectangular"),
        Component("resolution", resolution / 2, "rectangular"),
        Component(
            "repeatability",
            repeatability / float(np.sqrt(replicates)),
            degrees_of_freedom=repeatability_freedom,
        ),
        Component("operator", operator, degrees_of_freedom=operator_freedom),
    ]
