"""This module says what each column of the data files means and in which unit; it writes nothing.

The README explains the same columns; a test keeps the units alike.
"""

AIR = "% air"
YEARLY = "% air a year"
DATE = "date"

# What each table holds, one row for what, in the order of the workbook's sheets.
TABLE_NOTES: dict[str, str] = {
    "meters": "one row a meter, those that need action first; values speak for its worst point",
    "since": "one row for each thing that differs from the review named as the previous one",
    "visits": "the ledger: one row a meter, visit and verification point",
    "forecast": "one row a meter, point and horizon, and one for the due date",
    "intervals": "how long meters may go unseen: one row a scope and method",
    "signals": "one row for each thing that a chart's rule saw",
    "responses": "one row a response: the signal that it answers, or why it answers none",
    "reference": "what meters share: vessels, operators, seasons, shifts",
    "causes": "what to look at first on the bench; a hint, never a diagnosis",
    "own_standings": "as meters, with what meters share taken out of their readings",
    "held_back": "rows of the input that were not used, and why",
}

_METER = {
    "meter_id": ("", "identity as given"),
    "standing": ("", "out, drifting, watch, unproven or holding"),
    "overdue": ("", "the next due date lies before the review's date"),
    "last_visit_on": (DATE, "last visit"),
    "next_due_on": (DATE, "last visit plus the meter's interval; empty where it is not in use"),
    "visits": ("", "visits on record"),
    "segments": ("", "stretches between adjustments"),
    "worst_point_pct": (AIR, "verification point most likely to be out"),
    "as_found_bias_pct": (AIR, "last as-found bias there: mean reading − correct air content"),
    "level_pct": (AIR, "bias as the meter stands now"),
    "drift_pct_per_year": (YEARLY, "drift of the unadjusted path"),
    "drift_low": (YEARLY, "lower end of the drift's interval"),
    "drift_high": (YEARLY, "upper end of the drift's interval"),
    "trend_p": ("", "probability of so strong a trend if there were none"),
    "trend_q": ("", "the same, adjusted for the number of series tested"),
    "p_out_next_due": (
        "",
        "probability that it is truly out at any point on the due date, or now where that is past",
    ),
    "crossing_on": (DATE, "expected to leave the tolerance; empty beyond the horizon"),
    "crossing_early": (DATE, "early end of that date's interval"),
    "crossing_late": (DATE, "late end of that date's interval"),
    "repeatability_pct": (AIR, "standard deviation of replicate readings, pooled"),
    "resolution_limited": ("", "the dial is too coarse to show the size of the drift"),
    "reason": ("", "why it stands so"),
    "action": ("", "the one thing to do"),
}

