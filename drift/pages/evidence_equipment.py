"""This module answers what an assessor asks about equipment and its calibration; it judges none."""

from datetime import date

import polars as pl

from drift import format as text
from drift.pages.evidence_data import MISSING, OUTSIDE, PARTLY, SHOWN, Entry
from drift.pages.names import file_name
from drift.results import Review

# Days by which a visit may be late and still count as kept to the week.
_WEEK = 7
# Meters and dates that an answer names.
_MOST_NAMED = 5


def equipment_entries(review: Review) -> tuple[Entry, ...]:
    """Return the answers on equipment, clause by clause."""
    return (
        _back_in_service(review),
        _calibrated(review),
        _programme(review),
        _out_of_service(review),
        _reference_values(review),
        _unintended(review),
        _record(review),
        _traceability(review),
    )


def schedule_entries(review: Review) -> tuple[Entry, ...]:
    """Return the answers on the construction-materials quality-system practice."""
    record = _record(review)
    kept = _programme(review)
    return (
        Entry(
            "equipment record",
            checked=False,
            asks=(
                "For each item: results in detail, identity, date, person, procedure, previous and "
                "next due date, and the reference used."
            ),
            state=record.state,
            answer=(*record.answer, "The procedure followed is not in these tables."),
            proof=record.proof,
        ),
        Entry(
            "intervals",
            checked=False,
            asks=(
                "Standardised at least as often as the scheme's table says (three months for air "
                "meters, from memory); longer only with a justification."
            ),
            state=kept.state,
            answer=(*kept.answer, *_longer(review)),
            proof=kept.proof,
        ),
    )


def named(meter_ids: list[str]) -> tuple[tuple[str, str], ...]:
    """Return links to the dossiers of the first few meters."""
    return tuple(
        (f"meters/{file_name(name)}", text.shortened(name, longest=24))
        for name in meter_ids[:_MOST_NAMED]
    )


def span(days: pl.Series) -> str:
    """Return the first and the last of some dates in words."""
    first, last = days.min(), days.max()
    if not isinstance(first, date) or not isinstance(last, date):
        return "no dates"
    return text.day(first) if first == last else f"{text.day(first)} to {text.day(last)}"


def _visits(review: Review) -> pl.DataFrame:
    """Return one row a meter and visit: date, adjusted, lost, and points read as found and left."""
    return (
        review.ledger.group_by("meter_id", "visit_id")
        .agg(
            on=pl.col("performed_on").min(),
            adjusted=pl.col("adjusted").fill_null(value=False).any(),
            lost=pl.col("evidence_lost").fill_null(value=False).any(),
            points=pl.len(),
            found=pl.col("as_found_bias_pct").count(),
            left=pl.col("as_left_bias_pct").count(),
        )
        .sort("meter_id", "on", "visit_id")
    )


def _back_in_service(review: Review) -> Entry:
    """Answer whether every meter was shown right after it was adjusted."""
    adjusted = _visits(review).filter("adjusted")
    read = adjusted.filter(pl.col("left") >= pl.col("found"))
    unread = adjusted.filter(pl.col("left") == 0)
    found = adjusted.filter(pl.col("found") > 0)
    judged = review.conformity.verdicts.filter(pl.col("stage") == "as_left")
    failed = judged.filter(pl.col("verdict") == "fail")
    answer = [
        (
            f"{text.count(adjusted.height, 'visit')} adjusted a meter ({span(adjusted['on'])}); at "
            f"{text.whole(read.height)} of them every point read as found was read as left, and "
            f"{text.whole(found.height)} have readings as found."
        ),
        (
            f"{text.count(judged.height, 'as-left bias', 'as-left biases')} judged by the decision "
            f"rule: {text.whole(failed.height)} failed."
        ),
    ]
    if unread.height:
        answer.append(
            f"Missing: as-left readings after {text.count(unread.height, 'adjustment')}, the last "
            f"on {text.day(max(unread['on']))}."
        )
    sound = read.height == adjusted.height and failed.is_empty()
    return Entry(
        "6.4.4",
        checked=True,
        asks="Each meter is shown to meet its requirement before it goes (back) into service.",
        state=SHOWN if sound else PARTLY,
        answer=tuple(answer),
        proof=(
            ("data/visits.csv", "every visit, as found and as left"),
            ("data/conformity.csv", "every verdict"),
            *named(failed["meter_id"].unique().sort().to_list()),
        ),
    )


