"""This module says whether the reference holds, from what meters share."""

from datetime import date, timedelta

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.reference.check_meters.verdicts import FLEET, NOBODY
from drift.report.pages.parts import dated, file_name
from drift.report.pages.reference_bowls import bowls_part
from drift.report.pages.reference_checked import checked_part
from drift.report.pages.reference_compared import compared_part
from drift.report.pages.reference_history import history_of_vessels
from drift.report.pages.reference_rows import (
    CheckRow,
    EffectRow,
    ReferencePart,
    StandingRow,
    VesselRow,
)
from drift.review.policy import Policy
from drift.review.results import Review

_LONGEST_TABLE = 50
# A difference of a tenth of the tolerance is spoken of (common practice, no source).
_MATTERS = 0.1
# A vessel last used longer ago than this puts no present reading in doubt.
_RECENT = timedelta(days=365)
_LONGEST_NAME = 60
_MOST_SENTENCES = 3

WHAT = {
    "vessel": "vessel, against the mean of the others",
    "vessel_change": "change of vessel or of its calibration",
    "vessel_step": "shift within one calibration",
    "shared_step": "shift of all meters, no vessel named",
    "operator": "operator, against the mean of the others",
    "season": "half the swing over the year, as far as it returns",
    "water_temperature": "water warmer by 10 °C",
    "fleet_drift": "drift that all meters share, per year",
}
_OF_VESSELS = ("vessel", "vessel_change", "vessel_step", "shared_step")
_NOTHING_TO_COMPARE = "nothing to compare with"

_WOULD_LET = (
    "What would let it be judged: read five meters with a second vessel, and let a second operator "
    "read them too."
)
_NO_EFFECTS = (
    "Cannot say: no two visits of two meters can be compared through what they were read with. "
    f"{_WOULD_LET}"
)


def reference_part(review: Review) -> ReferencePart:
    """Return what the fleet review says of the reference."""
    policy, found = review.policy, review.reference
    effects = effect_rows(found.effects, policy=policy)
    checks = check_rows(found.checks)
    vessels = tuple(
        VesselRow(**row)
        for row in found.vessels.filter(pl.col("problem") != "")
        .select("vessel_id", "calibrated_on", "usable", "problem")
        .iter_rows(named=True)
    )
    standings = standing_rows(review)
    doubt = _doubt(review, checks, vessels)
    return ReferencePart(
        lead=lead(found.effects, policy=policy, verdicts=found.witnesses.verdicts),
        doubt=doubt,
        verdict="in doubt" if doubt else _without_doubt(found.effects),
        effects=effects[:_LONGEST_TABLE],
        effects_total=len(effects),
        checks=checks[:_LONGEST_TABLE],
        checks_total=len(checks),
        vessels=vessels[:_LONGEST_TABLE],
        vessels_total=len(vessels),
        bowls=bowls_part(review),
        history=history_of_vessels(review),
        compared=compared_part(review),
        checked=checked_part(found.witnesses),
        standings=standings,
        standings_lead=_standings_lead(review, standings),
        studies=_studies(review.sources.studies),
    )


def _studies(readings: pl.DataFrame) -> tuple[tuple[str, str, str], ...]:
    """Return each study on record, where its page is, and what was read for it."""
    counted = readings.group_by("study_id").agg(
        pl.len(), pl.col("operator").n_unique(), pl.col("meter_id").n_unique()
    )
    return tuple(
        (
            study_id,
            f"studies/{file_name(study_id)}",
            ", ".join(
                text.count(number, what)
                for number, what in ((many, "reading"), (operators, "operator"), (meters, "meter"))
            ),
        )
        for study_id, many, operators, meters in counted.sort("study_id").iter_rows()
    )


def _without_doubt(effects: pl.DataFrame) -> str:
    """Say in two words what is known of vessels in which nothing was found."""
    vessels = effects.filter(pl.col("kind").is_in(_OF_VESSELS))
    return "no doubt found" if vessels["effect_pct"].count() else text.CANNOT_SAY


