"""This module says what each column of the files beside a memo or a note means."""

from drift.report.note_units import AIR, DATE

# File: what it holds, then of each column its unit (empty for none) and meaning.
MEMO_NOTES: dict[str, tuple[str, dict[str, tuple[str, str]]]] = {
    "retirement.csv": (
        "the memo in short, one row a meter",
        {
            "meter_id": ("", "identity as given"),
            "recommendation": ("", "keep, check more often, service or retire"),
            "carried_by": ("", "grounds that carry it"),
            "reason": ("", "why"),
            "would_change": ("", "what would change it"),
        },
    ),
    "retirement_grounds.csv": (
        "each ground against the laboratory's limit",
        {
            "meter_id": ("", "identity as given"),
            "ground": ("", "what was looked at"),
            "value": ("", "what the records give, in the unit beside it"),
            "threshold": ("", "the limit of the policy, in the same unit"),
            "unit": ("", "unit of both"),
            "verdict": ("", "met, not_met or cannot_say"),
            "sentence": ("", "the same in words"),
        },
    ),
    "retirement_costs.csv": (
        "what each choice comes to over the years of the policy",
        {
            "meter_id": ("", "identity as given"),
            "choice": ("", "what would be done"),
            "interval_days": ("days", "between checks under that choice"),
            "expected_cost": ("your currency", "expected cost; empty where a price is missing"),
            "low_cost": ("your currency", "lower end of its range"),
            "high_cost": ("your currency", "upper end of its range"),
            "found_out": ("", "checks that would find it out of tolerance"),
            "share_out": ("", "share of the time that it would truly be out"),
        },
    ),
    "…_study_components.csv": (
        "what the readings of a study scatter by, beside its page",
        {
            "name": (
                "",
                "operator, meter, operator_by_meter, meter_by_point, run, sitting or repeatability",
            ),
            "sd": (AIR, "standard deviation; empty where it cannot be said"),
            "low": (AIR, "lower end of its 95 % interval"),
            "high": (AIR, "upper end; empty where nothing bounds it"),
            "df": ("", "degrees of freedom of the variance; empty at zero"),
            "share": ("", "part of the tolerance that two standard deviations take"),
            "shared_with": ("", "parts that the design cannot tell from it"),
            "note": ("", "why nothing is said of it"),
        },
    ),
    "…_study_effects.csv": (
        "each operator and meter of a study against the others",
        {
            "kind": ("", "operator or meter"),
            "name": ("", "identity as given"),
            "what": ("", "level (mean less that of the others) or scatter (within sittings)"),
            "value": (AIR, "what was found"),
            "low": (AIR, "lower limit of a level, for all of a kind at once"),
            "high": (AIR, "upper limit of a level"),
            "others": (AIR, "scatter of the others; 0 for levels"),
            "p": ("", "two-sided for levels; for more scatter than the others' else"),
            "p_adjusted": ("", "the same for all of a kind at once (Holm)"),
            "stands_out": ("", "whether that is at most 0.05"),
            "compared_over": ("", "crossed means, own meters, sittings or replicates"),
        },
    ),
    "…_field_tests.csv": (
        "field tests of a suspect period, beside an impact note",
        {
            "test_id": ("", "identity as given"),
            "tested_on": (DATE, "day of the test"),
            "placement": ("", "as given"),
            "air_pct": (AIR, "air content as reported"),
            "spec_min_pct": (AIR, "lower limit of the specification"),
            "spec_max_pct": (AIR, "upper limit of the specification"),
            "bias_pct": (AIR, "probable bias of the meter at that air content on that day"),
            "bias_low": (AIR, "lower end of its interval"),
            "bias_high": (AIR, "upper end of its interval"),
            "corrected_air_pct": (AIR, "air content less the bias; no test result"),
            "u_corrected_pct": (
                AIR,
                "its standard uncertainty from bias and rounding, without sampling and operator",
            ),
            "verdict": ("", "what the reported value says against the specification"),
            "p_verdict_wrong": (
                "",
                "chance that a meter without bias would have given the other verdict",
            ),
            "remarks": ("", "as given"),
        },
    ),
    "…_path.csv": (
        "the meter day by day through a suspect period, beside an impact note",
        {
            "point_pct": (AIR, "verification point"),
            "on_date": (DATE, "day"),
            "bias_pct": (AIR, "probable bias, by the readings before and after"),
            "low_pct": (AIR, "lower end of its interval"),
            "high_pct": (AIR, "upper end of its interval"),
            "p_out": ("", "chance that it was out of tolerance on that day"),
            "p_been_out": ("", "chance that it had been out by that day"),
        },
    ),
}
