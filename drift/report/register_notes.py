"""This module says what each column of the register, and of the sheet of open points, means."""

from drift.report.note_units import DATE

# Table, column: unit (empty for none) and meaning.
REGISTER_NOTES: dict[str, dict[str, tuple[str, str]]] = {
    "open_points": {
        "asks": (
            "",
            "response (to signals) or decision (about results)",
        ),
        "meter_id": ("", "identity as given"),
        "visit_on": (DATE, "the visit"),
        "signal_id": ("", "its signal; empty where one answer goes for all of the visit"),
        "signals": ("", "signals of the visit without a response"),
        "seen": ("", "what was seen"),
        "finding": ("", "to fill in: what was found"),
        "action": ("", "to fill in: what was done, or what was decided"),
        "by": ("", "to fill in: by whom"),
        "on": (DATE, "to fill in: the day"),
        "customer_told_on": (DATE, "of a decision, to fill in: the day the customer was told"),
        "authorised_by": ("", "of a decision, to fill in: who authorised going on"),
    },
    "register": {
        "meter_id": ("", "identity as given"),
        "maker": ("", "who made it"),
        "model": ("", "model by its maker"),
        "serial": ("", "serial number"),
        "site": ("", "where it is kept"),
        "status": ("", "whether it is in use"),
        "received_on": (DATE, "day it came to the laboratory"),
        "in_service_on": (DATE, "first day in use"),
        "removed_on": (DATE, "day it left for good"),
        "age_years": ("years", "in use, else here, until the date of the review"),
        "procedure": ("", "procedure of its calibration, by the meter or by its readings"),
        "bowl_measured_on": (DATE, "last measurement of its bowl"),
        "calibrated_on": (DATE, "the last calibration that looks forward"),
        "next_due_on": (DATE, "next due date; empty where it is not in use"),
        "calibrated_by": ("", "who read it then"),
        "vessels": ("", "the vessels used then"),
        "checked_by": ("", "who checked it then"),
    },
    "due": {
        "due_on": (DATE, "day on which it is due"),
        "kind": ("", "meter, vessel, balance, thermometer, check_meter, other or person"),
        "item": ("", "identity, or name"),
        "about": ("", "what is due"),
        "site": ("", "where it is kept"),
        "since_on": (DATE, "last calibration, or first day of the authorisation"),
        "overdue": ("", "that day lies before the date of the review"),
        "by": ("", "who calibrated it, issued its certificate or authorised the person"),
    },
    "register_faults": {
        "meter_id": ("", "identity as given; empty for the calibration of a vessel"),
        "visit_id": ("", "visit as given, else its date"),
        "performed_on": (DATE, "its day"),
        "fault": ("", "token of what was not in order that day"),
        "item": ("", "the person, vessel or balance"),
        "since_on": (DATE, "from when it is in order, or until when it was"),
        "sentence": ("", "the same in words"),
    },
}
