"""This module lists what statements about one meter must agree, and finds those that do not.

Each pair takes a review and yields what contradicts, in words; none is allowed to yield.
"""

import re
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from typing import Any

import polars as pl

from drift.report.pages.captions import adjustments
from drift.report.pages.dossier import dossier_page
from drift.report.pages.fleet import fleet_page
from drift.review.headline import headline
from drift.review.obligations import BARRED, TOKENS
from drift.review.results import Review

Pair = Callable[[Review], Iterator[str]]
Row = dict[str, Any]

_AT = re.compile(r"confirmed drift at (\d+) %: ")
_CROSSES = re.compile(
    r"confirmed drift at (\d+) %: [^;(]*\([^)]*\), out of tolerance about (\d+ \w+ \d+)"
)


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


def meters(review: Review) -> Iterator[tuple[Row, list[str]]]:
    """Yield each meter's row with its obligations."""
    for row in review.meters.iter_rows(named=True):
        yield row | {"reason": plain(row["reason"])}, row["obligations"].split()


def in_use(review: Review) -> Iterator[tuple[Row, list[str]]]:
    return (pair for pair in meters(review) if pair[0]["standing"] != "retired")


def standing_and_obligation(review: Review) -> Iterator[str]:
    """Out is not to be used; retired owes nothing of use; what holds has no chance to be feared."""
    limit = 1 - review.policy.intervals.target
    for row, owed in meters(review):
        name, standing, risk = row["meter_id"], row["standing"], row["p_out_next_due"] or 0.0
        if standing == "out" and "do_not_use" not in owed:
            yield f"{name} is out and may be used"
        if standing == "retired" and set(owed) - {"close_file"}:
            yield f"{name} is retired and owes {owed}"
        if standing == "holding" and risk >= limit:
            yield f"{name} holds with P(out) {risk}"
        if standing == "holding" and "confirmed drift" in row["reason"]:
            yield f"{name} holds and drifts"
        if standing == "drifting" and not {*owed} & {*TOKENS[:5]}:
            yield f"{name} drifts and nothing is asked"
        if "keep" in owed and owed != ["keep"]:
            yield f"{name} is to be kept to the schedule and {owed}"
        if standing != "retired" and not owed:
            yield f"{name} owes nothing, not even its schedule"


def chance_and_obligation(review: Review) -> Iterator[str]:
    """Ask for one of the first four where P(out) is 1 − target or more, bar at one half."""
    policy = review.policy
    for row, owed in in_use(review):
        now, due = row["p_out_now"] or 0.0, row["p_out_next_due"] or 0.0
        if due >= 1 - policy.intervals.target and not {*owed} & {*TOKENS[:4]}:
            yield f"{row['meter_id']} has P(out) {due} and owes {owed}"
        if now >= policy.stop_probability and "do_not_use" not in owed:
            yield f"{row['meter_id']} has P(out) {now} now and may be used"
        barred = row["standing"] == "out" or now >= policy.stop_probability
        if "do_not_use" in owed and not barred:
            yield f"{row['meter_id']} is barred with P(out) {now}"


def overdue_and_dates(review: Review) -> Iterator[str]:
    """Overdue in the flag, the token, the date and the ledger's last calibration."""
    forward = review.ledger.filter(pl.col("calibration").is_in(["both", "looks_forward"]))
    last = dict(forward.group_by("meter_id").agg(pl.col("performed_on").max()).iter_rows())
    every = dict(review.upkeep.present.iter_rows())
    for row, owed in meters(review):
        name, due = row["meter_id"], row["next_due_on"]
        late = due is not None and due < review.as_of
        if {row["overdue"], "overdue" in owed, late} != {late}:
            yield f"{name}: overdue {row['overdue']}, {owed}, due {due}"
        if due is not None and name in last:
            expected = last[name] + timedelta(days=every[name])
            if due != expected:
                yield f"{name} is due {due}, {every[name]} days after {last[name]}"


def words_and_obligations(review: Review) -> Iterator[str]:
    """Every obligation is told in reason and action; the day to act by is the first of theirs."""
    by_meter = review.obligations.group_by("meter_id", maintain_order=True)
    rows = {str(key[0]): part for key, part in by_meter}
    for row, owed in meters(review):
        mine = rows.get(row["meter_id"], review.obligations.clear())
        if mine["obligation"].to_list() != owed:
            yield f"{row['meter_id']}: {owed} and {mine['obligation'].to_list()}"
        if row["act_by"] != mine["by_on"].min():
            yield f"{row['meter_id']}: act by {row['act_by']}, {mine['by_on'].to_list()}"
        for sentence in mine["sentence"]:
            todo, why = plain(sentence).removesuffix(".").split(": ", 1)
            told = why.lower() in row["reason"].lower() and f"{todo}." in plain(row["action"])
            if not told:
                yield f"{row['meter_id']} is not told: {sentence}"