def effect_rows(effects: pl.DataFrame, *, policy: Policy) -> tuple[EffectRow, ...]:
    """Return page rows for the effects that meters share, in their order."""
    places = effects["kind"].unique(maintain_order=True).to_list()
    return tuple(
        EffectRow(
            place=places.index(row["kind"]),
            what=WHAT.get(row["kind"], text.words_of(row["kind"])),
            name=dated(row["name"]),
            from_on=row["from_on"],
            to_on=row["to_on"],
            effect=row["effect_pct"],
            low=row["low"],
            high=row["high"],
            q=row["q"],
            found=_is_found(row, policy),
            meters=row["meters"],
            visits=row["visits"],
            confounded_with=_confounded(row),
        )
        for row in effects.iter_rows(named=True)
    )


def check_rows(checks: pl.DataFrame) -> tuple[CheckRow, ...]:
    """Return the sittings that disagree with their vessel, those alike together, newest first."""
    together = checks.group_by("vessel_id", "problem").agg(
        sittings=pl.len().cast(pl.Int64),
        meters=pl.col("meter_id").n_unique().cast(pl.Int64),
        from_on=pl.col("performed_on").min(),
        to_on=pl.col("performed_on").max(),
        off_low=pl.col("off_pct").min(),
        off_high=pl.col("off_pct").max(),
    )
    ordered = together.sort("to_on", "vessel_id", "problem", descending=[True, False, False])
    return tuple(CheckRow(**row) for row in ordered.iter_rows(named=True))


def standing_rows(review: Review) -> tuple[StandingRow, ...]:
    """Return the meters whose standing is another one without what meters share."""
    alone = review.own_meters.select("meter_id", alone="standing", p_alone="p_out_next_due")
    both = review.meters.join(alone, on="meter_id", maintain_order="left")
    return tuple(
        StandingRow(
            meter_id=row["meter_id"],
            file=file_name(row["meter_id"]),
            as_read=row["standing"],
            alone=row["alone"],
            p_as_read=row["p_out_next_due"],
            p_alone=row["p_alone"],
        )
        for row in both.filter(pl.col("standing") != pl.col("alone")).iter_rows(named=True)
    )


def _standings_lead(review: Review, standings: tuple[StandingRow, ...]) -> str:
    """Say what taking out the shared part does to the standings."""
    if review.own_meters.is_empty():
        return "Nothing was taken out of the readings: every standing is as read."
    rest = "Everywhere else on these pages readings are used as read."
    taken = "If the shifts that vessels and operators give all meters are taken out,"
    if not standings:
        return f"{taken} no meter's standing changes. {rest}"
    gets = "gets" if len(standings) == 1 else "get"
    return f"{taken} {text.count(len(standings), 'meter')} {gets} another standing. {rest}"


def lead(effects: pl.DataFrame, *, policy: Policy, verdicts: pl.DataFrame) -> tuple[str, ...]:
    """Say in a few sentences what meters share, what matters first.

    Parameters
    ----------
    effects : pl.DataFrame
        Frame of `drift.reference.crossed_effects.REFERENCE`.
    policy : Policy
    verdicts : pl.DataFrame
        Frame of `drift.reference.check_meters.verdicts.REFERENCE_VERDICTS`.
    """
    rows = effects.to_dicts()
    moved = _moved(rows, policy)
    told = [_moved_sentence(row, verdicts) for row in moved[:_MOST_SENTENCES]]
    if len(moved) > len(told):
        told.append(f"{text.whole(len(moved) - len(told))} more in the table.")
    if not told:
        told = _holds(rows, policy)
    people = sorted(
        (row for row in rows if row["kind"] == "operator" and _matters(row, policy)),
        key=lambda row: -abs(row["effect_pct"]),
    )
    return (*told, *(_operator_sentence(row) for row in people[: _MOST_SENTENCES - 1]))


def _moved(rows: list[Row], policy: Policy) -> list[Row]:
    """Return changes, shifts and common drift that matter, the newest first."""
    kinds = ("vessel_change", "vessel_step", "shared_step", "fleet_drift")
    found = [row for row in rows if row["kind"] in kinds and _matters(row, policy)]
    return sorted(found, key=lambda row: (row["to_on"], row["name"]), reverse=True)


