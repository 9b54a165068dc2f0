"""This module says what each column of the data files on the reference's chain means."""

from drift.report.note_units import AIR, DATE

_VESSEL = {
    "vessel_id": ("", "identity as given"),
    "calibrated_on": (DATE, "day of the calibration"),
}
# Table, column: unit (empty for none) and meaning.
CHAIN_NOTES: dict[str, dict[str, tuple[str, str]]] = {
    "vessels": {
        **_VESSEL,
        "meter_id": ("", "meter whose bowl the value belongs to; empty where none is named"),
        "air_pct": (AIR, "correct air content of one fill: 100 w/W, or as stated"),
        "u_air_pct": (AIR, "its standard uncertainty: as stated, by the masses, or the usual one"),
        "volume_ml": ("ml", "what the vessel holds; empty where it was not weighed"),
        "u_volume_share": ("", "standard uncertainty of that, as a share of it"),
        "usable": ("", "whether it is used"),
        "problem": ("", "what is wrong with it; empty where nothing is"),
    },
    "bowls": {
        "meter_id": ("", "identity as given"),
        "measured_on": (DATE, "day its bowl was measured"),
        "measured": ("", "measurements of this bowl on record"),
        "volume_ml": ("ml", "what the bowl holds"),
        "u_share": ("", "standard uncertainty of that, as a share of it"),
        "en_before": ("", "E_n against the measurement before; empty for the first"),
        "usable": ("", "whether it is used"),
        "problem": ("", "what is wrong with it; empty where nothing is"),
    },
    "vessel_bowls": {
        **_VESSEL,
        "meter_id": ("", "meter that it was used on"),
        "bowl": (
            "",
            "measured; stated: the vessel has a value for this bowl; unknown: neither",
        ),
        "measured_on": (DATE, "day the bowl was measured; empty where it was not"),
        "air_pct": (AIR, "what one fill stands for on this bowl; on the vessel's where unknown"),
        "u_pct": (AIR, "standard uncertainty of that by the vessel"),
        "bowl_u_pct": (AIR, "the same by the bowl; empty where it was not measured"),
        "open_pct": (AIR, "± how far one fill may be off for a bowl that was not measured"),
        "stated_pct": (AIR, "what readings state of one fill, the middle of them"),
        "off_pct": (AIR, "stated less expected of one fill, the mean"),
        "sittings": ("", "sets of readings"),
        "disagreeing": ("", "sets that state another content than the uncertainty allows"),
    },
    "vessel_checks": {
        "meter_id": ("", "identity as given"),
        "visit_id": ("", "visit as given, else its date"),
        "performed_on": (DATE, "day of the visit"),
        "stage": ("", "as_found or as_left"),
        "point_pct": (AIR, "verification point"),
        "correct_air_pct": (AIR, "what the readings state"),
        "vessel_id": ("", "vessel that they name"),
        "calibrated_on": (DATE, "its calibration in force that day; empty where there is none"),
        "bowl": ("", "how the meter's bowl is known: measured, stated or unknown"),
        "measured_on": (DATE, "day the bowl was measured; empty where it was not"),
        "fills": ("", "number of vessel fills that comes nearest"),
        "expected_pct": (AIR, "what those stand for on this bowl"),
        "u_pct": (AIR, "standard uncertainty of that by the vessel"),
        "bowl_u_pct": (AIR, "the same by the bowl; empty where it was not measured"),
        "open_pct": (AIR, "± what a bowl that was not measured leaves open"),
        "off_pct": (AIR, "stated less expected"),
        "problem": ("", "what is wrong"),
    },
}