def _calibrated(review: Review) -> Entry:
    """Answer whether the meters are calibrated at all."""
    visits = _visits(review)
    return Entry(
        "6.4.6",
        checked=True,
        asks="Equipment whose accuracy affects results is calibrated.",
        state=SHOWN,
        answer=(
            (
                f"{text.count(review.meters.height, 'meter')}, "
                f"{text.count(visits.height, 'visit')}, "
                f"{span(visits['on'])}, at {text.listed([text.point(p) for p in _points(review)])}."
            ),
        ),
        proof=(("index.html#meters", "meter by meter"), ("data/visits.csv", "every visit")),
    )


def _points(review: Review) -> list[float]:
    """Return the verification points that were read."""
    return review.ledger["point_pct"].unique().sort().to_list()


def _programme(review: Review) -> Entry:
    """Answer whether the schedule was kept, and is reviewed."""
    intervals = dict(
        review.sources.meters.drop_nulls("interval_days")
        .select("meter_id", "interval_days")
        .iter_rows()
    )
    gaps = _visits(review).with_columns(gap=pl.col("on").diff().over("meter_id").dt.total_days())
    known = gaps.drop_nulls("gap").with_columns(
        due=pl.col("meter_id").replace_strict(
            intervals, default=review.policy.interval_days, return_dtype=pl.Int64
        )
    )
    kept = known.filter(pl.col("gap") <= pl.col("due")).height
    nearly = known.filter(pl.col("gap") <= pl.col("due") + _WEEK).height
    late = known.with_columns(over=pl.col("gap") - pl.col("due")).sort("over").tail(1)
    overdue = review.meters.filter("overdue")
    answer = [
        (
            f"{text.whole(kept)} of {text.whole(known.height)} visits came within the meter's "
            "interval, "
            f"{text.whole(nearly)} within {_WEEK} days of its end."
        )
    ]
    if late.height and late["over"][0] > _WEEK:
        answer.append(
            f"The latest came {text.count(late['over'][0], 'day')} late "
            f"({text.shortened(late['meter_id'][0], longest=24)}, {text.day(late['on'][0])})."
        )
    answer.append(
        f"Overdue now: {text.whole(overdue.height)}."
        if overdue.is_empty()
        else f"Overdue now: {text.listed(_few(overdue['meter_id'].to_list()))}."
    )
    answer.append("Intervals are argued from the data in this review, and never set by it.")
    sound = nearly == known.height and overdue.is_empty()
    return Entry(
        "6.4.7",
        checked=False,
        asks="A calibration programme is kept, and reviewed so that the status stays trustworthy.",
        state=SHOWN if sound else PARTLY,
        answer=tuple(answer),
        proof=(
            ("index.html#overdue", "overdue"),
            ("index.html#intervals", "intervals"),
            ("data/intervals.csv", "how each is argued"),
            *named(overdue["meter_id"].to_list()),
        ),
    )


def _few(names: list[str]) -> list[str]:
    """Return the first few names, and how many more there are."""
    shown = [text.shortened(name, longest=24) for name in names[:_MOST_NAMED]]
    more = len(names) - len(shown)
    return [*shown, *([f"{more} more"] if more else [])]


def _longer(review: Review) -> tuple[str, ...]:
    """Say which meters are seen less often than the policy's interval."""
    longer = review.sources.meters.filter(
        (pl.col("interval_days") > review.policy.interval_days)
        & (pl.col("status").fill_null("active") == "active")
    )
    if longer.is_empty():
        return (f"No interval is longer than {text.count(review.policy.interval_days, 'day')}.",)
    names = text.listed(_few(longer["meter_id"].to_list()))
    return (
        (
            f"Longer than {text.count(review.policy.interval_days, 'day')}: {names}. The "
            "justification "
            "is not in these tables."
        ),
    )


def _out_of_service(review: Review) -> Entry:
    """Answer what became of meters found out of tolerance."""
    out = review.meters.filter(pl.col("standing") == "out")
    table = review.sources.meters
    status = dict(table.drop_nulls("status").select("meter_id", "status").iter_rows())
    active = [name for name in out["meter_id"] if status.get(name, "active") == "active"]
    answer = [
        f"Out now: {text.listed(_few(out['meter_id'].to_list()))}."
        if out.height
        else "No meter stands out of tolerance now."
    ]
    if active:
        answer.append(
            f"Missing: {text.listed(_few(active))} out of tolerance and not recorded as withdrawn."
        )
    answer.append("How a meter out of service is marked and kept apart is not in these tables.")
    return Entry(
        "6.4.9",
        checked=False,
        asks="A suspect meter is taken out of service, marked, and its effect on results examined.",
        state=PARTLY if out.height else SHOWN,
        answer=tuple(answer),
        proof=(("index.html", "what needs action"), *named(out["meter_id"].to_list())),
    )


