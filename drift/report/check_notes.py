"""This module says what each column of the data files on checks between calibrations means."""

from drift.report.note_units import DATE

_OWN = "in unit"
_SERIES = {
    "meter_id": ("", "identity as given"),
    "check": ("", "zero, leak, point or artefact"),
    "unit": ("", "unit of the numbers; pressures are turned into kPa"),
    "aim": (_OWN, "what the first check of a point or an artefact was to show; else empty"),
}
# Table, column: unit (empty for none) and meaning.
CHECK_NOTES: dict[str, dict[str, tuple[str, str]]] = {
    "check_series": {
        **_SERIES,
        "name": ("", "kind and aim in words"),
        "days": ("", "days on which it was done"),
        "numbers": ("", "days that gave a number"),
        "passed": ("", "answers yes without a number"),
        "failed": ("", "answers no without a number"),
        "first_on": (DATE, "first of them"),
        "last_on": (DATE, "last of them"),
        "limit": (_OWN, "limit in force on the last day; empty where none is set"),
        "basis": (
            "",
            "policy, record, tolerance, answer; no_limit_set, limit_in_another_unit: not judged",
        ),
        "outside": ("", "days outside the limit, or answered no"),
        "last": (_OWN, "last number less what was expected"),
        "baseline": ("", "days that set the limits of the charts"),
        "centre": (_OWN, "centre of the charts"),
        "sigma": (_OWN, "standard deviation of one day behind them; empty where there are none"),
        "in_control": ("", "last day inside both charts; empty where there are no limits"),
        "restarts": ("", "times that the limits were set anew after work on the meter"),
        "sentence": ("", "the same in words"),
    },
    "check_days": {
        **_SERIES,
        "performed_on": (DATE, "day of the checks"),
        "phase": ("", "phase whose limits are in force"),
        "replicates": ("", "checks of that day"),
        "departure": (_OWN, "mean of the day less what was expected; empty of answers"),
        "passed": ("", "answers yes without a number"),
        "failed": ("", "answers no without a number"),
        "limit": (_OWN, "largest departure allowed; empty where no limit is set"),
        "judged": ("", "inside, outside or not_judged"),
        "ewma": (_OWN, "weighted mean of the days so far"),
        "centre": (_OWN, "centre of the charts"),
        "ewma_lower": (_OWN, "lower limit of the EWMA"),
        "ewma_upper": (_OWN, "upper limit of the EWMA"),
        "cusum_high": (_OWN, "cumulative sum above the centre"),
        "cusum_low": (_OWN, "cumulative sum below the centre, as a number below 0"),
        "cusum_limit": (_OWN, "what either sum may reach"),
        "in_baseline": ("", "whether the day helped to set the limits"),
    },
}
