"""This module names what pages say of intervals; it computes and formats nothing."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class MethodRow:
    """What one method says: days, what it leaves possible, and its basis in a sentence.

    Days are None where it cannot say; carried: the recommendation took it.
    """

    method: str
    days: float | None
    low_days: float | None
    high_days: float | None
    evidence: int
    carried: bool
    basis: str


@dataclass(frozen=True, slots=True)
class ScopePart:
    """What is recommended for the fleet, for like meters or for one meter, methods side by side."""

    title: str
    days: float
    advice: str
    methods: tuple[MethodRow, ...]


@dataclass(frozen=True, slots=True)
class SoonerRow:
    """One meter that should be seen sooner than now."""

    meter_id: str
    file: str
    present_days: float
    days: float
    advice: str


@dataclass(frozen=True, slots=True)
class IntervalPart:
    """How long meters may go unseen: in words, by scope, and which should be seen sooner."""

    lead: tuple[str, ...]
    scopes: tuple[ScopePart, ...]
    scopes_total: int
    sooner: tuple[SoonerRow, ...]
    sooner_total: int
