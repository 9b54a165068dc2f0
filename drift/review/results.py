"""This module holds what a review has found, ready to be written or drawn."""

from dataclasses import dataclass, field
from datetime import date

import polars as pl

from drift.conformity.comparisons import Comparisons, no_comparisons
from drift.conformity.decision_rules import DecisionRule, decision_rule
from drift.conformity.weigh import Conformity
from drift.forecast.fit import Fit
from drift.frames import DAYS_PER_YEAR, EPOCH, of_meter
from drift.limits.charting import full_baseline
from drift.limits.checks.weigh import CheckCharts
from drift.meter.dial import chamber_scale_of
from drift.meter.tolerance import within_tolerance
from drift.reference.weigh import Reference
from drift.review.barred_uses import BARRED_USES
from drift.review.cause_history import CauseHistory, follow_causes
from drift.review.cause_patterns import CausePattern, cause_pattern
from drift.review.changes import Since
from drift.review.noted_rows import NOTED
from drift.review.policy import Policy
from drift.review.studying import Studied, studies_of
from drift.review.zero_spans import ZeroSpan
from drift.store.tables import (
    RowCounts,
    Sources,
    checked_unread,
    readings_not_taken,
    row_counts,
    unread_meters,
)
from drift.trend.change_points import link_jumps
from drift.trend.path_trend import fitted_trend
from drift.trend.weigh import fit_lines
from drift.upkeep.intervals.kindred import built_and_aged
from drift.upkeep.reliability.censored_intervals import censored_intervals
from drift.upkeep.reliability.survival_curve import survival_curve
from drift.upkeep.weigh import Upkeep


