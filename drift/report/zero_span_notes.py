"""This module says what each column of the data files on zero and span means."""

from drift.report.note_units import AIR, DATE, YEARLY

_WHOSE = {
    "meter_id": ("", "identity as given"),
    "part": (
        "",
        "zero: the bias at 0 %, taken along the whole dial; span: what is left at 10 % air",
    ),
}
# Table, column: unit (empty for none) and meaning.
ZERO_SPAN_NOTES: dict[str, dict[str, tuple[str, str]]] = {
    "zero_span": {
        **_WHOSE,
        "visit_id": ("", "the visit"),
        "performed_on": (DATE, "its day"),
        "points": ("", "points that were read for it as found"),
        "found_pct": (AIR, "as found"),
        "se_pct": (AIR, "its standard error by reading noise and rounding"),
        "law_se_pct": (AIR, "what not knowing the chamber's scale adds, alike at all visits"),
        "left_pct": (AIR, "what the visit left; empty where not known"),
        "path_pct": (AIR, "where it would be without adjustments; empty where a step is hidden"),
        "centre": (AIR, "mean of the path over its baseline; empty where that is too short"),
        "lower": (AIR, "lower limit of the path"),
        "upper": (AIR, "upper limit of the path"),
        "beyond": ("", "the path lies outside its limits"),
    },
    "hysteresis": {
        "meter_id": ("", "identity as given"),
        "visits": ("", "visits with a point read on the way up and down"),
        "readings": ("", "readings of those points"),
        "difference_pct": (AIR, "read after a higher content less after a lower one"),
        "difference_low": (AIR, "lower end of its 95 % interval"),
        "difference_high": (AIR, "upper end of that interval"),
        "p": ("", "chance of as large a difference where there is none"),
        "finding": ("", "shown, not_shown or cannot_say"),
        "why": ("", "no_order or one_way_only: why nothing can be said; empty where it can"),
    },
    "zero_span_drifts": {
        **_WHOSE,
        "visits": ("", "visits that tell it"),
        "drift": (YEARLY, "drift of its path; empty where too few steps of the dial were seen"),
        "drift_low": (YEARLY, "lower end of its 95 % interval"),
        "drift_high": (YEARLY, "upper end of that interval"),
        "drift_p": ("", "chance of a drift as large where there is none"),
        "beyond_since": (DATE, "first visit of those outside the limits up to the last one"),
        "finding": ("", "drifts, no_drift_shown, too_few_visits or cannot_say"),
        "why": ("", "why nothing can be said; empty where something can"),
    },
}
