"""This module judges two readings in succession by the tolerance."""

from collections.abc import Iterable

import polars as pl

from drift.conformity.choices import ConformityChoices
from drift.format import bias
from drift.meter.tolerance import within_tolerance, within_tolerance_values


def successive_readings(biases: pl.Expr, *, tolerance: float, comparison: str) -> pl.Expr:
    """Say whether the last two successive readings of a sitting held.

    Parameters
    ----------
    biases : pl.Expr
        Lists of the biases of successive readings at one point, in order, % air.
    tolerance : float
        Largest bias that passes, and largest difference of two readings that agree, % air.
    comparison : str
        E29 method, as for `within_tolerance`.

    Returns
    -------
    pl.Expr
        True where the last two are both within the tolerance and agree; false where they do not;
        null where fewer than two were recorded, so that the rule cannot be checked.

    References
    ----------
    ASTM C231 annex A1: adjust and repeat until two successive readings agree; from memory, to be
    checked against the current edition.
    """
    last, before = biases.list.get(-1, null_on_oob=True), biases.list.get(-2, null_on_oob=True)
    within = [
        within_tolerance(value, tolerance=tolerance, comparison=comparison)
        for value in (last, before, last - before)
    ]
    held: pl.Expr = pl.when(before.is_not_null() & last.is_not_null()).then(
        within[0] & within[1] & within[2]
    )
    return held


def successive(biases: Iterable[float], stage: str, policy: ConformityChoices) -> tuple[str, str]:
    """Answer the rule of two successive readings for one sitting.

    Parameters
    ----------
    biases : iterable of float
        Of the readings in order, % air.
    stage : {"as_found", "as_left"}
        Before or after an adjustment.
    policy : ConformityChoices
        Tolerance and comparison.

    Returns
    -------
    code, words : str
        As found: ``no_action`` (the last two within tolerance), ``act`` (the last two out on the
        same side), ``repeat`` (they disagree) or ``one_reading``.  As left: ``held`` (the last two
        within tolerance and of each other), ``repeat`` or ``one_reading``.

    References
    ----------
    ASTM C231 annex A1 and the field procedures made from it: a single deviation is not acted on,
    two or more that agree are; after an adjustment repeat until two successive readings agree.
    From memory, to be checked against the current edition.
    """
    values = list(biases)
    if len(values) < 2:
        return "one_reading", "Not met: one reading only. Read again before anything is decided."
    before, last = values[-2:]
    inside, last_inside = within(before, policy), within(last, policy)
    pair = f"{bias(before)} and {bias(last)}"
    if stage == "as_left":
        if inside and last_inside and within(last - before, policy):
            return "held", f"Met: the last two readings agree within tolerance ({pair})."
        return "repeat", f"Not met: the last two readings do not hold ({pair}). Repeat."
    if inside and last_inside:
        return "no_action", f"Met: the last two readings are within tolerance ({pair})."
    if not inside and not last_inside and (before > 0) == (last > 0):
        return "act", f"Confirmed out: the last two readings are out on the same side ({pair})."
    return "repeat", f"Not met: the last two readings disagree ({pair}). Repeat before adjusting."


def within(value: float, policy: ConformityChoices) -> bool:
    """Say whether a bias, % air, is within the tolerance by the comparison in force."""
    tolerance, method = policy.tolerance_pct, policy.comparison
    return bool(within_tolerance_values(value, tolerance=tolerance, comparison=method))
