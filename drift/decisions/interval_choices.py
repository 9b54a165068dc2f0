"""This module holds what a laboratory may choose about intervals."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class IntervalChoices:
    """What a laboratory may choose about how long a meter may go unseen.

    Attributes
    ----------
    target : float
        Chance of being in tolerance that is to be left at the end of an interval.  The best
        interval is the time at which reliability falls to it (NASA RP-1342); its size is the
        laboratory's choice.
    ceiling_days : int
        Longest interval that is recommended, whatever the data say.  ASTM C231 and AASHTO T 152
        ask for at most three months; from memory, to be checked against the current edition.
    shortest_days : int
        Shortest interval that is practicable.  Common practice, no source.
    longest_days : int
        Longest interval that is worked out.
    confidence : float
        Confidence of exact and of fitted intervals.
    staircase_within : float
        Share of the tolerance within which the staircase extends.  ILAC-G24 names 80 % as an
        example.
    staircase_extension, staircase_reduction : float
        Share by which the staircase lengthens an interval after a good check, and shortens it
        after a failed one.
    """

    target: float = 0.95
    ceiling_days: int = 91
    shortest_days: int = 30
    longest_days: int = 1826
    confidence: float = 0.95
    staircase_within: float = 0.8
    staircase_extension: float = 0.1
    staircase_reduction: float = 0.5


# Bounds outside which a value cannot be meant: field, lowest, highest (both inclusive).
INTERVAL_BOUNDS: tuple[tuple[str, float, float], ...] = (
    ("target", 0.5, 0.9999),
    ("ceiling_days", 1, 3660),
    ("shortest_days", 1, 3660),
    ("longest_days", 1, 3660),
    ("confidence", 0.5, 0.9999),
    ("staircase_within", 0.01, 1.0),
    ("staircase_extension", 0.001, 10.0),
    ("staircase_reduction", 0.001, 0.999),
)
