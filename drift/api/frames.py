"""This module gives the frames of a review by the names of its data files."""

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING

import polars as pl


class Frames:
    """Frames by name, made together when one is first asked for, then kept."""

    meters: pl.DataFrame
    obligations: pl.DataFrame
    since: pl.DataFrame
    visits: pl.DataFrame
    forecast: pl.DataFrame
    intervals: pl.DataFrame
    signals: pl.DataFrame
    phases: pl.DataFrame
    responses: pl.DataFrame
    open_points: pl.DataFrame
    register: pl.DataFrame
    due: pl.DataFrame
    register_faults: pl.DataFrame
    reference: pl.DataFrame
    vessels: pl.DataFrame
    bowls: pl.DataFrame
    vessel_bowls: pl.DataFrame
    vessel_history: pl.DataFrame
    vessel_belief: pl.DataFrame
    vessel_agreement: pl.DataFrame
    vessel_checks: pl.DataFrame
    check_meters: pl.DataFrame
    reference_verdicts: pl.DataFrame
    check_series: pl.DataFrame
    check_days: pl.DataFrame
    comparison_scores: pl.DataFrame
    field_bench: pl.DataFrame
    conformity: pl.DataFrame
    uncertainty: pl.DataFrame
    risks: pl.DataFrame
    causes: pl.DataFrame
    zero_span: pl.DataFrame
    zero_span_drifts: pl.DataFrame
    hysteresis: pl.DataFrame
    own_standings: pl.DataFrame
    barred_uses: pl.DataFrame
    unread_rows: pl.DataFrame
    evidence: pl.DataFrame
    held_back: pl.DataFrame

    def __init__(self, make: Callable[[], dict[str, pl.DataFrame]]) -> None:
        self._make = make
        self._made: Mapping[str, pl.DataFrame] | None = None

    @property
    def frames(self) -> Mapping[str, pl.DataFrame]:
        """Every frame by the name of its data file, in the order of the workbook.

        Examples
        --------
        >>> import drift
        >>> list(drift.review("sample_history", as_of="2026-10-01").frames)[:3]
        ['meters', 'obligations', 'visits']
        """
        if self._made is None:
            self._made = MappingProxyType(self._make())
        return self._made

    # Hidden from type checkers, which would take any name for a frame.
    if not TYPE_CHECKING:

        def __getattr__(self, name: str) -> pl.DataFrame:
            """Return a frame by its name."""
            if name in Frames.__annotations__:
                if name in self.frames:
                    return self.frames[name]
                raise AttributeError(f"no frame {name!r}: no earlier review was named to compare")
            raise AttributeError(f"{type(self).__name__!r} has no frame or attribute {name!r}")

    def __dir__(self) -> list[str]:
        """Return the names of attributes and frames, for completion."""
        absent = set(Frames.__annotations__) - set(self.frames) if self._made else {"since"}
        return sorted({*super().__dir__(), *Frames.__annotations__} - absent)