# Table, column: unit (empty for none) and meaning.
COLUMN_NOTES: dict[str, dict[str, tuple[str, str]]] = {
    "meters": _METER,
    "own_standings": _METER,
    "visits": {
        "meter_id": ("", "identity as given"),
        "point_pct": (AIR, "verification point"),
        "visit_id": ("", "visit as given, else its date"),
        "performed_on": (DATE, "day of the visit"),
        "correct_air_pct": (AIR, "what the meter should have read"),
        "as_found_bias_pct": (AIR, "mean reading − correct air content before any adjustment"),
        "as_found_spread_pct": (AIR, "standard deviation of the as-found replicates"),
        "as_found_replicates": ("", "as-found readings"),
        "as_left_bias_pct": (AIR, "mean reading − correct air content after adjustment"),
        "as_left_spread_pct": (AIR, "standard deviation of the as-left replicates"),
        "as_left_replicates": ("", "as-left readings"),
        "left_bias_pct": (AIR, "bias the meter went away with; empty where nobody read it"),
        "resolution_pct": (AIR, "step the dial was read to"),
        "adjusted": ("", "the mark or the hand was changed"),
        "events": ("", "what was done that day"),
        "evidence_lost": ("", "adjusted, and the drift before it was not read"),
        "drift_step_pct": (AIR, "as found − as left of the visit before"),
        "unadjusted_path_pct": (AIR, "where the meter would be had no one touched it"),
        "segment": ("", "stretch between adjustments, counted from 1"),
        "phase": ("", "stretch of one process, counted from 1; control limits are its own"),
        "vessel_id": ("", "calibration vessel"),
        "operator": ("", "who read"),
        "remarks": ("", "as given"),
    },
    "forecast": {
        "meter_id": ("", "identity as given"),
        "point_pct": (AIR, "verification point"),
        "horizon_days": ("days", "from the review's date"),
        "on_date": (DATE, "day that is forecast"),
        "level_pct": (AIR, "predicted true bias"),
        "low": (AIR, "lower end of its band"),
        "high": (AIR, "upper end of its band"),
        "p_out": ("", "probability that the true bias is out of tolerance"),
        "next_mean_low": (AIR, "lower end of the band of the mean that the visit will find"),
        "next_mean_high": (AIR, "upper end of that band"),
    },
    "intervals": {
        "scope": ("", "fleet, like meters or meter"),
        "name": ("", "which"),
        "meter_id": ("", "identity as given; empty but for a meter"),
        "method": ("", "which method answers; recommendation is the one to use"),
        "days": ("days", "interval at which the target is just kept; empty where it cannot say"),
        "low_days": ("days", "lower end of what it leaves possible"),
        "high_days": ("days", "upper end of what it leaves possible"),
        "evidence": ("", "checks, spells or visits that it rests on"),
        "carried": ("", "the recommendation took it"),
        "basis": ("", "what the answer rests on"),
    },
    "signals": {
        "signal_id": ("", "the same from review to review"),
        "meter_id": ("", "identity as given"),
        "visit_on": (DATE, "visit that it concerns"),
        "point_pct": (AIR, "verification point"),
        "chart": ("", "which chart"),
        "rule": ("", "which rule spoke"),
        "value": (AIR, "plotted value"),
        "limit": (AIR, "limit passed; empty for a run"),
        "sentence": ("", "what was seen"),
        "answered_on": (DATE, "first response to it; empty where there is none"),
    },
    "responses": {
        "signal_id": ("", "the signal it names"),
        "recorded_on": (DATE, "day of the record"),
        "recorded_by": ("", "who recorded it"),
        "finding": ("", "what was found"),
        "action": ("", "what was done"),
        "given_meter_id": ("", "meter it was recorded for; empty where it does not say"),
        "meter_id": ("", "meter of the signal; empty where it names none of this review"),
        "visit_on": (DATE, "visit of the signal"),
        "problem": ("", "why it answers no signal; empty where it does"),
    },
    "reference": {
        "kind": ("", "kind of effect"),
        "name": ("", "which vessel, operator or change"),
        "from_on": (DATE, "first day"),
        "to_on": (DATE, "last day"),
        "effect_pct": (AIR, "its effect on readings; of vessels at 5 % air"),
        "low": (AIR, "lower end of its 95 % interval"),
        "high": (AIR, "upper end of its 95 % interval"),
        "p": ("", "probability of so large an effect if there were none"),
        "q": ("", "the same, adjusted for the number of effects of its kind"),
        "meters": ("", "meters it rests on"),
        "visits": ("", "visits it rests on"),
        "confounded_with": ("", "what it cannot be told from"),
    },
    "causes": {
        "meter_id": ("", "identity as given"),
        "segment": ("", "stretch between adjustments, counted from 1"),
        "cause": ("", "what may be wrong"),
        "probability": ("", "among the causes considered"),
        "evidence": ("", "what speaks for and against it"),
    },
    "held_back": {
        "file": ("", "input file"),
        "line": ("", "line in it"),
        "column": ("", "column; empty for a whole row"),
        "reason": ("", "why it was not used"),
    },
}


def column_notes(table: str, column: str) -> tuple[str, str]:
    """Return unit and meaning of a column of a data file; both empty where none is on record."""
    return COLUMN_NOTES.get(table, {}).get(column, ("", ""))
