"""This module keeps what the readings of each visit say of amplitudes, so that it can be added up.

Given the amplitudes of all columns, visits are independent of each other: products of columns are
summed visit by visit, and a cause that sets in at a visit has the sums from there on.
"""

from dataclasses import dataclass

import numpy as np

from drift.arrays import Floats


@dataclass(frozen=True, slots=True)
class VisitSums:
    """What the readings of each visit (v) say, over nodes (k), noise factors (f) and others.

    Attributes
    ----------
    products : array (k, f, v, …, q, q)
        Sums of products of q columns over the readings, by the inverse of their covariance.
    costs : array (k, f, v, …)
        Logarithm of the determinant of that covariance, and what else does not depend on columns.
    """

    products: Floats
    costs: Floats

    def total(self) -> "VisitSums":
        """Return the sums over all visits, without their axis."""
        return VisitSums(self.products.sum(axis=2), self.costs.sum(axis=2))

    def taken(self, places: list[int]) -> "VisitSums":
        """Return the same of some of the columns, in that order."""
        return VisitSums(self.products[..., np.array(places)[:, None], places], self.costs)

    def explained(self) -> tuple[Floats, Floats, Floats]:
        """Integrate standard normal coefficients of all columns but the last, the values.

        Returns
        -------
        lower : array (…, q, q)
            Cholesky factor of the products with the prior of the coefficients.
        squares, costs : array (…)
            Squares of the values, and the costs with the logarithm of the determinant.
        """
        # The last 1 keeps the matrix definite where the values are explained to the last digit.
        lower = np.linalg.cholesky(self.products + np.eye(self.products.shape[-1]))
        diagonal = np.diagonal(lower, axis1=-2, axis2=-1)
        log_det = 2 * np.log(diagonal[..., :-1]).sum(axis=-1)
        squares = np.asarray(diagonal[..., -1] ** 2 - 1, dtype=np.float64)
        return np.asarray(lower, dtype=np.float64), squares, np.asarray(self.costs + log_det)


def sums_from(sums: Floats) -> Floats:
    """Return sums over each visit and all later ones, of an array (k, f, v, …)."""
    return _over_visits(np.tri(sums.shape[2]).T, sums)


def sums_until(sums: Floats) -> Floats:
    """Return sums over all visits before each, of an array (k, f, v, …)."""
    return _over_visits(np.tri(sums.shape[2], k=-1), sums)


def _over_visits(weights: Floats, sums: Floats) -> Floats:
    """Return sums over visits by weights, (v, v)."""
    return np.asarray((weights @ sums.reshape(*sums.shape[:3], -1)).reshape(sums.shape))