def order_and_obligation(review: Review) -> Iterator[str]:
    """By the strongest obligation, then by the chance; the retired last."""
    places = [
        (
            row["standing"] == "retired",
            TOKENS.index(owed[0]) if owed else len(TOKENS),
            -(row["p_out_next_due"] if row["p_out_next_due"] is not None else -1.0),
        )
        for row, owed in meters(review)
    ]
    if places != sorted(places):
        yield "meters are not in the order of their obligations"


def crossing_and_state(review: Review) -> Iterator[str]:
    """Let nothing that is out cross; fear for what crosses before it is due."""
    for row, owed in in_use(review):
        on, due = row["crossing_on"], row["next_due_on"]
        if on is None:
            continue
        if row["standing"] == "out":
            yield f"{row['meter_id']} is out and crosses on {on}"
        early = due is not None and on <= max(due, review.as_of)
        if early and not {*owed} & {*TOKENS[:4]}:
            yield f"{row['meter_id']} crosses on {on} before it is due and owes {owed}"


def drift_and_trend(review: Review) -> Iterator[str]:
    """Confirm a drift where the trend does, by its own q, crossing on its own day."""
    points = review.ledger.select("series", "meter_id", "point_pct").unique()
    fits = review.path_trends.join(points, on="series").join(
        review.forecasts.select("series", "crossing"), on="series", how="left"
    )
    known = {(row["meter_id"], round(row["point_pct"])): row for row in fits.to_dicts()}
    for row, _ in in_use(review):
        told = {int(at) for at in _AT.findall(row["reason"])}
        real = {
            at
            for (meter, at), fit in known.items()
            if meter == row["meter_id"] and fit["verdict"] == "drifting"
        }
        if told != real:
            yield f"{row['meter_id']}: drift told at {told}, confirmed at {real}"
        for at in told:
            q = known[row["meter_id"], at]["drift_q"]
            if q > review.policy.false_discovery_rate:
                yield f"{row['meter_id']}: drift at {at} told with q {q}"
            if round(row["worst_point_pct"]) == at and abs(row["trend_q"] - q) > 1e-9:
                yield f"{row['meter_id']}: q {q} told beside {row['trend_q']}"
        for at, on in _CROSSES.findall(row["reason"]):
            crossing = known[row["meter_id"], int(at)]["crossing"]
            day = date(2000, 1, 1) + timedelta(days=round(crossing * 365.25))
            if on != f"{day.day} {day:%b} {day.year}":
                yield f"{row['meter_id']}: at {at} told to cross on {on}, forecast {day}"


def interval_and_obligation(review: Review) -> Iterator[str]:
    """Seen early where, and only where, its own interval is shorter than it is seen now."""
    advice = {
        row["meter_id"]: row
        for row in review.upkeep.intervals.filter(
            (pl.col("scope") == "meter") & (pl.col("method") == "recommendation")
        ).iter_rows(named=True)
    }
    every = dict(review.upkeep.present.iter_rows())
    for row, owed in in_use(review):
        said = advice.get(row["meter_id"])
        if said is None:
            continue
        present = min(every[row["meter_id"]], review.policy.intervals.ceiling_days)
        shorter = said["days"] < present
        asked = {*owed} & {*TOKENS[:4]}
        if shorter and not asked:
            yield f"{row['meter_id']} owes {owed}; {said['basis']}"
        if ("See it" in said["basis"]) > ("see_early" in owed):
            yield f"{row['meter_id']} owes {owed}; {said['basis']}"
        if ("Not to be used" in said["basis"]) != ("do_not_use" in owed):
            yield f"{row['meter_id']} owes {owed}; {said['basis']}"
        if owed == ["see_early"] and not shorter and row["level_pct"] is not None:
            yield f"{row['meter_id']} is to be seen early; {said['basis']}"


def level_and_forecast(review: Review) -> Iterator[str]:
    """Give as the level of today the forecast's of today."""
    points = review.ledger.select("series", "meter_id", "point_pct").unique()
    now = review.forecasts.join(points, on=["series", "meter_id"]).select(
        "meter_id", "level", "level_low", "level_high", worst_point_pct="point_pct"
    )
    both = review.meters.join(now, on=["meter_id", "worst_point_pct"])
    for row in both.iter_rows(named=True):
        if not row["level_low"] - 1e-9 <= row["level_pct"] <= row["level_high"] + 1e-9:
            yield f"{row['meter_id']}: level {row['level_pct']} outside its own band of today"
    today = both.join(
        review.forecast.filter(pl.col("on_date") == review.as_of),
        left_on=["meter_id", "worst_point_pct"],
        right_on=["meter_id", "point_pct"],
        suffix="_then",
    )
    for row in today.iter_rows(named=True):
        if abs(row["level_pct"] - row["level_pct_then"]) > 1e-6:
            yield f"{row['meter_id']}: level {row['level_pct']}, forecast {row['level_pct_then']}"


