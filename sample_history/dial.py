"""This module says what a pressure-type air meter shows; it knows no laboratory and no dates."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Condition:
    """What is wrong with a meter at one moment.

    Attributes
    ----------
    mark_error : float
        Relative error of the true initial pressure, caused by a misplaced mark or a lost charge.
    hand_shift : float
        Turn of the hand on its shaft, as a share of the nominal initial pressure.
    chamber_water : float
        Share of the air chamber that is filled with water.
    """

    mark_error: float = 0.0
    hand_shift: float = 0.0
    chamber_water: float = 0.0


def reading_pct(air_pct: float, *, chamber_pct: float, condition: Condition) -> float:
    """Return the reading of a meter whose hand was pumped to its mark, % air.

    Parameters
    ----------
    air_pct : float
        Air truly in the bowl, % of the bowl.
    chamber_pct : float
        Volume of the air chamber, % of the bowl: k.
    condition : Condition
        The meter's faults.

    Notes
    -----
    Isothermal release in gauge pressures, p2 = p1 / (1 + a/k); the dial is scaled by
    reading = k (pI/p − 1).  The hand shows true pressure plus its shift, when the meter is pumped
    and when it is read.  Derived here; barometric pressure cancels.
    """
    dry_pct = chamber_pct * (1 - condition.chamber_water)
    start = 1 + condition.mark_error - condition.hand_shift
    shown = start / (1 + air_pct / dry_pct) + condition.hand_shift
    return chamber_pct / shown - chamber_pct


def mark_after(*, mark_pct: float, error: float, chamber_pct: float) -> float:
    """Return where the mark belongs if its pressure is wrong by the share `error`, dial % air.

    The dial's own scale puts a mark m at the pressure pI / (1 + m/k): a negative mark lies above
    the zero pressure.
    """
    return chamber_pct * ((1 + error) * (1 + mark_pct / chamber_pct) - 1)


def error_after(
    *, error: float, old_mark_pct: float, new_mark_pct: float, chamber_pct: float
) -> float:
    """Return the relative error of the initial pressure once the mark has been moved."""
    moved = (1 + old_mark_pct / chamber_pct) / (1 + new_mark_pct / chamber_pct)
    return (1 + error) * moved - 1


def mark_error_for(*, bias_pct: float, air_pct: float, chamber_pct: float) -> float:
    """Return the mark error that makes a meter read `bias_pct` off at `air_pct`."""
    return -bias_pct / (air_pct + chamber_pct + bias_pct)


def hand_shift_for(*, bias_pct: float, air_pct: float, chamber_pct: float) -> float:
    """Return the hand shift that makes a meter read `bias_pct` off at `air_pct`, over 0 %."""
    whole = air_pct + chamber_pct
    return chamber_pct / air_pct * (whole / (whole + bias_pct) - 1)