@dataclass(frozen=True, slots=True)
class Review:
    """Everything that a review of one source says, as of one date.

    Attributes
    ----------
    as_of : date
        The date it speaks for.
    source_name : str
        Last part of the source's path, for headings.
    policy : Policy
        The laboratory's choices in force.
    sources : Sources
        What was read, what was held back and from which files.
    ledger, charted, limits, path_trends, changes, forecasts, forecast, signals, meters
        Frames of `drift.frames`, each sorted by its grain; `meters` with the meters of which
        most is asked first.  `forecasts` has one row a series (with the further columns of
        `drift.forecast.forecasts.SERIES`), `forecast` one a series and date.  `signals` has
        the further column ``answered_on`` (date of the response, null where there is none).
    obligations : pl.DataFrame
        Frame of `drift.review.obligations.OBLIGATIONS`, in the order of `meters`.
    phases : pl.DataFrame
        Frame of `drift.limits.baseline_change.COMPARED`: old visits against new.
    marks : pl.DataFrame
        Frame of `drift.limits.charts.mark.MARK_CHARTS`.
    responses : pl.DataFrame
        Frame of `drift.review.responses.RESPONSES`: each with the signal that it answers.
    reference : Reference
        What the fleet's own readings say of their reference.
    upkeep : Upkeep
        How often meters are seen, how long they may go unseen, and how they move.
    comparisons : Comparisons
        Results in use against something else, and against the bench.
    zero_span : ZeroSpan
        What the zero of each meter does and what grows with the air content, over time.
    checks : CheckCharts
        What checks between calibrations say.
    own_meters : pl.DataFrame
        As `meters`, with what meters share taken out of their readings; empty where nothing
        shared was found.
    since : Since or None
        What has changed since an earlier review, None where none was named.
    fit : Fit or None
        What the forecaster found the fleet to have in common; None where it was not asked.
    held, alike : pl.DataFrame
        Frames of `drift.review.noted_rows.NOTED`: rows that could not be read and the meters
        that they name; meters that may be one, written in several ways.
    uses : pl.DataFrame
        Frame of `drift.review.barred_uses.BARRED_USES`.
    trends : pl.DataFrame or None
        What `plain_trends` gives for all meters, None where it was not fitted for all at once.
    trends_written : bool
        Whether they are written as data, too.
    faults : pl.DataFrame or None
        Frame of `drift.review.register_faults.REGISTER_FAULTS` where it is known already.
    part : bool
        Whether it is of some meters of a fleet: what is said of the whole is said elsewhere.
    """

    as_of: date
    source_name: str
    policy: Policy
    sources: Sources
    ledger: pl.DataFrame
    charted: pl.DataFrame
    limits: pl.DataFrame
    phases: pl.DataFrame
    marks: pl.DataFrame
    path_trends: pl.DataFrame
    changes: pl.DataFrame
    forecasts: pl.DataFrame
    forecast: pl.DataFrame
    signals: pl.DataFrame
    responses: pl.DataFrame
    meters: pl.DataFrame
    obligations: pl.DataFrame
    reference: Reference
    upkeep: Upkeep
    conformity: Conformity
    own_meters: pl.DataFrame
    since: Since | None = None
    comparisons: Comparisons = field(default_factory=no_comparisons)
    zero_span: ZeroSpan = field(default_factory=ZeroSpan)
    checks: CheckCharts = field(default_factory=CheckCharts)
    fit: Fit | None = None
    held: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=NOTED))
    alike: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=NOTED))
    uses: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=BARRED_USES))
    trends: pl.DataFrame | None = None
    trends_written: bool = False
    faults: pl.DataFrame | None = None
    part: bool = False

    @property
    def untaken_readings(self) -> tuple[int, int]:
        """Return how many rows of readings were not taken, and of how many."""
        return readings_not_taken(self.sources)

    @property
    def rows(self) -> RowCounts:
        """Return what became of the rows of its input."""
        return row_counts(self.sources)

    @property
    def never_read(self) -> list[str]:
        """Return the meters in use that were never read."""
        return unread_meters(self.sources, as_of=self.as_of)

    @property
    def checked_only(self) -> list[tuple[str, int, date]]:
        """Return the meters with checks and no reading: their checks, and the day of the last."""
        return checked_unread(self.sources)

    @property
    def rule(self) -> DecisionRule:
        """Return the decision rule in force."""
        return decision_rule(self.policy.decision_rule)

    @property
    def judged(self) -> pl.DataFrame:
        """Return the ledger with ``within``: whether each bias as found is in tolerance."""
        return self.ledger.with_columns(
            within=within_tolerance(
                pl.col("as_found_bias_pct"),
                tolerance=self.policy.tolerance_pct,
                comparison=self.policy.comparison,
            )
        )

    @property
    def limits_settled(self) -> pl.DataFrame:
        """Return the limits with ``full``: whether their baseline is whole, so that they stay."""
        now = (self.as_of - EPOCH).days / DAYS_PER_YEAR
        return self.limits.with_columns(full=full_baseline(self.policy, now=now))

    @property
    def jumps(self) -> pl.DataFrame:
        """Return the jumps of paths beside recorded events."""
        return link_jumps(self.changes, ledger=self.ledger, service=self.sources.service)

    @property
    def fitted(self) -> pl.DataFrame:
        """Return the line of estimated drift of every series, at every visit."""
        return fitted_trend(self.ledger, self.path_trends)

    def plain_trends(self, meter_id: str | None = None) -> pl.DataFrame:
        """Fit the plain trends of one meter, or of all, unless they are known already.

        Returns
        -------
        pl.DataFrame
            Frame of `drift.trend.plain_trends.PLAIN_TRENDS`.
        """
        mine = True if meter_id is None else pl.col("meter_id") == meter_id
        if self.trends is not None:
            return self.trends.filter(mine)
        return fit_lines(self.ledger.filter(mine), self.path_trends, self.policy)

    def cause_pattern(self, meter_id: str) -> CausePattern | None:
        """Return what one meter shows over its points, beside what each fault would show there."""
        ledger = of_meter(self.ledger, meter_id)
        ours = ledger.select("series").unique()
        return cause_pattern(
            ledger,
            path_trends=self.path_trends.join(ours, on="series", how="semi"),
            jumps=of_meter(self.jumps, meter_id),
            causes=of_meter(self.reference.causes, meter_id),
            effects=self.reference.effects,
            k=chamber_scale_of(self.sources.meters, meter_id),
        )

    def studied(self) -> tuple[Studied, ...]:
        """Analyse the studies of repeatability on record, by their names."""
        return studies_of(
            self.sources, source_name=self.source_name, as_of=self.as_of, policy=self.policy
        )

    def cause_history(self, meter_id: str) -> CauseHistory | None:
        """Return how likely each cause was visit by visit; None where none was weighed."""
        return follow_causes(
            of_meter(self.reference.weighed, meter_id),
            causes=of_meter(self.reference.causes, meter_id),
            dials=of_meter(self.reference.dials, meter_id),
            repeatability=self.reference.repeatability_pct,
        )

    @property
    def register_groups(self) -> pl.DataFrame:
        """Return maker and model, age and site of each meter, null where none is on record."""
        return built_and_aged(self.sources.meters, as_of=self.as_of)

    @property
    def times_in_tolerance(self) -> pl.DataFrame:
        """Return how long meters stayed in tolerance, as intervals."""
        return censored_intervals(
            self.ledger, tolerance=self.policy.tolerance_pct, comparison=self.policy.comparison
        )

    def survival(self, *, at_days: float) -> pl.DataFrame:
        """Return the share of stretches in tolerance that still last, by their age in days."""
        choices = self.policy.intervals
        return survival_curve(
            self.times_in_tolerance,
            at_days=at_days,
            longest_days=choices.longest_days,
            confidence=choices.confidence,
        )