def adjustments_and_words(review: Review) -> Iterator[str]:
    """Count no more adjustments one way than were made."""
    made = {str(key[0]): adjustments(part) for key, part in review.ledger.group_by("meter_id")}
    for row, _ in in_use(review):
        for number in re.findall(r"the last (\d+) adjustments all", row["reason"]):
            if int(number) > made[row["meter_id"]]:
                yield f"{row['meter_id']}: {number} adjustments one way of {made[row['meter_id']]}"


def signals_and_words(review: Review) -> Iterator[str]:
    """Count the signals without a response that the file has."""
    unanswered = review.signals.filter(pl.col("answered_on").is_null())
    number = dict(unanswered.group_by("meter_id").len().iter_rows())
    for row, _ in in_use(review):
        told = re.findall(r"(\d+) signals? ha(?:s|ve) no response", row["reason"])
        on_file = number.get(row["meter_id"], 0)
        if sum(int(one) for one in told) != on_file:
            yield f"{row['meter_id']}: {told} signals told, {on_file} on file"


def fleet_page_and_file(review: Review) -> Iterator[str]:
    """Headline, order and counts of the page are those of the files."""
    page = fleet_page(review)
    if [row.meter_id for row in page.meters] != review.meters["meter_id"].to_list():
        yield "the page lists meters in another order"
    counts = dict(review.meters["standing"].value_counts().iter_rows())
    counts.pop("retired", None)
    if dict(page.standings) != counts:
        yield f"the page counts {page.standings}, the file {counts}"
    if sum(row.overdue for row in page.meters) != int(review.meters["overdue"].sum()):
        yield "the page and the file count overdue meters otherwise"
    rows = [row for group in page.table.groups for row in group.rows]
    rows += [row for group in page.table.groups for fold in group.folds for row in fold.rows]
    if sorted(row.meter_id for row in rows) != sorted(review.meters["meter_id"]):
        yield "the table of the fleet does not hold each meter once"
    said = headline(review.obligations, as_of=review.as_of)
    if page.lead[1] != said:
        yield f"the page begins {page.lead[1]!r}"
    barred = review.obligations.filter(pl.col("obligation").is_in(BARRED))["meter_id"].unique()
    if barred.is_empty() != said.startswith("No meter is barred"):
        yield f"{said!r} with {barred.len()} meters barred"
    if barred.len() <= 12 and not all(name in said for name in barred):
        yield f"{said!r} does not name {barred.to_list()}"


def dossier_and_file(review: Review) -> Iterator[str]:
    """Say in a dossier of drift, adjustments and crossing what the file says."""
    for row, _ in meters(review):
        page = dossier_page(review, row["meter_id"])
        said = [page.history.label, page.drift_words]
        said += [chart.conclude for chart in page.control.charts]
        text = plain(" ".join([*page.brief, *said]))
        confirmed = any(trend.verdict == "drifting" for trend in page.trends)
        if "adjustments hide it here" in text and "Nothing was ever adjusted" in text:
            yield f"{row['meter_id']}: adjustments hide it, and none was made"
        if ("Nothing was ever adjusted" in text) != ("Adjustments: none on record" in text):
            yield f"{row['meter_id']}: adjustments are told and are not"
        if "path drifts" in text and not confirmed:
            yield f"{row['meter_id']}: the path drifts and no trend does"
        if row["standing"] != "retired" and confirmed != ("confirmed drift" in row["reason"]):
            yield f"{row['meter_id']}: a drift is confirmed on one page"
        out = page.meter.crossing.when == "already outside"
        if row["standing"] != "retired" and (row["standing"] == "out") > out:
            yield f"{row['meter_id']} is out and leaves the tolerance {page.meter.crossing.when}"
        if page.meter.standing != row["standing"] or plain(page.meter.reason) != row["reason"]:
            yield f"{row['meter_id']} stands otherwise in its dossier"


OF_FILES: tuple[Pair, ...] = (
    standing_and_obligation,
    chance_and_obligation,
    overdue_and_dates,
    words_and_obligations,
    order_and_obligation,
    crossing_and_state,
    drift_and_trend,
    interval_and_obligation,
    level_and_forecast,
    adjustments_and_words,
    signals_and_words,
)
OF_PAGES: tuple[Pair, ...] = (fleet_page_and_file, dossier_and_file)


def contradictions(review: Review, pairs: tuple[Pair, ...]) -> list[str]:
    """Return all that contradicts, each with the pair that found it."""
    return [f"{pair.__name__}: {told}" for pair in pairs for told in pair(review)]