def _reference_values(review: Review) -> Entry:
    """Answer whether the reference values in use are the current ones."""
    vessels = review.sources.vessels
    wrong = review.reference.checks.height
    answer = [
        f"{text.count(vessels['vessel_id'].n_unique(), 'vessel')} with "
        f"{text.count(vessels.height, 'calibration')} on record "
        f"({span(vessels['calibrated_on'])})."
        if vessels.height
        else "Missing: no calibration of a vessel is on record.",
        (
            f"{text.count(wrong, 'set') if wrong else 'No set'} of readings with an air content "
            "that is not its vessel's."
        ),
        f"{text.count(review.sources.marks.height, 'record')} of the initial pressure mark.",
    ]
    return Entry(
        "6.4.11",
        checked=False,
        asks="Reference values and correction factors are kept up to date and used.",
        state=MISSING if vessels.is_empty() else PARTLY if wrong else SHOWN,
        answer=tuple(answer),
        proof=(
            ("index.html#reference", "does the reference hold"),
            ("data/reference.csv", "what meters share"),
        ),
    )


def _unintended(review: Review) -> Entry:
    """Answer whether adjustments nobody meant would be seen."""
    lost = _visits(review).filter("lost")
    answer = [
        (
            "An adjustment between visits shows as a jump of the unadjusted path: "
            f"{text.count(review.changes.height, 'jump')} found."
        ),
        f"As-found evidence lost at {text.count(lost.height, 'visit')}"
        + (f" ({span(lost['on'])})." if lost.height else "."),
        "Seals and other guards of mark and hand are not in these tables.",
    ]
    return Entry(
        "6.4.12",
        checked=True,
        asks="Measures keep equipment from being adjusted unintentionally.",
        state=PARTLY,
        answer=tuple(answer),
        proof=(
            ("data/visits.csv", "column evidence_lost"),
            *named(lost["meter_id"].unique().sort().to_list()),
        ),
    )


def _record(review: Review) -> Entry:
    """Answer which parts of the equipment record are there."""
    sittings, meters = review.sources.sessions, review.sources.meters
    count = sittings.height
    vessel = sittings.filter(pl.col("correct_air_pct") > 0)
    parts = (
        ("operator", sittings["operator"].count(), count),
        ("vessel", vessel["vessel_id"].count(), vessel.height),
        ("resolution", sittings["resolution_pct"].count(), count),
        ("water temperature", sittings["water_temp_c"].count(), count),
    )
    told = text.listed([f"{name} {_share(some, of)}" for name, some, of in parts])
    site = meters["site"].count()
    answer = [
        f"Of {text.whole(count)} sets of readings there are recorded: {told}.",
        (
            f"Site of {text.whole(site)} of {text.count(review.meters.height, 'meter')}; "
            f"{text.count(review.sources.service.height, 'record')} of service and damage."
        ),
        (
            "Missing: maker, type, serial number and the procedure followed; these tables have no "
            "place for them."
        ),
    ]
    return Entry(
        "6.4.13",
        checked=True,
        asks=(
            "Records hold identity, place, dates and results of calibrations, adjustments, "
            "acceptance criteria, due date, and (from memory) damage or repair."
        ),
        state=PARTLY,
        answer=tuple(answer),
        proof=(
            ("data/visits.csv", "dates, results, adjustments"),
            ("data/meters.csv", "due dates"),
            ("index.html#policy", "acceptance criteria"),
        ),
    )


def _share(some: int, of: int) -> str:
    """Return a count out of a total, as a whole percentage that is 0 or 100 only when exact."""
    if of == 0:
        return text.CANNOT_SAY
    if some in {0, of}:
        return text.share(some / of)
    return text.probability(some / of)


def _traceability(review: Review) -> Entry:
    """Answer how far the chain of the reference goes in these records."""
    values = review.reference.vessels
    sure = review.sources.vessels["u_air_pct"].count()
    answer = [
        (
            f"{text.whole(sure)} of {text.count(values.height, 'vessel calibration')} state an "
            "uncertainty."
        ),
        (
            "Missing: certificates of the balance and the masses behind them; these tables have no "
            "place for them."
        ),
    ]
    return Entry(
        "6.5",
        checked=False,
        asks="An unbroken chain leads from the reference to national standards.",
        state=MISSING if values.is_empty() else OUTSIDE if sure == 0 else PARTLY,
        answer=tuple(answer),
        proof=(("data/uncertainty.csv", "uncertainty budgets"),),
    )