def _moved_sentence(row: Row, verdicts: pl.DataFrame) -> str:
    """Say what moved every meter alike, and what a check meter makes of it where there is one."""
    found = _verdict_on(row, verdicts)
    if found is None or found["why"] == NOBODY:
        return f"{_moved_words(row)}{_pointing(row)}"
    return f"{_moved_words(row)}. {found['sentence']}"


def _verdict_on(row: Row, verdicts: pl.DataFrame) -> Row | None:
    """Return the verdict of check meters on an effect, None where they were not asked."""
    same = verdicts.filter(
        *(pl.col(name) == row[name] for name in ("kind", "name", "from_on", "to_on"))
    )
    return same.row(0, named=True) if same.height else None


def _pointing(row: Row) -> str:
    """Say what a shift points to by itself."""
    if row["kind"] == "fleet_drift":
        return ": a vessel that wears looks the same."
    if row["kind"] == "shared_step":
        return (
            ". No vessel is named on their readings: look at what they were compared with (vessel, "
            "scale, way of working) before the meters."
        )
    return ". That points to the vessel, not to the meters."


def _moved_words(row: Row) -> str:
    """Say what moved every meter alike, without a full stop."""
    size = f"{text.spread(abs(row['effect_pct']))}{text.NO_BREAK}%{text.NO_BREAK}air"
    way = "higher" if row["effect_pct"] > 0 else "lower"
    interval = f"95{text.NO_BREAK}% interval {text.interval(row['low'], row['high'])}"
    meters = text.count(row["meters"], "meter")
    name, when = _in_sentence(row["name"]), _when(row)
    at = text.point(5.0)
    if row["kind"] == "fleet_drift":
        return (
            f"All {meters} drift together by {text.bias_with_unit(row['effect_pct'])} a year "
            f"({interval})"
        )
    if row["kind"] == "shared_step":
        return (
            f"From some day {when} on, {meters} read {size} {way} at {at} ({interval}): all of "
            "them together, not one alone"
        )
    if row["kind"] == "vessel_step":
        return (
            f"{name}: from some day {when} on, {meters} read {size} {way} at {at} ({interval}): "
            "all that use this vessel, not one alone"
        )
    return f"Change from {name}, {when}: the same {meters} read {size} {way} at {at} ({interval})"


def _operator_sentence(row: Row) -> str:
    """Say that an operator reads otherwise than the rest."""
    way = "higher" if row["effect_pct"] > 0 else "lower"
    return (
        f"{_in_sentence(row['name'])} reads {text.spread(abs(row['effect_pct']))}"
        f"{text.NO_BREAK}%{text.NO_BREAK}air {way} than the mean of all operators "
        f"({text.interval(row['low'], row['high'])}, {text.count(row['visits'], 'visit')})."
    )


def _holds(rows: list[Row], policy: Policy) -> list[str]:
    """Say that no vessel is seen to have moved, or why that cannot be said."""
    vessels = [row for row in rows if row["kind"] in _OF_VESSELS]
    if not vessels:
        return [_NO_EFFECTS]
    told = [row for row in vessels if row["effect_pct"] is not None]
    untold = [_untold(row) for row in vessels if row["effect_pct"] is None]
    if not told:
        more = f" The same goes for {len(untold) - 1} more." if len(untold) > 1 else ""
        return [f"Cannot say whether the vessels hold: {untold[0]}.{more} {_WOULD_LET}"]
    bound = max(max(abs(row["low"]), abs(row["high"])) for row in told)
    unit = f"{text.NO_BREAK}%{text.NO_BREAK}air"
    least = text.plain(_MATTERS * policy.tolerance_pct)
    small = [
        f" Differences were found, the largest of {text.spread(size)}{unit}; those below "
        f"{least}{unit} are not reported here."
        for size in sorted(abs(row["effect_pct"]) for row in told if _is_found(row, policy))[-1:]
    ]
    named = any(row["kind"] != "shared_step" for row in told)
    nothing = (
        "No vessel is found to be off by as much as matters. A shift"
        if named
        else "No vessel is named on the readings. Meters did not shift together by as much as "
        "matters. A shift"
    )
    sentences = [
        f"{nothing} of {text.spread(bound)}{unit} at {text.point(5.0)} would have been seen."
        + "".join(small)
    ]
    return [*sentences, f"The rest cannot be judged: {untold[0]}."] if untold else sentences


def _confounded(row: Row) -> str:
    """Return what keeps an effect from being told, empty where nothing does."""
    if row["effect_pct"] is not None:
        return ""
    if row["confounded_with"] in {None, _NOTHING_TO_COMPARE}:
        return _NOTHING_TO_COMPARE
    return f"goes with {dated(row['confounded_with'])}"


def _untold(row: Row) -> str:
    """Say why an effect cannot be known."""
    name, other = _in_sentence(row["name"]), _in_sentence(row["confounded_with"] or "")
    if row["confounded_with"] in {None, _NOTHING_TO_COMPARE}:
        return f"{name} has nothing to compare with"
    return f"{name} and {other} were always read together, so that neither shows alone"


def _doubt(review: Review, checks: tuple[CheckRow, ...], vessels: tuple[VesselRow, ...]) -> str:
    """Say why the reference is to be doubted before the meters, empty where it is not."""
    rows, since = review.reference.effects.to_dicts(), review.as_of - _RECENT
    verdicts = review.reference.witnesses.verdicts
    moved = [
        row
        for row in _moved(rows, review.policy)
        if _last_use(row, rows) >= since
        and (_verdict_on(row, verdicts) or {"verdict": None})["verdict"] != FLEET
    ]
    if moved:
        return _moved_sentence(moved[0], verdicts)
    off = [row for row in checks if row.off_low is not None and row.to_on >= since]
    if off:
        return (
            f"{text.count(off[0].sittings, 'reading')} up to {text.day(off[0].to_on)} state "
            f"another air content than vessel {_in_sentence(off[0].vessel_id)} stands for."
        )
    newest = dict(
        review.reference.vessels.group_by("vessel_id")
        .agg(pl.col("calibrated_on").max())
        .iter_rows()
    )
    broken = [
        row for row in vessels if not row.usable and row.calibrated_on == newest[row.vessel_id]
    ]
    if broken:
        on = f" of {text.day(broken[0].calibrated_on)}" if broken[0].calibrated_on else ""
        return f"The calibration{on} of vessel {_in_sentence(broken[0].vessel_id)} cannot be used."
    return ""


def _last_use(row: Row, rows: list[Row]) -> date:
    """Return the last day on which what an effect speaks of was read with."""
    used = [
        other["to_on"]
        for other in rows
        if (other["kind"] == "vessel" and f" to {row['name']}".endswith(f" to {other['name']}"))
        # What no vessel stands for is in use as long as the meters are.
        or (row["kind"] == "shared_step" and other["name"] == row["name"])
    ]
    on: date = max([*used, row["to_on"]])
    return on


def _is_found(row: Row, policy: Policy) -> bool:
    """Say whether an effect is more than chance."""
    return row["q"] is not None and row["q"] <= policy.false_discovery_rate


def _matters(row: Row, policy: Policy) -> bool:
    """Say whether an effect is more than chance and large enough to speak of."""
    least = _MATTERS * policy.tolerance_pct
    if row["kind"] == "fleet_drift":
        least = policy.negligible_drift_pct_per_year
    return (
        row["effect_pct"] is not None and _is_found(row, policy) and abs(row["effect_pct"]) >= least
    )


def _when(row: Row) -> str:
    """Return the dates of an effect in words."""
    if row["from_on"] == row["to_on"]:
        return f"on {text.day(row['to_on'])}"
    return f"between {text.day(row['from_on'])} and {text.day(row['to_on'])}"


def _in_sentence(name: str) -> str:
    """Return a name fit for a sentence: printable, and no longer than a sentence bears."""
    printable = "".join(mark if mark.isprintable() else "?" for mark in name)
    return text.shortened(dated(printable), longest=2 * _LONGEST_NAME)
